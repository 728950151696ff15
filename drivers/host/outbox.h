// What goes back to the daemon. No thread of the host ever waits for the daemon to read: a daemon
// that is stopped must not keep a driver, let alone the safety thread, from its work.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <mutex>
#include <string>
#include <string_view>

namespace creel::host {

/// All calls: any thread, none waits.
class Outbox {
 public:
  /// Neither descriptor is owned. `wake` is an eventfd that is written when waiting() has become
  /// true.
  Outbox(int socket, int wake) : socket_(socket), wake_(wake) {}

  /// Sends an answer or an event; keeps it for flush() while the daemon does not read.
  void send(std::string message);
  /// Sends one "log" event. At most kLinesInBurst at once and kLinesPerSecond after that; dropped
  /// lines are counted and the count is told, as are those that find the daemon not reading.
  void log(std::int32_t level, std::string_view text);
  [[nodiscard]] bool waiting() const;
  /// Sends what waits, as far as there is room. Call when the socket can be written.
  void flush();

  static constexpr int kLinesInBurst = 200;
  static constexpr int kLinesPerSecond = 5;

 private:
  bool may_log();                        // with mutex_ held
  void queue_or_send(std::string text);  // with mutex_ held

  const int socket_;
  const int wake_;
  mutable std::mutex mutex_;
  std::deque<std::string> waiting_;
  double lines_left_ = kLinesInBurst;
  std::chrono::steady_clock::time_point counted_ = std::chrono::steady_clock::now();
  std::uint64_t dropped_ = 0;
};

}  // namespace creel::host
