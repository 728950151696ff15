// How long a shutter really lets the beam through.
//
// Counts of exposures of growing opening lie on a straight line; where it meets no counts tells how
// much longer the beam is on than was asked:  counts = R (1 + a t) (T + excess). That is what the
// photographic trade calls the shutter error (common practice); it needs no clock in the shutter.
// What the driver reports stands beside it.
#pragma once

#include <vector>

#include "daemon/calibration/frames.h"
#include "daemon/spectra/series_calibration.h"
#include "protocol/base/result.h"

namespace creel::calibration {

using analysis::Measured;

struct ShutterTimes {
  Measured excess_s;    ///< beam on for this much longer than asked, by counts
  Measured reported_s;  ///< the same by the times that the shutter reports
  double flicker = 0;   ///< relative, of one exposure
  std::vector<std::uint64_t> sequence;
};
/// Frames of kind zero_loss or gain, whose exposure as asked is the opening. Exposure times may
/// repeat. refused: fewer than three times, or fewer than six frames.
Result<ShutterTimes> shutter_times(const Frames& frames, double noise);

}  // namespace creel::calibration
