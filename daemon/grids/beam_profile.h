// How much of the beam's dose reaches an area beside the one that is lit. Pure numerics.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/base/result.h"

namespace creel {

enum class BeamShape : std::uint8_t {
  gaussian,  ///< diameter = full width at half maximum
  flat,      ///< an evenly lit disc
};
std::string_view beam_shape_name(BeamShape shape);  ///< "gaussian", "flat"
std::optional<BeamShape> beam_shape_from(std::string_view name);

/// As a person measured it.
struct BeamProfile {
  BeamShape shape = BeamShape::gaussian;
  double diameter_nm = 0;
  double relative_uncertainty = 0;  ///< of a neighbour's dose, one standard deviation
  std::string method;
  std::string utc;  ///< holds for what is exposed from then on
};

/// Mean dose over a disc of the beam's diameter whose centre is `distance_nm` from the beam's,
/// relative to that over the disc under the beam: 1 at distance 0. A dose rate is current over lit
/// area, so it is such a mean.
/// flat: what two equal circles share (E. W. Weisstein, Circle-Circle Intersection, MathWorld,
/// eq. 14): (2/pi) (acos(u) - u sqrt(1 - u^2)), u = distance / diameter; 0 beyond the diameter.
/// gaussian: exp(-4 ln 2 r^2 / fwhm^2) integrated over the disc by the midpoint rule on 128 rings
/// of equal area and 64 angles. For distance 0 the mean is (1 - exp(-ln 2)) / ln 2 = 0.7213.
/// @param distance_nm  >= 0.   @param diameter_nm  > 0.
double part_of_dose(BeamShape shape, double diameter_nm, double distance_nm);

}  // namespace creel
