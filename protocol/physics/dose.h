// From electrons per area to energy per mass.
#pragma once

#include <cmath>

#include "protocol/physics/constants.h"
#include "protocol/physics/kinematics.h"

namespace creel::physics {

/// Energy that a fast electron leaves in matter by collisions, per way and density, MeV cm^2/g.
/// @param z_over_a     electrons per atomic mass unit: water 0.55508, carbon 0.49954.
/// @param excitation_eV  mean excitation energy: water 75.0, carbon 78.0.
/// @param e0_eV          kinetic energy, 10 keV to 300 keV: the density correction is left out.
/// Source: M. J. Berger, S. M. Seltzer, NBSIR 82-2550 (1982); ICRU Report 37 (1984).
/// Check: water at 100, 200, 300 keV -> 4.115, 2.793, 2.355.
inline double collision_stopping_MeV_cm2_per_g(double z_over_a, double excitation_eV,
                                               double e0_eV) {
  const double tau = e0_eV / kElectronRestEnergy_eV;
  const double ratio = excitation_eV / kElectronRestEnergy_eV;
  const double beta2 = beta_squared(e0_eV);
  const double shape =
      1.0 - beta2 +
      (tau * tau / 8.0 - (2.0 * tau + 1.0) * std::log(2.0)) / ((tau + 1.0) * (tau + 1.0));
  return 0.153536 * z_over_a / beta2 *
         (std::log(tau * tau * (tau + 2.0) / (2.0 * ratio * ratio)) + shape);
}

/// Absorbed dose in MGy for a dose in electrons per square angstrom, in a film so thin that every
/// electron leaves the mean energy: fluence times stopping power. 1 MeV cm^2/g = e 1e5 J m^2/kg,
/// and 1/angstrom^2 = 1e20 1/m^2, both exact. Check: 1 e/A^2 in water at 300 keV -> 3.773 MGy.
constexpr double megagray(double dose_e_per_a2, double stopping_MeV_cm2_per_g) {
  return kElementaryCharge_C * 1e19 * dose_e_per_a2 * stopping_MeV_cm2_per_g;
}

}  // namespace creel::physics
