// A unit is a type. Quantities of different kinds do not mix, and a raw number becomes a quantity
// only by name: `Electronvolts{708.0}`. Raw numbers (JSON, HDF5, the C ABI) carry the unit in their
// name.
#pragma once

#include <compare>
#include <cstdint>

namespace creel {

template <class Tag, class Rep>
struct Quantity {
  Rep value{};
  constexpr Quantity() = default;
  constexpr explicit Quantity(Rep v) : value(v) {}
  friend constexpr Quantity operator+(Quantity a, Quantity b) {
    return Quantity{a.value + b.value};
  }
  friend constexpr Quantity operator-(Quantity a, Quantity b) {
    return Quantity{a.value - b.value};
  }
  constexpr Quantity& operator+=(Quantity other) {
    value += other.value;
    return *this;
  }
  friend constexpr auto operator<=>(Quantity, Quantity) = default;
};

/// Length of time, exact, in nanoseconds (an int64 holds 292 years).
using Duration = Quantity<struct DurationTag, std::int64_t>;
constexpr Duration nanoseconds(std::int64_t n) {
  return Duration{n};
}
constexpr Duration microseconds(std::int64_t n) {
  return Duration{n * 1'000};
}
constexpr Duration milliseconds(std::int64_t n) {
  return Duration{n * 1'000'000};
}
constexpr Duration seconds(std::int64_t n) {
  return Duration{n * 1'000'000'000};
}
constexpr Duration from_seconds(double s) {
  return Duration{static_cast<std::int64_t>(s * 1e9 + (s < 0 ? -0.5 : 0.5))};
}
constexpr double in_seconds(Duration d) {
  return static_cast<double>(d.value) * 1e-9;
}

/// A point on one of the two clocks (daemon/seams/clock.h): nanoseconds since an origin of the
/// clock's own.
template <class Tag>
struct TimePoint {
  std::int64_t ns = 0;
  constexpr TimePoint() = default;
  constexpr explicit TimePoint(std::int64_t n) : ns(n) {}
  friend constexpr TimePoint operator+(TimePoint t, Duration d) {
    return TimePoint{t.ns + d.value};
  }
  friend constexpr TimePoint operator-(TimePoint t, Duration d) {
    return TimePoint{t.ns - d.value};
  }
  friend constexpr Duration operator-(TimePoint a, TimePoint b) { return Duration{a.ns - b.ns}; }
  friend constexpr auto operator<=>(TimePoint, TimePoint) = default;
};
/// World time: what physics and waits run on; accelerated on a simulated rig.
using WorldTime = TimePoint<struct WorldTimeTag>;
/// Safety time: leases, heartbeats, make_safe; real monotonic time, never scaled.
using SafetyTime = TimePoint<struct SafetyTimeTag>;

/// Electron dose (areal density of incident electrons), electrons per square angstrom; 1 e/A^2 =
/// 100 e/nm^2.
using Dose = Quantity<struct DoseTag, double>;
/// Electron dose rate, electrons per square angstrom and second.
using DoseRate = Quantity<struct DoseRateTag, double>;
constexpr Dose operator*(DoseRate rate, Duration time) {
  return Dose{rate.value * in_seconds(time)};
}

}  // namespace creel
