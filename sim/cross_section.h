// Probabilities of inner-shell losses, from published formulas and tables. Nothing here knows the
// analysis, and the analysis must not use it: a mistake in one must not hide in the other.
#pragma once

namespace creel::sim {

// Where edges are put, eV. Tables disagree, and not by little: iron L3 is at 708.1 in xraylib 4.0
// (T. Schoonjans et al., Spectrochim. Acta B 66, 776 (2011)) and at 706.8 in the X-Ray Data Booklet
// and in Henke's table: 1.3 eV, when Fe(II) and Fe(III) differ by 1.7 eV. Oxygen K is 532.0 (solid)
// or 543.1 (free molecule). Never compare edges across tables.
constexpr double kCarbonK_eV = 283.8;       ///< xraylib 4.0
constexpr double kOxygenK_eV = 532.0;       ///< xraylib 4.0
constexpr double kIron2L3_eV = 707.0;       ///< of the scenario: 0.8 eV before the maximum of L3
constexpr double kIron3L3_eV = 708.0;       ///< of the scenario: at the first peak of L3
constexpr double kIronL2AboveL3_eV = 13.1;  ///< X-Ray Data Booklet; 13.0 in xraylib
constexpr double kIronM_eV = 54.0;          ///< M2,3: xraylib 4.0

/// Generalised oscillator strength per energy of the K shell of hydrogen-like atom Z, 1/eV (two
/// electrons).
/// @param loss_eV   E > 0. Below the edge, screening makes the formula meaningless: callers cut
/// there.
/// @param q_a0_squared  (q a0)^2, q the momentum transfer over hbar.
/// Screened charge Z - 0.3; Z = 1 is taken as hydrogen itself (charge 1, one electron).
/// Source: H. Bethe, Ann. Phys. (Leipzig) 397, 325 (1930); with screening: R. F. Egerton,
/// Ultramicroscopy 4, 169 (1979). Check: hydrogen at threshold 0.7815 per Rydberg, continuum sum at
/// q = 0: 0.4350.
double hydrogenic_k_strength(int z, double loss_eV, double q_a0_squared);

/// d sigma / dE of a K shell within a collection semi-angle, nm^2/eV; 0 below `edge_eV`.
/// Source: the Bethe double-differential formula integrated over angle: M. Inokuti, Rev. Mod. Phys.
/// 43, 297 (1971); R. F. Egerton, Electron Energy-Loss Spectroscopy in the Electron Microscope, 3rd
/// ed., sec. 3.6.
double k_shell_nm2_per_eV(int z, double edge_eV, double loss_eV, double e0_eV,
                          double collection_rad);

/// d sigma / dE for an optical oscillator strength df/dE (1/eV), dipole approximation, nm^2/eV:
/// (4 pi a0^2 R^2 / E T) df/dE ln(1 + (beta/theta_E)^2). Source: as above.
double dipole_nm2_per_eV(double strength_per_eV, double loss_eV, double e0_eV,
                         double collection_rad);

/// df/dE of the continuum of iron L3, L2 and L1 in free atoms, without white lines, 1/eV: tabulated
/// photo- absorption less the power law of the shells below, step split 2:1 between L3 and L2 by
/// their occupation. `l3_eV` is where the L3 step is put, L2 13.1 eV above it. Source: B. L. Henke,
/// E. M. Gullikson, J. C. Davis, At. Data Nucl. Data Tables 54, 181 (1993), points at 706.7, 706.9,
/// 725.28, 748.93 and 798.57 eV; L1: jump factor 1.129.
double iron_l_continuum_per_eV(double loss_eV, double l3_eV);

/// df/dE of the continuum of iron M in free atoms, without the resonance at the edge, 1/eV:
/// tabulated absorption less that of the outermost electrons. Source: Henke, Gullikson, Davis (as
/// above), eight points from 75.5 to 706.7 eV, extrapolated below to the step at kIronM_eV.
double iron_m_continuum_per_eV(double loss_eV);

/// A line of unit area, 1/eV: Lorentzian core-hole width convolved with a Gaussian, as the
/// pseudo-Voigt of P. Thompson, D. E. Cox, J. B. Hastings, J. Appl. Cryst. 20, 79 (1987). Widths
/// are FWHM, > 0.
double line_per_eV(double loss_eV, double centre_eV, double lorentz_eV, double gauss_eV);

/// Single-scattering shape of a valence oscillator (not normalised): Im(-1/eps) of the Drude model
/// with plasmon energy and width, times the angular factor. H. Raether, Excitation of Plasmons and
/// Interband Transitions by Electrons, Springer 1980; Egerton (above) eq. 3.32.
double drude_loss(double loss_eV, double plasmon_eV, double width_eV);

}  // namespace creel::sim
