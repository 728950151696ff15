// The reader of a session that is still a folder, with what only the store needs to go on with it.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/session/piece_file.h"
#include "protocol/session/reader.h"

namespace creel::session {

/// Where a frame lies.
struct Place {
  std::uint64_t piece = 0;
  std::uint64_t index = 0;  ///< in the piece
  friend auto operator<=>(const Place&, const Place&) = default;
};

/// What was found in one piece.
struct PieceState {
  std::uint64_t number = 0;
  std::uint64_t valid = 0;  ///< n_valid
  std::uint64_t used = 0;   ///< places up to the last one that was ever written to
  bool truncated = false;   ///< n_valid may be gone: every record counts as acknowledged
  bool sealed = false;      ///< packed; takes no more frames
  bool clean = true;        ///< all `used` places hold an intact frame, and nothing else is wrong
};

class FolderReader final : public Reader {
 public:
  static Result<std::unique_ptr<FolderReader>> open(FileSource& source, const std::string& folder);

  [[nodiscard]] bool folded() const override { return false; }
  Result<void> read_frame(std::size_t index, std::span<std::byte> into) override;
  Result<EventLog> each_event(const EventParser::Take& take,
                              const EventParser::Words& words = {}) override;
  [[nodiscard]] bool proven(std::size_t index) const override;
  [[nodiscard]] std::string place(std::size_t index) const override;
  Result<void> refresh() override;

  [[nodiscard]] const PieceLayout& layout() const { return layout_; }
  /// The pieces there are, by number.
  [[nodiscard]] const std::vector<PieceState>& pieces() const { return pieces_; }
  [[nodiscard]] Place where(std::size_t index) const { return places_[index]; }
  /// The packed chunk of a sealed piece that holds exactly frames first..first+count-1 of records()
  /// in this order; false when there is none of this codec. Not checked: the reader of the copy
  /// does that.
  Result<bool> read_chunk(std::size_t first, std::size_t count, Codec codec,
                          std::vector<std::byte>& chunk);

 private:
  FolderReader(FileSource& source, std::string folder)
      : source_(&source), folder_(std::move(folder)) {}
  Result<std::vector<std::uint64_t>> piece_numbers();
  void report_missing(const std::vector<std::uint64_t>& numbers);
  void scan_piece(std::uint64_t number);
  Result<PieceFile> open_piece(std::uint64_t number);
  Result<PieceFile*> piece_at(std::uint64_t number);
  void check_structure(PieceFile& piece, PieceState& state);
  void read_valid(PieceFile& piece, PieceState& state);
  void scan_records(PieceFile& piece, PieceState& state);
  bool judge(PieceFile& piece, PieceState& state, std::uint64_t index, const Record& record);
  bool frame_intact(PieceFile& piece, std::uint64_t index, const Record& record);
  void put_in_order();
  void fault(FaultKind kind, std::uint64_t piece, const std::string& detail,
             const std::string& sentence);

  FileSource* source_;
  std::string folder_;
  PieceLayout layout_;
  std::vector<PieceState> pieces_;
  std::vector<Place> places_;  ///< of records_
  struct OpenPiece {
    std::uint64_t number;
    PieceFile piece;
  };
  std::optional<OpenPiece> open_;
};

}  // namespace creel::session
