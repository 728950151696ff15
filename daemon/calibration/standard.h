// End members of a library brought to the resolution of what they are compared with.
#pragma once

#include <span>
#include <vector>

#include "protocol/base/result.h"

namespace creel::calibration {

/// What must be done so that two spectra have one resolution: the better resolved one is broadened
/// by a Gaussian of the difference in quadrature, sqrt(a^2 - b^2) (variances of convolved shapes
/// add).
struct Matching {
  bool broaden_first = false;  ///< else the second, if any
  double by_fwhm_ev = 0;       ///< 0 = nothing to do
};
Matching match_resolution(double first_fwhm_ev, double second_fwhm_ev);

/// The spectrum after a Gaussian of this full width; counts are kept, at the ends too: what would
/// leave the axis stays in its last channel. Neighbours' noise is correlated afterwards: errors
/// must be worked out on the spectrum as it was.
std::vector<double> broadened(std::span<const double> counts, double dispersion_ev, double fwhm_ev);

}  // namespace creel::calibration
