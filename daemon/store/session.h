// One session being recorded: the folder with whole.h5, the pieces and events.log, and its folding
// into one NAME.h5 at the end (protocol/session/layout.h has the names).
//
// A frame is durable only when commit() has counted it. All calls on one thread (the store's).
// Every byte goes through the Disk interface.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/seams/disk.h"
#include "daemon/seams/scheduler.h"
#include "protocol/base/result.h"
#include "protocol/session/codec.h"
#include "protocol/session/layout.h"
#include "protocol/session/shape.h"

namespace creel::store {

using session::FrameShape;
using session::Pixel;
using session::pixel_bytes;
using session::pixel_from;
using session::pixel_name;

/// All that is known before frame 0. Everything a reader will ever need and that does not change
/// goes here; what changes is a record or an event.
struct SessionStart {
  std::string directory;  ///< where sessions live
  std::string name;       ///< session name, unique in `directory`
  FrameShape shape;
  /// Of pieces that are sealed, and of the folded file. none: nothing is sealed, and the file is
  /// packed with deflate.
  session::Codec codec = session::Codec::deflate;
  std::uint64_t frames_planned = 0;
  std::int64_t start_utc_ns = 0;
  std::int64_t start_world_ns =
      0;                    ///< the recorded map from world time to UTC: both at one instant
  nlohmann::json series;    ///< the parsed series document
  std::string series_text;  ///< verbatim
  nlohmann::json rig;
  std::string rig_text;
  /// Device name -> {kind, driver, plugin, version, describe, settings_set, settings}: what was
  /// asked and what was read back.
  nlohmann::json devices;
  nlohmann::json software;  ///< {name, version, build, compiler, hdf5, host, kernel}
  /// Areas in the series' order -> dose already in the ledger before this session, 1/angstrom^2.
  std::vector<double> area_dose_before;
};

/// How far a session got; what the engine needs to go on after a crash.
struct Progress {
  std::uint64_t frames = 0;          ///< durable and intact
  std::uint64_t exposures_done = 0;  ///< planned exposures 0..done-1 need not be taken again
  std::optional<session::Record> last;
};

/// Threads that a session may use beside the store's. They must outlive it.
struct Background {
  Worker* prepare = nullptr;       ///< lays out the next piece; null = the store's thread does it
  std::vector<Worker*> pack = {};  ///< seal full pieces, and share the folding; empty = pieces stay
                                   ///< as they are, and the store's thread folds alone
};

/// How many of the full pieces are sealed (packed in the background) by now.
struct Sealed {
  std::uint64_t pieces = 0;
  std::uint64_t full = 0;
};

/// Room on the disk of a session, bytes.
struct Headroom {
  std::uint64_t free = 0;              ///< on the disk now
  std::uint64_t frames_set_aside = 0;  ///< frames that already have their places
  std::uint64_t piece = 0;             ///< one more piece
  std::uint64_t piece_frames = 0;      ///< frames in it
  std::uint64_t rest = 0;     ///< that all frames still planned need beyond what is set aside
  std::uint64_t to_fold = 0;  ///< that folding needs at the end, at most

  /// What `frames` more frames need, with what the log may need meanwhile.
  [[nodiscard]] std::uint64_t needed_for(std::uint64_t frames) const;
};

class Session {
 public:
  virtual ~Session() = default;

  /// Stores one frame: fills sequence, sizes, checksums of `record`, writes both, sooner or later.
  /// Not durable before commit(), and until that has returned the caller leaves the bytes of
  /// `frame` as they are. Keep batches small (design: 8 MiB). After a failed write this frame and
  /// all others since the last commit go to a new piece once; storage_failed when that fails too,
  /// and then none of them counts, exactly as after a failed commit().
  virtual Result<void> append_borrowed(session::Record record,
                                       std::span<const std::byte> frame) = 0;
  /// The same with a copy of the bytes, which is kept until the next commit().
  Result<void> append(session::Record record, std::span<const std::byte> frame);
  /// Syncs all that was appended; returns how many frames of the session are now durable. After a
  /// failed sync the frames since the last commit go to a new piece once (see warnings()), and
  /// storage_failed means that this failed too: no frame since the last good commit counts, they
  /// are still the caller's to keep, and may be appended again, in the same order, when the disk
  /// works. Nothing that a failed sync was to make durable is ever counted without having been
  /// written and synced anew.
  virtual Result<std::uint64_t> commit() = 0;
  /// Appends one event (an object; "utc" and "world_ns" are the caller's) and syncs it. After an
  /// error it is kept, and tried again with the next event or commit(), in order; not after a kill.
  virtual Result<void> event(const nlohmann::json& event) = 0;
  /// Sentences about what went wrong and was mended since the last call: a piece given up after a
  /// disk error. Also written to events.log.
  virtual std::vector<std::string> warnings() { return {}; }
  /// Frames come faster than they are stored: work in the background pauses while true. Any thread.
  virtual void give_way(bool give) = 0;
  [[nodiscard]] virtual Progress progress() const = 0;
  [[nodiscard]] virtual Sealed sealed() const = 0;
  [[nodiscard]] virtual const std::string& name() const = 0;
  [[nodiscard]] virtual std::string path() const = 0;  ///< folder while running, file once folded
  [[nodiscard]] virtual Result<Headroom> headroom() const = 0;
  /// Writes NAME.h5 beside the folder, verifies every frame against its checksum, renames it into
  /// place and removes the folder. `progress(done, total)` in frames. `summary` becomes part of the
  /// file (how it ended, dose per area, counts of frames). Returns the file's path. On failure the
  /// folder stays as it was.
  virtual Result<std::string> fold(
      const nlohmann::json& summary,
      const std::function<void(std::uint64_t, std::uint64_t)>& progress) = 0;

 protected:
  std::deque<PageBytes> copies_;  ///< what append() copied since the last commit
};

/// Lays out a new session; refused when the name is taken. Durable (folder, whole.h5, first piece)
/// on return. A folder without whole.h5 is what a crash left of laying out a session: its name is
/// free.
Result<std::unique_ptr<Session>> create_session(Disk& disk, const SessionStart& start,
                                                const Background& background = {});
/// Takes up a session whose folder is there, after a crash or a restart. Nothing is repaired: the
/// records tell what is there; frames that were not known to be durable are written and synced
/// anew; new frames go to the first place after them. `refused` while another process has the
/// session, `corrupt` when a piece is missing.
Result<std::unique_ptr<Session>> resume_session(Disk& disk, const std::string& directory,
                                                const std::string& name,
                                                const Background& background = {});
/// Names of sessions in `directory` that are still folders. Also clears away what a crash left of a
/// folder whose NAME.h5 is complete.
Result<std::vector<std::string>> unfinished_sessions(Disk& disk, const std::string& directory);

}  // namespace creel::store
