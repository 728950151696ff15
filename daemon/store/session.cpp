#include "daemon/store/session.h"

#include <algorithm>
#include <deque>
#include <set>
#include <utility>

#include "daemon/store/disk_source.h"
#include "daemon/store/event_file.h"
#include "daemon/store/fold.h"
#include "daemon/store/nexus.h"
#include "daemon/store/piece_writer.h"
#include "daemon/store/sealing.h"
#include "daemon/store/whole.h"
#include "protocol/base/crc32c.h"
#include "protocol/session/folder_reader.h"

namespace creel::store {

namespace {

using nlohmann::json;
using session::FolderReader;
using session::PieceLayout;
using session::Record;

constexpr std::uint64_t kEventRoom = 16ULL << 20;  // what events.log may still need
constexpr std::size_t kMostUnlogged = 10'000;      // events that a failing disk has not taken yet
constexpr std::size_t kWriteBytes = 8U << 20;      // frames are written in runs of about this much

// Which exposures are done, from the records of durable frames.
class DoneExposures {
 public:
  void add(const Record& record) {
    // Of an exposure of many frames only the last one says that it is done.
    const bool unfinished = (record.flags & (session::kBroken | session::kMoreToCome)) != 0;
    if (unfinished || record.exposure < first_missing_) {
      return;
    }
    later_.insert(record.exposure);
    while (later_.erase(first_missing_) > 0) {
      first_missing_ += 1;
    }
  }
  [[nodiscard]] std::uint64_t count() const { return first_missing_; }

 private:
  std::uint64_t first_missing_ = 0;
  std::set<std::uint64_t> later_;
};

// What a running session is made of.
struct Parts {
  std::string directory, name;
  FrameShape shape;
  session::Codec codec = session::Codec::deflate;
  std::uint64_t frames_planned = 0;
  PieceImage image;
  std::shared_ptr<EventFile> events;  ///< also held by a piece that is being laid out
  std::unique_ptr<File>
      whole;  ///< only for its shared lock: no HDF5 program writes to it meanwhile
};

// Says in events.log which pieces there are, so that one that gets lost is missed.
PieceWriter::Announce announce_in(std::shared_ptr<EventFile> events) {
  return [events = std::move(events)](std::uint64_t number) {
    return events->append({{"event", "piece"},
                           {"text", session::piece_name(number) + " is laid out"},
                           {"piece", number}});
  };
}

class FolderSession final : public Session {
 public:
  FolderSession(Disk& disk, Parts parts, const Background& background)
      : disk_(&disk),
        parts_(std::move(parts)),
        pieces_(disk, folder(), std::move(parts_.image), parts_.shape.bytes(),
                announce_in(parts_.events), background.prepare),
        pack_(background.pack),
        sealing_(disk, {folder(), pieces_.layout(), parts_.shape, parts_.codec}, background.pack) {}

  Result<void> append_borrowed(Record record, std::span<const std::byte> frame) override;
  Result<std::uint64_t> commit() override;
  Result<void> event(const json& event) override {
    if (!parts_.events) {
      return over();
    }
    if (to_log_.size() == kMostUnlogged) {
      return Error{ErrorCode::storage_failed, parts_.name + ": the disk has not taken the last " +
                                                  std::to_string(kMostUnlogged) + " events"};
    }
    to_log_.push_back(event);
    return log();
  }
  std::vector<std::string> warnings() override {
    for (const auto& sentence : sealing_.news()) {
      warn(sentence, {{"event", "not_sealed"}});
    }
    return std::exchange(warnings_, {});
  }
  void give_way(bool give) override { sealing_.give_way(give); }
  [[nodiscard]] Sealed sealed() const override {
    const auto progress = sealing_.progress();
    return {progress.sealed, progress.total};
  }
  [[nodiscard]] Progress progress() const override {
    return {durable_frames_, done_.count(), last_};
  }
  [[nodiscard]] const std::string& name() const override { return parts_.name; }
  [[nodiscard]] std::string path() const override {
    return parts_.directory + "/" + parts_.name + (parts_.events ? "" : ".h5");
  }
  [[nodiscard]] Result<Headroom> headroom() const override;
  Result<std::string> fold(const json& summary,
                           const std::function<void(std::uint64_t, std::uint64_t)>& told) override;

