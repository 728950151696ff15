// Partial cross sections of inner shells, by which counts become atoms. The simulated world has its
// own (sim/cross_section.h), so that a mistake in one does not hide in the other.
//
// An electron of energy E0 loses E with
//   d sigma/dE = (4 pi a0^2 R^2 / (E T)) Int (df/dE)(q, E) d ln (q a0)^2,   T = m0 v^2 / 2
// integrated over the angles that the collection aperture lets through. Source: M. Inokuti, Rev.
// Mod. Phys. 43, 297 (1971); R. F. Egerton, Electron Energy-Loss Spectroscopy in the Electron
// Microscope, 3rd ed., Springer 2011, sec. 3.6.
//
// K shells: df/dE of the hydrogen-like atom with screened charge Z - 0.3 (H. Bethe, Ann. Phys.
// (Leipzig) 397, 325 (1930); R. F. Egerton, Ultramicroscopy 4, 169 (1979)). L2,3 of 3d metals:
// df/dE from measured and calculated photo-absorption of free atoms (B. L. Henke, E. M. Gullikson,
// J. C. Davis, At. Data Nucl. Data Tables 54, 181 (1993)) in the dipole approximation, where the
// integral is df/dE ln(1 + (beta/theta_E)^2). Free atoms have no white lines and solids no sharp
// step: windows must lie behind the lines.
//
// The two models differ by 9 to 25 % where both can be had; ratios of K shells by up to 5 %.
// Convergence is not in them: it must be well below the collection angle.
#pragma once

#include <string_view>

#include "daemon/spectra/background.h"
#include "protocol/base/result.h"

namespace creel::analysis {

constexpr double kModelUncertainty = 0.25;   ///< relative, of one cross section
constexpr double kKRatioUncertainty = 0.05;  ///< relative, of the ratio of two K shells

/// df/dE of a K shell, two electrons, 1/eV; hydrogen itself (z = 1) has one.
/// @param loss_ev > 0.  @param q2  (q a0)^2 > 0.
/// Check: hydrogen at its threshold, q -> 0: 0.7815 per Rydberg, a photo-absorption of 6.30 Mb.
double k_shell_strength(int z, double loss_ev, double q2);

/// df/dE of L2,3 behind the lines at q = 0, 1/eV: tabulated absorption less that of the shells
/// further out, continued as a power law. Ti V Cr Mn Fe Co Ni Cu, from L3 to below L1. refused
/// otherwise.
Result<double> l_shell_strength(std::string_view element, double loss_ev);

/// Cross section of all losses within the window, barn. A K shell begins at `onset_ev`.
/// @param e0_ev, collection_rad  > 0.
double k_shell_barn(int z, double onset_ev, const Window& losses, double e0_ev,
                    double collection_rad);
Result<double> l_shell_barn(std::string_view element, const Window& losses, double e0_ev,
                            double collection_rad);

}  // namespace creel::analysis
