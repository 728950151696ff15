// SQLite on a Disk: a virtual file system of SQLite's whose every byte goes through
// daemon/seams/disk.h.
//
// Registered under a name of its own while the object lives, never as SQLite's default. It offers
// no shared memory, so a write-ahead log works only with locking_mode=EXCLUSIVE set first; the
// database file is locked exclusively as long as it is open. New files are made durable together
// with their directory at their first sync.
//
// Fail-stop: after one failed write, sync, resize or removal nothing more is written, so what
// SQLite does while it gives up and closes cannot touch what is on the disk. Reading goes on.
//
// One thread. The disk and the clock must outlive it; every database must be closed before it goes.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "daemon/seams/clock.h"
#include "daemon/seams/disk.h"
#include "protocol/base/result.h"

struct sqlite3_vfs;

namespace creel {

class DiskVfs {
 public:
  DiskVfs(Disk& disk, const Clock& clock);
  ~DiskVfs();
  DiskVfs(const DiskVfs&) = delete;
  DiskVfs& operator=(const DiskVfs&) = delete;

  /// For sqlite3_open_v2().
  [[nodiscard]] const char* name() const { return name_.c_str(); }
  /// The failure that stopped writing; nothing while all is well.
  [[nodiscard]] const std::optional<Error>& failure() const { return failure_; }
  /// What the disk said last when something went wrong (locking and reading included).
  [[nodiscard]] const std::optional<Error>& last_error() const { return last_error_; }

  // For the C callbacks of SQLite in disk_vfs.cpp only.
  Disk& disk() { return disk_; }
  const Clock& clock() { return clock_; }
  /// Whether `result` is good; remembers its error otherwise. `stops` when nothing may be written
  /// after it.
  bool passed(const Result<void>& result, bool stops);
  void note(const Error& error) { last_error_ = error; }
  [[nodiscard]] bool stopped() const { return failure_.has_value(); }

 private:
  Disk& disk_;
  const Clock& clock_;
  std::string name_;
  std::optional<Error> failure_;
  std::optional<Error> last_error_;
  std::unique_ptr<sqlite3_vfs> vfs_;
};

}  // namespace creel
