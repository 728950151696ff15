// Ends the process when the safety thread itself is stuck inside the driver. The daemon sees the
// death and uses the rig's fall-back.
#pragma once

#include <chrono>
#include <condition_variable>
#include <mutex>
#include <string>

namespace creel::host {

class Watchdog {
 public:
  /// Starts its thread, which lives until the process ends; so must this. `socket` (not owned)
  /// takes the last words.
  explicit Watchdog(int socket);

  /// Unless disarm() comes within `limit`: sends `last_words` (a whole message, which must live
  /// until then) and ends the process with `exit_code`. Takes no memory: the heap may be locked or
  /// damaged.
  void arm(std::chrono::milliseconds limit, const std::string& last_words, int exit_code);
  void disarm();

 private:
  void watch();

  const int socket_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::chrono::steady_clock::time_point deadline_;
  const std::string* last_words_ = nullptr;  // nullptr: not armed
  int exit_code_ = 0;
};

}  // namespace creel::host
