#include "sim/arrivals.h"

#include <algorithm>
#include <cmath>

namespace creel::sim {
namespace {

constexpr std::int64_t kPs = 1000;  // in one ns

/// From the exposure's beginning to the first pulse at or after it. Pulses come at whole multiples
/// of the period; world time in ps could overflow, what is left of it after division cannot.
std::int64_t first_pulse(std::int64_t begin_ns, std::int64_t period_ps) {
  const std::int64_t since_ps = begin_ns % period_ps * kPs % period_ps;
  return (period_ps - since_ps) % period_ps;
}

}  // namespace

Arrivals::Arrivals(const Source& source, std::span<const Slice> slices, std::int64_t begin_ns,
                   std::int64_t end_ns)
    : period_ps_(std::max<std::int64_t>(1, std::llround(1e12 / source.pulse_rate_hz))),
      length_ps_((end_ns - begin_ns) * kPs) {
  const std::int64_t first_ps = first_pulse(begin_ns, period_ps_);
  const auto pulses_before = [&](std::int64_t t_ps) {
    return t_ps <= first_ps ? 0 : (t_ps - first_ps - 1) / period_ps_ + 1;
  };
  double sum = 0;
  for (const Slice& slice : slices) {
    if (!slice.detected || !(slice.electrons > 0)) {
      continue;
    }
    Stretch stretch{(slice.begin_ns - begin_ns) * kPs, (slice.end_ns - begin_ns) * kPs, 0, 0};
    if (slice.lit) {
      const std::int64_t before = pulses_before(stretch.begin_ps);
      stretch.first_pulse_ps = first_ps + before * period_ps_;
      stretch.pulses = pulses_before(stretch.end_ps) - before;
    }
    sum += slice.electrons;
    stretches_.push_back(stretch);
    running_.push_back(sum);
  }
}

std::uint64_t Arrivals::draw(double resolution_ns, Random& random) const {
  if (stretches_.empty()) {
    return 0;
  }
  const double where = random.uniform() * running_.back();
  const auto found = std::upper_bound(running_.begin(), running_.end() - 1, where);
  const Stretch& stretch = stretches_[static_cast<std::size_t>(found - running_.begin())];
  const double along = random.uniform();
  std::int64_t time_ps = 0;
  if (stretch.pulses > 0) {
    const auto pulse = static_cast<std::int64_t>(along * static_cast<double>(stretch.pulses));
    time_ps = stretch.first_pulse_ps + pulse * period_ps_;
  } else {
    time_ps =
        stretch.begin_ps +
        static_cast<std::int64_t>(along * static_cast<double>(stretch.end_ps - stretch.begin_ps));
  }
  time_ps += std::llround(resolution_ns * 1e3 * random.normal());
  return static_cast<std::uint64_t>(std::clamp<std::int64_t>(time_ps, 0, length_ps_ - 1));
}

}  // namespace creel::sim
