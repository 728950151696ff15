// Relativistic kinematics of the fast electron. E0 is its kinetic energy, in eV (200 kV -> 200e3);
// all functions want E0 > 0 and give garbage, not an error, otherwise: callers check what people
// typed.
//
// Source of every formula: R. F. Egerton, Electron Energy-Loss Spectroscopy in the Electron
// Microscope, 3rd ed., Springer 2011, Appendix E. Checked against its Table E.1 in tests/published.
#pragma once

#include <cmath>

#include "protocol/physics/constants.h"

namespace creel::physics {

/// gamma = 1 + E0 / m0 c^2. 200 keV -> 1.391390.
constexpr double lorentz_factor(double e0_eV) {
  return 1.0 + e0_eV / kElectronRestEnergy_eV;
}

/// (v/c)^2 = 1 - 1/gamma^2, written without the difference of two numbers near one. 200 keV ->
/// 0.483462.
constexpr double beta_squared(double e0_eV) {
  const double ratio = e0_eV / kElectronRestEnergy_eV;
  return ratio * (ratio + 2.0) / ((ratio + 1.0) * (ratio + 1.0));
}

/// T = m0 v^2 / 2 in eV: half of m0 c^2 (v/c)^2, not the kinetic energy. 200 keV -> 123524.3 eV.
constexpr double half_m_v_squared_eV(double e0_eV) {
  return 0.5 * kElectronRestEnergy_eV * beta_squared(e0_eV);
}

/// Wavelength in picometres, h c / sqrt(E0 (E0 + 2 m0 c^2)). 200 keV -> 2.50793 pm.
inline double wavelength_pm(double e0_eV) {
  constexpr double hc_eV_pm = kPlanck_Js * kSpeedOfLight_m_per_s / kElementaryCharge_C * 1e12;
  return hc_eV_pm / std::sqrt(e0_eV * (e0_eV + 2.0 * kElectronRestEnergy_eV));
}

/// Characteristic angle of a loss, theta_E = E / (gamma m0 v^2), in rad: the half width of its
/// Lorentzian angular distribution. 708 eV at 200 keV -> 2.05969 mrad; the non-relativistic E / 2
/// E0 would say 1.77.
constexpr double characteristic_angle_rad(double loss_eV, double e0_eV) {
  return loss_eV / (2.0 * lorentz_factor(e0_eV) * half_m_v_squared_eV(e0_eV));
}

/// ln(1 + (collection / theta_E)^2): how much of a dipole loss a round collection aperture of
/// semi-angle `collection_rad` lets through.
inline double dipole_angular_factor(double loss_eV, double e0_eV, double collection_rad) {
  const double ratio = collection_rad / characteristic_angle_rad(loss_eV, e0_eV);
  return std::log1p(ratio * ratio);
}

}  // namespace creel::physics
