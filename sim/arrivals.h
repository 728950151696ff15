// When the electrons of one exposure reached the sensor: for detectors with time stamps.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "sim/history.h"
#include "sim/random.h"
#include "sim/source.h"

namespace creel::sim {

/// Electrons of a lit cathode come with a laser pulse, one every 1/pulse_rate_hz (in whole ps) of
/// world time; those of the residual beam come at any time. Within a stretch in which nothing
/// changed, every pulse is as likely as any other.
class Arrivals {
 public:
  /// `slices`: the beam on the specimen within [begin_ns, end_ns), as History tells it.
  Arrivals(const Source& source, std::span<const Slice> slices, std::int64_t begin_ns,
           std::int64_t end_ns);

  /// One electron that was detected: ps since begin_ns, before end_ns. Its time was measured with
  /// an error of `resolution_ns` (one standard deviation). 0 when no electron can have come.
  std::uint64_t draw(double resolution_ns, Random& random) const;

 private:
  struct Stretch {
    std::int64_t begin_ps, end_ps;  // since the exposure began
    std::int64_t first_pulse_ps;    // of those within; only when pulses > 0
    std::int64_t pulses;            // 0: any time
  };
  std::int64_t period_ps_;
  std::int64_t length_ps_;
  std::vector<Stretch> stretches_;
  std::vector<double> running_;  // running sum of the stretches' mean electrons
};

}  // namespace creel::sim
