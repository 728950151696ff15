// Opens a session at any moment: the folder of one that is running, was killed or met a power cut,
// and the file it was folded into. Nothing is ever written or repaired by reading.
//
// Everything read is untrusted input: a torn, bit-flipped or foreign file gives an Error or a
// Fault, never a crash. All calls of one Reader on one thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/session/codec.h"
#include "protocol/session/layout.h"
#include "protocol/session/shape.h"
#include "protocol/session/source.h"

namespace creel::session {

/// All that a session says about itself apart from frames and events.
struct Documents {
  int format = 0;  ///< kFormat of the writer
  std::string name;
  FrameShape shape;
  Codec codec = Codec::deflate;  ///< of sealed pieces; none: no piece is ever sealed
  std::uint64_t frames_planned = 0;
  std::int64_t start_utc_ns = 0;  ///< with start_world_ns the recorded map from world time to UTC
  std::int64_t start_world_ns = 0;
  std::string series_text;  ///< verbatim
  std::string rig_text;     ///< verbatim
  nlohmann::json devices;   ///< what was asked of each device and what it read back
  nlohmann::json software;
  std::vector<double> area_dose_before;  ///< per area of the series, 1/angstrom^2
  nlohmann::json summary;                ///< how it ended; null while it is a folder
};

/// The lines of events.log.
struct EventLog {
  std::vector<nlohmann::json> events;    ///< of the intact lines, in order
  std::vector<std::uint64_t> bad_lines;  ///< line numbers from 1: checksum or JSON wrong
  bool torn = false;                     ///< the last line is unfinished: it was never acknowledged
  std::uint64_t good_bytes = 0;  ///< length of the text up to the end of the last whole line
};
/// Never fails: what cannot be read is in bad_lines.
EventLog parse_event_log(std::string_view text);

/// The same one event at a time, from a text that comes in parts: a night may have a million, and
/// as JSON they take ten times their text.
class EventParser {
 public:
  using Take = std::function<void(nlohmann::json&&)>;
  /// Texts of which an event has at least one, to be given to `take`; none: every event. The others
  /// have their checksums tried, and are not parsed, which costs most.
  using Words = std::vector<std::string>;
  explicit EventParser(Take take, Words words = {})
      : take_(std::move(take)), words_(std::move(words)) {}
  void add(std::string_view part);
  /// After the last part; `events` is empty.
  EventLog end();

 private:
  void line(std::string_view text);
  Take take_;
  Words words_;
  std::string begun_;  ///< of a line whose end is to come
  std::uint64_t number_ = 0;
  EventLog log_;
};

enum class FaultKind : std::uint8_t {
  missing_piece,    ///< one or more pieces are gone or cannot be opened, or the chunk table is lost
  truncated_piece,  ///< shorter than it was laid out
  structure,  ///< the HDF5 structure of a piece is damaged: the frames are read all the same here
  record,     ///< a place that held an acknowledged frame has no record now
  document,   ///< a document's checksum does not match
};

/// Something that was acknowledged once, or is part of the session, and cannot be had any more.
struct Fault {
  FaultKind kind = FaultKind::record;
  std::string place;     ///< "piece-3.h5", "piece-3.h5 place 17", "events.log line 4"
  std::string sentence;  ///< for a person
};

/// How a session is laid out in its pieces that are not sealed; only while it is a folder.
struct PieceLayout {
  std::uint64_t capacity = 0;       ///< frames in a piece
  std::uint64_t frames_offset = 0;  ///< of /frames in the file, bytes; the next two likewise
  std::uint64_t record_offset = 0;
  std::uint64_t valid_offset = 0;
  std::uint64_t bytes = 0;     ///< size of a piece
  std::uint32_t head_crc = 0;  ///< CRC-32C over the HDF5 structure: the bytes in none of the three
};

class Reader {
 public:
  /// `path` is DIR/NAME, DIR/NAME/whole.h5 or DIR/NAME.h5. invalid_request when there is no session
  /// there, corrupt when its metadata cannot be read. A session with damaged or missing pieces
  /// opens all the same: look at faults().
  static Result<std::unique_ptr<Reader>> open(FileSource& source, const std::string& path);
  /// Opens a folded session whatever its file is called.
  static Result<std::unique_ptr<Reader>> open_file(FileSource& source, const std::string& path);
  virtual ~Reader() = default;

  [[nodiscard]] const Documents& documents() const { return documents_; }
  /// True for NAME.h5, false for a folder.
  [[nodiscard]] virtual bool folded() const = 0;
  /// The frames there are, in order of their sequence numbers. A sequence number that is missing
  /// was lost before it was acknowledged, or is among faults(). In a folder: frames beyond a
  /// piece's n_valid have had their checksum tried and count only when it holds; the others are
  /// tried by read_frame.
  [[nodiscard]] virtual std::span<const Record> records() const { return records_; }
  /// Index in records() of a sequence number.
  [[nodiscard]] std::optional<std::size_t> find(std::uint64_t sequence) const;
  /// Reads frame `index` of records() into `into` (documents().shape.bytes() long): rows, then
  /// columns. corrupt when its checksum does not hold; `into` then has the bytes as they are.
  virtual Result<void> read_frame(std::size_t index, std::span<std::byte> into) = 0;
  /// Each intact event, in order, while they are read; the answer's `events` are empty.
  virtual Result<EventLog> each_event(const EventParser::Take& take,
                                      const EventParser::Words& words = {}) = 0;
  /// All of them at once.
  Result<EventLog> events();
  /// Another reader of the same file for another thread, which shares the records that this one has
  /// read. Only of NAME.h5: refused for a folder.
  virtual Result<std::unique_ptr<Reader>> again(FileSource& source) const;
  /// What was found damaged or missing while opening.
  [[nodiscard]] const std::vector<Fault>& faults() const { return faults_; }
  /// Frames whose record or bytes were there only in part beyond n_valid: the tail of a crash,
  /// never acknowledged.
  [[nodiscard]] std::uint64_t unfinished() const { return unfinished_; }
  /// Frames that are there twice because the store moved them to another piece after a disk error.
  [[nodiscard]] std::uint64_t moved() const { return moved_; }
  /// Whether frame `index` of records() is known to have been acknowledged (a lower bound:
  /// n_valid).
  [[nodiscard]] virtual bool proven(std::size_t index) const = 0;
  /// Where frame `index` of records() lies, for a person: "piece-2.h5 place 5 (frame 133)".
  [[nodiscard]] virtual std::string place(std::size_t index) const = 0;
  /// Looks for frames that came since; the indices in records() of those already known do not
  /// change unless a frame was moved to another piece after a disk error.
  virtual Result<void> refresh() = 0;

 protected:
  Documents documents_;
  std::vector<Record> records_;
  std::vector<Fault> faults_;
  std::uint64_t unfinished_ = 0;
  std::uint64_t moved_ = 0;
};

}  // namespace creel::session
