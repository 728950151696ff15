// A pipe that hangs up the moment the daemon dies, however busy the computer is.
//
// A killed process lets go of its sockets only when the last of its threads has had its turn on the
// processor, and those that work in the background have to wait for theirs. So one thread that does
// nothing else has descriptors of its own (unshare(2), CLONE_FILES), holds the only writing end of
// this pipe, and runs at real-time priority where that is permitted (RLIMIT_RTPRIO of 1, or root):
// it is gone at once, and the hosts that wait at the other end make their devices safe.
//
// SAFETY: software shutter control is not a personnel-safety interlock.
#pragma once

#include <memory>
#include <thread>

#include "protocol/base/result.h"
#include "protocol/host/channel.h"

namespace creel::platform {

class LifeLine {
 public:
  /// storage_failed when there are no descriptors left.
  static Result<std::unique_ptr<LifeLine>> make();
  /// Hangs up.
  ~LifeLine();
  LifeLine(const LifeLine&) = delete;
  LifeLine& operator=(const LifeLine&) = delete;

  /// The reading end, above the numbers that a host's own descriptors have; owned by this.
  [[nodiscard]] int descriptor() const { return reading_.get(); }
  /// Whether the thread has real-time priority.
  [[nodiscard]] bool prompt() const { return prompt_; }

 private:
  LifeLine() = default;
  host::Descriptor reading_;
  host::Descriptor ending_;           ///< closing it ends the thread
  host::Descriptor writing_, ended_;  ///< only where the thread could get none of its own
  std::thread thread_;
  bool prompt_ = false;
};

}  // namespace creel::platform
