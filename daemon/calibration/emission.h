// The photocathode: electrons against pulse energy, and how it settles after its laser is let in.
//
// When n photons together free an electron the current goes as the n-th power of the pulse energy
// (M. Goeppert-Mayer, Ann. Phys. (Leipzig) 401, 273 (1931)); n is the slope of log against log.
#pragma once

#include <vector>

#include "daemon/calibration/frames.h"
#include "daemon/spectra/series_calibration.h"
#include "protocol/base/result.h"

namespace creel::calibration {

using analysis::Measured;

struct EmissionPoint {
  double power_mw = 0;  ///< of the laser at its gauge
  double per_s = 0;     ///< counts (or electrons) per second
  double time_s = 0;    ///< world time
};
struct Emission {
  Measured order;    ///< n
  Measured at_mean;  ///< per second at mean_power_mw (geometric mean)
  double mean_power_mw = 0;
  double scatter = 0;  ///< relative, of one point about the line
  std::vector<std::uint64_t> sequence;
};
/// Straight line in logarithms beside a slow drift of the source (straight and bent in time);
/// errors by the points' own scatter. refused: fewer than eight points,
/// or powers that differ by less than a tenth (then drift would be taken for the law).
Result<Emission> emission_law(const std::vector<EmissionPoint>& points);
/// A point for each frame of kind zero_loss in vacuum with a power reading within `near_s` of it.
std::vector<EmissionPoint> emission_points(const Frames& frames,
                                           const std::vector<analysis::PowerReading>& readings,
                                           double near_s, std::vector<std::uint64_t>& sequence);

/// Electrons of one pulse push each other apart, so the zero loss widens with their number. That
/// the width they add grows linearly and joins the source's own in quadrature is a model (common
/// practice for small charges); `misfit` tells how well it holds.
struct ChargeWidening {
  Measured sharp_ev2;     ///< FWHM^2 of the zero loss with next to no charge
  Measured added_ev2;     ///< FWHM^2 that charge adds at `mean_per_s`; grows as its square
  double mean_per_s = 0;  ///< mean over the points
  double misfit = 0;      ///< chi2 per degree of freedom against the fits' own errors
};
/// Straight line of FWHM^2 against the square of the rate, weights by counting; what scatters
/// more than that widens the errors. refused: fewer than eight frames whose zero loss can be
/// fitted, or rates that differ by less than a tenth.
/// @param noise  variance of a frame's total over its mean.
Result<ChargeWidening> charge_widening(const Frames& frames, double dispersion_ev, double noise);

struct Settling {
  Measured time_s;     ///< until 1/e of what was missing is left
  Measured missing;    ///< part of the steady current that is missing at first
  Measured settled_s;  ///< until the current is within `within` of steady
  double within = 0;
  std::vector<std::uint64_t> sequence;
};
/// rate(t) = R (1 - w exp(-t/tau)) (1 + a t) from frames of kind zero_loss in vacuum after the last
/// frame of kind background: t since that one's shutter closed, when the laser was let in again.
/// refused: no such frames, fewer than eight, or nothing that settles.
Result<Settling> settling(const Frames& frames, double noise, double within);

}  // namespace creel::calibration
