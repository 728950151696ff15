// The real clocks.
#pragma once

#include "daemon/seams/clock.h"
#include "daemon/seams/random.h"
#include "protocol/clock/world_page.h"

#include <random>

namespace creel::platform {

/// Nanoseconds since 1970-01-01T00:00:00Z, from CLOCK_REALTIME.
std::int64_t utc_now_ns();

/// World time from the rig's shared page, safety time from CLOCK_MONOTONIC, UTC from
/// CLOCK_REALTIME.
class RealClock : public Clock {
 public:
  explicit RealClock(WorldTimeline timeline) : timeline_(timeline) {}
  [[nodiscard]] WorldTime world_now() const override { return timeline_.now(); }
  [[nodiscard]] SafetyTime safety_now() const override;
  [[nodiscard]] std::int64_t utc_now_ns() const override;

 private:
  WorldTimeline timeline_;
};

/// Chance from the operating system.
class RealRandom : public Random {
 public:
  std::uint64_t next() override;

 private:
  std::random_device device_;
};

}  // namespace creel::platform
