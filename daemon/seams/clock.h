// The three times that the daemon knows. Real in daemon/platform, moved by hand in tests/fakes.
#pragma once

#include <cstdint>

#include "protocol/base/units.h"

namespace creel {

class Clock {
 public:
  virtual ~Clock() = default;
  /// For physics and waits; accelerated on a simulated rig. Never goes back. Any thread.
  [[nodiscard]] virtual WorldTime world_now() const = 0;
  /// For leases and heartbeats; real monotonic time always. Any thread.
  [[nodiscard]] virtual SafetyTime safety_now() const = 0;
  /// For people and files only: nanoseconds since 1970-01-01T00:00:00Z; may step. Any thread.
  [[nodiscard]] virtual std::int64_t utc_now_ns() const = 0;
};

}  // namespace creel
