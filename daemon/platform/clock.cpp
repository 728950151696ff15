#include "daemon/platform/clock.h"

#include <ctime>

namespace creel::platform {
namespace {
std::int64_t read(clockid_t clock) {
  timespec now{};
  clock_gettime(clock, &now);
  return static_cast<std::int64_t>(now.tv_sec) * 1'000'000'000 + now.tv_nsec;
}
}  // namespace

SafetyTime RealClock::safety_now() const {
  return SafetyTime{read(CLOCK_MONOTONIC)};
}
std::int64_t utc_now_ns() {
  return read(CLOCK_REALTIME);
}
std::int64_t RealClock::utc_now_ns() const {
  return platform::utc_now_ns();
}

std::uint64_t RealRandom::next() {
  return (static_cast<std::uint64_t>(device_()) << 32) | device_();
}

}  // namespace creel::platform
