// What a fit over dose says of the specimen before the beam touched it.
#pragma once

#include <cmath>
#include <cstdint>
#include <limits>

namespace creel::analysis {

struct ZeroDose {
  double x0 = 0, sigma_x0 = 0;  ///< part of the atoms in the high state at zero dose, unbounded
  double k = 0, sigma_k = 0;    ///< damage rate, angstrom^2/e; 0 and NaN when there is no dose to
                                ///< tell it from
  double covariance_x0_k = 0;
  bool damage_told = false;  ///< k differs from 0 by more than two standard deviations
  double critical_dose = 0, sigma_critical_dose = 0;  ///< 1/k, e/angstrom^2; NaN unless damage_told
  double plain_x = 0, sigma_plain_x = 0;  ///< without damage (k = 0), for comparison: biased by it
  double chi_square = 0;                  ///< or deviance
  std::uint64_t degrees_of_freedom = 0;

  /// Sets damage_told and the critical dose from k and its error.
  void tell_damage() {
    damage_told = std::isfinite(sigma_k) && std::fabs(k) > 2 * sigma_k;
    critical_dose = damage_told ? 1.0 / k : std::numeric_limits<double>::quiet_NaN();
    sigma_critical_dose =
        damage_told ? sigma_k / (k * k) : std::numeric_limits<double>::quiet_NaN();
  }
};

}  // namespace creel::analysis
