// The energy at which free electrons of a solid oscillate together.
#pragma once

#include <cmath>

#include "protocol/physics/constants.h"

namespace creel::physics {

constexpr double kAvogadro_per_mol = 6.02214076e23;  ///< exact since the SI of 2019

/// Ep = hbar sqrt(n e^2 / (eps0 m)) = 4 R sqrt(pi n a0^3), about 28.816 eV sqrt(z rho / A), for
/// `electrons` valence electrons in a formula unit. Measured plasmons differ by an electronvolt or
/// more where the electrons are bound. Source: H. Raether, Excitation of Plasmons and Interband
/// Transitions by Electrons, Springer 1980. Check: aluminium (3, 2.70, 26.98) -> 15.79 eV.
inline double free_electron_plasmon_eV(double electrons, double density_g_per_cm3,
                                       double molar_mass_g) {
  const double per_m3 = electrons * density_g_per_cm3 * 1e6 * kAvogadro_per_mol / molar_mass_g;
  return 4.0 * kRydberg_eV *
         std::sqrt(kPi * per_m3 * kBohrRadius_m * kBohrRadius_m * kBohrRadius_m);
}

}  // namespace creel::physics