  /// First call after construction: makes piece 0.
  Result<void> begin() { return pieces_.begin(); }
  Result<void> lock_whole() {
    auto file = disk_->open(folder() + "/" + session::kWholeName, OpenMode::read);
    if (!file.ok()) {
      return file.error();
    }
    parts_.whole = std::move(file).value();
    return parts_.whole->lock_shared();
  }
  /// Or: goes on after what `reader` found.
  Result<void> take_up(FolderReader& reader);

 private:
  [[nodiscard]] std::string folder() const { return parts_.directory + "/" + parts_.name; }
  [[nodiscard]] Error over() const {
    return {ErrorCode::refused, parts_.name + ": this session is over"};
  }
  Result<void> write_pending();
  Result<void> move_to_new_piece(const Error& why);
  void count_durable();
  Error give_up(const Error& why);
  void forget_pending();
  Result<void> log();
  void warn(const std::string& sentence, json event);
  void note_gaps(const FolderReader& reader);
  Result<void> prove(FolderReader& reader);

  Disk* disk_;
  Parts parts_;
  PieceWriter pieces_;
  std::vector<Worker*> pack_;
  Sealing sealing_;
  std::vector<Frame> pending_;  // since the last commit
  std::size_t written_ = 0;     // of these
  std::size_t unwritten_bytes_ = 0;
  std::uint64_t durable_frames_ = 0;
  std::uint64_t durable_sequence_ = 0;  // the sequence number after the last durable frame
  std::optional<Record> last_;
  DoneExposures done_;
  std::deque<json> to_log_;
  std::vector<std::string> warnings_;
};

Result<void> FolderSession::append_borrowed(Record record, std::span<const std::byte> frame) {
  if (!parts_.events) {
    return over();
  }
  if (frame.size() != parts_.shape.bytes()) {
    return Error{ErrorCode::invalid_request,
                 parts_.name + ": a frame has " + std::to_string(frame.size()) +
                     " bytes instead of " + std::to_string(parts_.shape.bytes())};
  }
  record.sequence = durable_sequence_ + pending_.size();
  record.frame_bytes = frame.size();
  record.frame_crc = crc32c(frame);
  session::seal(record);
  pending_.push_back({record, frame});
  unwritten_bytes_ += frame.size();
  if (unwritten_bytes_ < kWriteBytes) {
    return {};
  }
  auto written = write_pending();
  return written.ok() ? Result<void>() : give_up(written.error());
}

Result<std::uint64_t> FolderSession::commit() {
  if (!parts_.events) {
    return over();
  }
  auto synced = write_pending();
  if (synced.ok()) {
    synced = pieces_.sync();
    if (!synced.ok()) {
      synced = move_to_new_piece(synced.error());
      synced = synced.ok() ? pieces_.sync() : synced;
    }
  }
  if (!synced.ok()) {
    return give_up(synced.error());
  }
  count_durable();
  pieces_.prepare(parts_.frames_planned - std::min(parts_.frames_planned, durable_frames_));
  (void)log();
  return durable_frames_;
}

Result<void> FolderSession::write_pending() {
  auto written = pieces_.write(std::span(pending_).subspan(written_));
  if (!written.ok()) {
    written = move_to_new_piece(written.error());
  }
  written_ = pending_.size();
  unwritten_bytes_ = 0;
  return written;
}

// The frames are durable; their pieces say so.
void FolderSession::count_durable() {
  for (const auto& frame : pending_) {
    done_.add(frame.record);
  }
  if (!pending_.empty()) {
    last_ = pending_.back().record;
    durable_frames_ += pending_.size();
    durable_sequence_ += pending_.size();
  }
  if (const auto refused = pieces_.settle()) {
    warn("piece " + std::to_string(*refused) + " takes no more frames after a disk error",
         {{"event", "piece_failed"}, {"piece", *refused}});
  }
  for (const auto number : pieces_.take_filled()) {
    sealing_.piece_full(number);
  }
  forget_pending();
}

// After a failed write or sync: none of the frames that are not durable is trusted to the pieces
// they were written to. Readers take the later of two copies.
Result<void> FolderSession::move_to_new_piece(const Error& why) {
  if (const auto failed = pieces_.abandon()) {
    warn(why.text + "; " + std::to_string(pending_.size()) + " frames go to a new piece",
         {{"event", "piece_failed"}, {"piece", *failed}});
  }
  return pieces_.write(pending_);
}

Error FolderSession::give_up(const Error& why) {
  pieces_.abandon();
  forget_pending();
  return why.code == ErrorCode::storage_failed ? why : Error{ErrorCode::storage_failed, why.text};
}

void FolderSession::forget_pending() {
  pending_.clear();
  copies_.clear();
  written_ = 0;
  unwritten_bytes_ = 0;
}

// What the disk refuses is tried again with the next event or commit: it may tell of dose.
Result<void> FolderSession::log() {
  while (!to_log_.empty()) {
    CREEL_TRY(parts_.events->append(to_log_.front()));
    to_log_.pop_front();
  }
  return {};
}

void FolderSession::warn(const std::string& sentence, json event) {
  constexpr std::size_t kMost = 100;
  if (warnings_.size() < kMost) {
    warnings_.push_back(sentence);
    event["text"] = sentence;
    to_log_.push_back(std::move(event));
  }
}

Result<Headroom> FolderSession::headroom() const {
  auto free = disk_->free_bytes(parts_.directory);
  if (!free.ok()) {
    return free.error();
  }
  const auto frames = std::max(parts_.frames_planned, durable_frames_ + pending_.size());
  Headroom room;
  room.free = *free;
  room.frames_set_aside = pieces_.room();
  room.piece = pieces_.layout().bytes;
  room.piece_frames = pieces_.layout().capacity;
  room.rest = room.needed_for(frames - durable_frames_ - pending_.size());
  // Frames that do not compress at all, their records, and the columns made from those.
  // Beside lists of events, the spectra counted from them.
  const auto counted = parts_.shape.lists_events() ? counted_shape(parts_.shape).bytes() : 0;
  const auto folded = frames * (parts_.shape.bytes() + counted + 2 * sizeof(Record));
  room.to_fold = folded + folded / 64;
  return room;
}

Result<std::string> FolderSession::fold(
    const json& summary, const std::function<void(std::uint64_t, std::uint64_t)>& told) {
  if (!parts_.events) {
    return over();
  }
  if (!pending_.empty()) {
    auto done = commit();
    if (!done.ok()) {
      return done.error();
    }
  }
  CREEL_TRY(log());
  pieces_.stop_preparing();
  sealing_.stop();  // folding packs what is not sealed yet, without writing it twice
  auto path = fold_folder(*disk_, parts_.directory, parts_.name, summary, told, pack_);
  if (!path.ok()) {
    return path.error();
  }
  pieces_.close();
  parts_.whole.reset();
  parts_.events.reset();
  // The file is complete; what remains of the folder is cleared away at the next start if it stays
  // now.
  if (auto gone = remove_folder(*disk_, parts_.directory, parts_.name); !gone.ok()) {
    warnings_.push_back(gone.error().text);
  }
  return path;
}

Result<void> FolderSession::take_up(FolderReader& reader) {
  for (const auto& record : reader.records()) {
    done_.add(record);
  }
  durable_frames_ = reader.records().size();
  if (durable_frames_ > 0) {
    last_ = reader.records().back();
    durable_sequence_ = last_->sequence + 1;
  }
  note_gaps(reader);
  CREEL_TRY(prove(reader));
  const auto& pieces = reader.pieces();
  std::unique_ptr<Piece> current, next;
  for (const auto& piece : pieces) {
    if (piece.clean && !piece.sealed && piece.used == pieces_.layout().capacity) {
      sealing_.piece_full(piece.number);
    }
  }
  const auto used = std::find_if(pieces.rbegin(), pieces.rend(),
                                 [](const session::PieceState& piece) { return piece.used > 0; });
  const auto first_free = used == pieces.rend() ? 0 : used->number + (used->clean ? 0 : 1);
  for (const auto& piece : pieces) {
    const bool usable =
        piece.number >= first_free && piece.clean && piece.used < pieces_.layout().capacity;
    if (!usable || next) {
      continue;
    }
    auto opened = Piece::open(*disk_, folder(), piece.number, pieces_.layout(),
                              parts_.shape.bytes(), piece.used);
    if (!opened.ok()) {
      return opened.error();
    }
    (current ? next : current) = std::move(opened).value();
  }
  pieces_.take_up(pieces.empty() ? 0 : pieces.back().number + 1, std::move(current),
                  std::move(next));
  return {};
}

// After a power cut a frame may have got to the disk and the one before it not. Neither was
// acknowledged; the one that is there is kept, and verify is told that the other was never
// promised.
void FolderSession::note_gaps(const FolderReader& reader) {
  std::uint64_t next = 0;
  for (std::size_t i = 0; i < reader.records().size(); ++i) {
    const auto here = reader.records()[i].sequence;
    if (here > next && !reader.proven(i)) {
      to_log_.push_back(
          {{"event", "never_acknowledged"},
           {"text", "frames " + std::to_string(next) + " to " + std::to_string(here - 1) +
                        " were lost in a power cut, unpromised"},
           {"first_sequence", next},
           {"last_sequence", here - 1}});
    }
    next = here + 1;
  }
}

// Frames beyond n_valid are there, but nobody knows whether on the disk or only in the system's
// memory, and after a failed sync the system itself does not know. So they are written again, and
// synced.
Result<void> FolderSession::prove(FolderReader& reader) {
  std::unique_ptr<Piece> piece;
  std::vector<std::byte> frame(parts_.shape.bytes());
  const auto finish = [&]() -> Result<void> {
    if (!piece) {
      return {};
    }
    CREEL_TRY(piece->sync());
    const auto state = std::find_if(
        reader.pieces().begin(), reader.pieces().end(),
        [&](const session::PieceState& found) { return found.number == piece->number(); });
    return state->clean ? piece->set_valid(state->used) : Result<void>();
  };
  for (std::size_t i = 0; i < reader.records().size(); ++i) {
    if (reader.proven(i)) {
      continue;
    }
    const auto at = reader.where(i);
    if (!piece || piece->number() != at.piece) {
      CREEL_TRY(finish());
      auto opened =
          Piece::open(*disk_, folder(), at.piece, pieces_.layout(), parts_.shape.bytes(), 0);
      if (!opened.ok()) {
        return opened.error();
      }
      piece = std::move(opened).value();
    }
    CREEL_TRY(reader.read_frame(i, frame));
    CREEL_TRY(piece->rewrite(at.index, {reader.records()[i], frame}));
  }
  return finish();
}

Result<void> check_start(const SessionStart& start) {
  const auto& name = start.name;
  const bool allowed = !name.empty() && name.size() <= 200 && name.front() != '.' &&
                       std::all_of(name.begin(), name.end(), [](char c) {
                         return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ||
                                (c >= '0' && c <= '9') || c == '.' || c == '_' || c == '-';
                       });
  if (!allowed || name.ends_with(".h5") || name.ends_with(".part")) {
    return Error{
        ErrorCode::invalid_request,
        "a session cannot be named \"" + name +
            "\"; allowed are letters, digits, '.', '_' and '-', not beginning with '.' and "
            "not ending in .h5 or .part"};
  }
  if (!session::possible(start.shape)) {
    return Error{ErrorCode::invalid_request,
                 name + ": a frame of " + session::shape_text(start.shape) +
                     " cannot be stored; allowed is " + session::allowed_text(start.shape.pixel)};
  }
  return {};
}

// Clears away what a crash during an earlier create_session() left.
Result<void> clear_leftovers(Disk& disk, const std::string& folder) {
  auto names = disk.list(folder);
  if (!names.ok()) {
    return names.error();
  }
  for (const auto& file : *names) {
    if (file != session::kEventsName && belongs_to_session(file)) {
      std::string path = folder;
      CREEL_TRY(disk.remove_file(path.append("/").append(file)));
    }
  }
  return {};
}

Error taken(const std::string& path) {
  return {ErrorCode::refused,
          path + ": a session of this name is there already; choose another name"};
}

std::string parent(const std::string& path) {
  const auto slash = path.find_last_of('/');
  return slash == std::string::npos ? "." : slash == 0 ? "/" : path.substr(0, slash);
}

// Also for names that were there before: the process that made them may have been killed before
// this.
Result<void> sync_names(Disk& disk, const std::string& directory, const std::string& folder) {
  CREEL_TRY(disk.sync_directory(folder));
  CREEL_TRY(disk.sync_directory(directory));
  return disk.sync_directory(parent(directory));
}

}  // namespace

std::uint64_t Headroom::needed_for(std::uint64_t frames) const {
  const auto more = frames - std::min(frames, frames_set_aside);
  return (more + piece_frames - 1) / piece_frames * piece + kEventRoom;
}

Result<void> Session::append(Record record, std::span<const std::byte> frame) {
  copies_.emplace_back(frame.begin(), frame.end());
  return append_borrowed(record, copies_.back());
}

Result<std::unique_ptr<Session>> create_session(Disk& disk, const SessionStart& start,
                                                const Background& background) {
  CREEL_TRY(check_start(start));
  const auto folder = start.directory + "/" + start.name;
  if (disk.exists(folder + ".h5")) {
    return taken(folder + ".h5");
  }
  CREEL_TRY(disk.create_directories(folder));
  auto events = EventFile::open(disk, folder);
  if (!events.ok()) {
    return events.error().code == ErrorCode::refused ? taken(folder) : events.error();
  }
  if (disk.exists(folder + "/" + session::kWholeName)) {
    return taken(folder);
  }
  CREEL_TRY(clear_leftovers(disk, folder));
  CREEL_TRY((*events)->clear());
  CREEL_TRY(sync_names(disk, start.directory, folder));
  auto image = lay_out_piece(start.shape, piece_capacity(start.shape, start.frames_planned));
  if (!image.ok()) {
    return image.error();
  }
  const PieceLayout layout = image->layout;
  auto session = std::make_unique<FolderSession>(
      disk,
      Parts{start.directory, start.name, start.shape, start.codec, start.frames_planned,
            std::move(image).value(), std::move(events).value(), nullptr},
      background);
  CREEL_TRY(session->begin());
  CREEL_TRY(write_whole(disk, folder, start, layout));
  CREEL_TRY(session->lock_whole());
  return std::unique_ptr<Session>(std::move(session));
}

Result<std::unique_ptr<Session>> resume_session(Disk& disk, const std::string& directory,
                                                const std::string& name,
                                                const Background& background) {
  const auto folder = directory + "/" + name;
  if (!disk.exists(folder + "/" + session::kWholeName)) {
    return Error{ErrorCode::invalid_request, folder + ": there is no unfinished session here"};
  }
  auto events = EventFile::open(disk, folder);
  if (!events.ok()) {
    return events.error();
  }
  CREEL_TRY(sync_names(disk, directory, folder));
  CREEL_TRY(clear_drafts(disk, folder));
  auto source = disk_source(disk);
  auto reader = FolderReader::open(*source, folder);
  if (!reader.ok()) {
    return reader.error();
  }
  for (const auto& fault : (*reader)->faults()) {
    if (fault.kind == session::FaultKind::missing_piece ||
        fault.kind == session::FaultKind::truncated_piece) {
      return Error{ErrorCode::corrupt, folder + ": cannot go on, because " + fault.place + " " +
                                           fault.sentence +
                                           ". What is there can be read; start a new session"};
    }
  }
  const auto& documents = (*reader)->documents();
  auto image = lay_out_piece(documents.shape, (*reader)->layout().capacity);
  if (!image.ok()) {
    return image.error();
  }
  // A later version of HDF5 may lay out a piece in another way than the one that began the session.
  const auto& layout = (*reader)->layout();
  if (image->layout.head_crc != layout.head_crc || image->layout.bytes != layout.bytes) {
    return Error{ErrorCode::corrupt, folder +
                                         ": cannot go on: its pieces are laid out in another "
                                         "way than this program does. What is there can be read"};
  }
  auto session = std::make_unique<FolderSession>(
      disk,
      Parts{directory, name, documents.shape, documents.codec, documents.frames_planned,
            std::move(image).value(), std::move(events).value(), nullptr},
      background);
  CREEL_TRY(session->lock_whole());
  CREEL_TRY(session->take_up(**reader));
  return std::unique_ptr<Session>(std::move(session));
}

Result<std::vector<std::string>> unfinished_sessions(Disk& disk, const std::string& directory) {
  std::vector<std::string> unfinished;
  if (!disk.exists(directory)) {
    return unfinished;
  }
  auto names = disk.list(directory);
  if (!names.ok()) {
    return names.error();
  }
  for (const auto& name : *names) {
    std::string folder = directory;
    folder.append("/").append(name);
    if (!disk.list(folder).ok()) {
      continue;  // a file
    }
    if (disk.exists(folder + ".h5")) {
      // Only for a file that is that session; a failure is tried again next time.
      const auto source = disk_source(disk);
      auto file = session::Reader::open(*source, folder + ".h5");
      if (file.ok() && (*file)->documents().name == name) {
        (void)remove_folder(disk, directory, name);
      }
    } else if (disk.exists(folder + "/" + session::kWholeName)) {
      unfinished.push_back(name);
    }
  }
  return unfinished;
}

}  // namespace creel::store
