#include "daemon/grids/beam_profile.h"

#include <cmath>
#include <numbers>

namespace creel {

namespace {

double shared_by_circles(double u) {
  return u >= 1 ? 0 : 2 / std::numbers::pi * (std::acos(u) - u * std::sqrt(1 - u * u));
}

/// Mean of exp(-4 ln 2 r^2) over a disc of diameter 1 whose centre is at `d`.
double mean_of_gaussian(double d) {
  constexpr int kRings = 128;
  constexpr int kAngles = 64;
  double sum = 0;
  for (int ring = 0; ring < kRings; ++ring) {
    const double r = 0.5 * std::sqrt((ring + 0.5) / kRings);
    for (int angle = 0; angle < kAngles; ++angle) {
      const double phi = 2 * std::numbers::pi * (angle + 0.5) / kAngles;
      const double squared = d * d + r * r + 2 * d * r * std::cos(phi);
      sum += std::exp(-4 * std::numbers::ln2 * squared);
    }
  }
  return sum / (kRings * kAngles);
}

}  // namespace

std::string_view beam_shape_name(BeamShape shape) {
  return shape == BeamShape::flat ? "flat" : "gaussian";
}

std::optional<BeamShape> beam_shape_from(std::string_view name) {
  for (const BeamShape shape : {BeamShape::gaussian, BeamShape::flat}) {
    if (beam_shape_name(shape) == name) {
      return shape;
    }
  }
  return std::nullopt;
}

double part_of_dose(BeamShape shape, double diameter_nm, double distance_nm) {
  const double u = distance_nm / diameter_nm;
  return shape == BeamShape::flat ? shared_by_circles(u)
                                  : mean_of_gaussian(u) / mean_of_gaussian(0);
}

}  // namespace creel
