// The control thread's event loop, and work that runs beside it.
#pragma once

#include <cstdint>
#include <functional>

#include "protocol/base/units.h"

namespace creel {

using TimerId = std::uint64_t;

/// Runs every callback on the control thread, one at a time.
class Scheduler {
 public:
  virtual ~Scheduler() = default;
  /// Runs `job` soon. Any thread.
  virtual void post(std::function<void()> job) = 0;
  /// Runs `job` once at the stated time or as soon as possible after. Control thread only. On an
  /// accelerated rig a world timer makes time move (protocol/clock), so set one only to really wait
  /// for it: never a free-running one.
  virtual TimerId at(WorldTime when, std::function<void()> job) = 0;
  virtual TimerId at(SafetyTime when, std::function<void()> job) = 0;
  /// The job will not run; an id that is gone is ignored. Control thread only.
  virtual void cancel(TimerId id) = 0;
};

/// A serial queue beside the control thread (the store's). Jobs run in order, one at a time.
class Worker {
 public:
  virtual ~Worker() = default;
  virtual void run(std::function<void()> job) = 0;
};

}  // namespace creel
