// events.log of a session: append-only lines with a checksum each (protocol/session/layout.h).
#pragma once

#include <cstdint>
#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>
#include <string>

#include "daemon/seams/disk.h"
#include "protocol/base/result.h"

namespace creel::store {

/// Its exclusive lock is what makes one process the owner of a session.
class EventFile {
 public:
  /// Opens or creates the log in `folder` and takes the lock; `refused` when another process has
  /// it. A torn last line was never acknowledged and is overwritten by the next event.
  static Result<std::unique_ptr<EventFile>> open(Disk& disk, const std::string& folder);
  /// Durable on return. After a failure the line is not there, and the next one takes its place.
  /// Any thread.
  Result<void> append(const nlohmann::json& event);
  /// Empties the log.
  Result<void> clear();

 private:
  EventFile(std::unique_ptr<File> file, std::uint64_t end) : file_(std::move(file)), end_(end) {}
  std::mutex mutex_;
  std::unique_ptr<File> file_;
  std::uint64_t end_;
  bool tail_dirty_ = true;  ///< something may stand after the last good line
};

}  // namespace creel::store
