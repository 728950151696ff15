// The pieces of one running session as the store writes them: the one that is being filled, those
// that became full since the last sync, and the next one, which is laid out ahead of need.
#pragma once

#include <cstdint>
#include <functional>
#include <future>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/seams/disk.h"
#include "daemon/seams/scheduler.h"
#include "daemon/store/piece.h"
#include "protocol/base/result.h"

namespace creel::store {

/// The store's thread, unless said otherwise.
class PieceWriter {
 public:
  /// Told of every piece that was laid out, before it takes a frame: on the store's thread or on
  /// `prepare`. When it fails the piece is not used.
  using Announce = std::function<Result<void>(std::uint64_t number)>;

  /// `prepare` lays out the next piece beside the store's thread; null = the store's thread does it
  /// itself. It must outlive the writer, and so must `disk`.
  PieceWriter(Disk& disk, std::string folder, PieceImage image, std::uint64_t frame_bytes,
              Announce announce, Worker* prepare);
  ~PieceWriter() { stop_preparing(); }
  PieceWriter(const PieceWriter&) = delete;
  PieceWriter& operator=(const PieceWriter&) = delete;

  /// After a restart: numbers below `first_new` are taken; goes on with these pieces (null = none).
  void take_up(std::uint64_t first_new, std::unique_ptr<Piece> current,
               std::unique_ptr<Piece> next);
  /// Makes the piece that the first frame goes to. Also done by write().
  Result<void> begin() { return next_piece(); }

  /// Writes frames into the next places. After a failure: abandon(), then write all frames that are
  /// not durable anew.
  Result<void> write(std::span<const Frame> frames);
  /// All that was written is durable on return. After a failure as for write().
  Result<void> sync();
  /// None of the frames since the last successful sync() is trusted to the pieces they were written
  /// to, and these take no more. The number of the one that was being filled, if there was one.
  std::optional<std::uint64_t> abandon();
  /// After a sync(): says in the pieces that their frames are durable (a lower bound, durable
  /// itself with the next sync). Failing to say so harms no frame, but that piece takes no more:
  /// returns its number.
  std::optional<std::uint64_t> settle();
  /// Pieces that became full and durable since the last call.
  std::vector<std::uint64_t> take_filled() { return std::exchange(filled_, {}); }
  /// Lays out the next piece when the current one is half full and `frames_to_come` do not fit into
  /// it. If that fails it is tried again when the piece is needed.
  void prepare(std::uint64_t frames_to_come);
  /// Waits until no piece is being laid out.
  void stop_preparing();
  /// Lets go of every file, and of what announces pieces; nothing is written any more.
  void close();

  /// Frames for which places are set aside on the disk already.
  [[nodiscard]] std::uint64_t room() const;
  [[nodiscard]] const session::PieceLayout& layout() const { return image_->layout; }

 private:
  using Made = Result<std::unique_ptr<Piece>>;
  Result<void> next_piece();
  void keep_prepared(Made made);

  Disk* disk_;
  std::string folder_;
  std::shared_ptr<const PieceImage> image_;
  std::uint64_t frame_bytes_;
  Announce announce_;
  Worker* prepare_;
  std::unique_ptr<Piece> current_, next_;
  std::vector<std::unique_ptr<Piece>> full_;  ///< since the last settle()
  std::vector<std::uint64_t> filled_;
  std::future<Made> preparing_;
  std::uint64_t pieces_ = 0;  ///< numbers below are taken
  bool unsynced_ = false;     ///< the current piece holds frames that are not durable
};

}  // namespace creel::store
