// Mean free path of inelastic scattering, from two published formulas that differ by 20 to 30 % at
// small collection angles: neither is exact, and nothing here should be trusted better than that.
#pragma once

#include <cmath>

#include "protocol/physics/constants.h"

namespace creel::physics {

/// F = (1 + E0/1022) / (1 + E0/511)^2, E0 in keV: with it E0 F = m0 v^2 / 2. 200 keV -> 0.61762.
constexpr double mean_free_path_factor(double e0_eV) {
  const double ratio = e0_eV / kElectronRestEnergy_eV;
  return (1.0 + 0.5 * ratio) / ((1.0 + ratio) * (1.0 + ratio));
}

/// From the atomic number: lambda = 106 F (E0/Em) / ln(2 beta E0/Em) nm, E0 in keV, beta in mrad,
/// Em = 7.6 Z^0.36 eV. Stated +-20 %. Only for collection semi-angles up to about 20 mrad: without
/// an aperture it is far too short (aluminium at 150 keV: 77 to 86 nm, measured 119 +- 5).
/// Source: T. Malis, S. C. Cheng, R. F. Egerton, J. Electron Microsc. Tech. 8, 193 (1988).
/// Check: carbon, 200 keV, 10 mrad -> 160.8 nm.
inline double mean_free_path_by_number_nm(double atomic_number, double e0_eV,
                                          double collection_rad) {
  const double e0_keV = 1e-3 * e0_eV;
  const double mean_loss_eV = 7.6 * std::pow(atomic_number, 0.36);
  const double ratio = e0_keV / mean_loss_eV;
  return 106.0 * mean_free_path_factor(e0_eV) * ratio /
         std::log(2.0 * 1e3 * collection_rad * ratio);
}

/// From the density, for any angles: 1/lambda = 11 rho^0.3 / (200 F E0) ln{(a^2 + b^2 + 2 tE^2 +
/// |a^2 - b^2|) / (a^2 + b^2 + 2 tC^2 + |a^2 - b^2|) tC^2/tE^2}, tE = 5.5 rho^0.3 / (F E0), tC =
/// 20, angles in mrad, E0 in keV, rho in g/cm^3. Source: K. Iakoubovskii, K. Mitsuishi, Y.
/// Nakayama, K. Furuya, Microsc. Res. Tech. 71, 626 (2008). Check: carbon of 2.0 g/cm^3, 200 keV,
/// 10 mrad -> 179.0 nm.
inline double mean_free_path_by_density_nm(double density_g_per_cm3, double e0_eV,
                                           double convergence_rad, double collection_rad) {
  const double fe0 = mean_free_path_factor(e0_eV) * 1e-3 * e0_eV;
  const double density = std::pow(density_g_per_cm3, 0.3);
  const double te = 5.5 * density / fe0;
  const double tc = 20.0;
  const double a2 = 1e6 * convergence_rad * convergence_rad;
  const double b2 = 1e6 * collection_rad * collection_rad;
  const double angles = a2 + b2 + std::fabs(a2 - b2);
  const double inside = (angles + 2.0 * te * te) / (angles + 2.0 * tc * tc) * (tc * tc) / (te * te);
  return 200.0 * fe0 / (11.0 * density * std::log(inside));
}

}  // namespace creel::physics
