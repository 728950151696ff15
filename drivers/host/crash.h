// A crash of the driver in one thread is not yet the end of the process: the crashed thread is
// parked, and the safety thread makes the device safe before the process dies of the same signal.
// Best effort: memory may be damaged, so the watchdog bounds it, and what the driver holds locked
// stays locked.
//
// Process-wide by nature: signal handlers are.
#pragma once

#include <cstddef>
#include <memory>

namespace creel::host {

/// Call once, on the safety thread, before other threads start. `wake` is an eventfd. Does nothing
/// in builds with sanitizers, which report crashes themselves.
void park_crashing_threads(int wake);
/// The signal that a thread was parked for, or 0. Any thread.
int parked_for();
/// Ends this process by `signal`, as if nobody had caught it.
[[noreturn]] void die_of(int signal);

/// A stack of its own for the handler of this thread, so that an overflowed stack can be told too.
class CrashStack {
 public:
  CrashStack();
  ~CrashStack();
  CrashStack(const CrashStack&) = delete;
  CrashStack& operator=(const CrashStack&) = delete;

 private:
  std::unique_ptr<std::byte[]> memory_;
};

}  // namespace creel::host
