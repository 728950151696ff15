// What the low loss says of the specimen: thickness, plasmon, and the M2,3 edge of a 3d metal.
//
//   aligned zero-loss frames -> plural scattering removed -> plasmon; M2,3 on the plasmon's tail
//                               (single_losses.h)
//
// Errors are the counts' noise carried through Fourier logarithm and fits. What a wrong shape does
// to a result is not in them; `misfit` tells where the shape is wrong.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/losses/conditions.h"
#include "daemon/spectra/carried_noise.h"
#include "daemon/spectra/session_spectra.h"

namespace creel::analysis {

struct WithError {
  double value = 0, sigma = 0;
};

/// Thickness by one published mean free path (protocol/physics/mean_free_path.h).
struct ThicknessBy {
  std::string source;
  double mean_free_path_nm = 0, thickness_nm = 0;
  double relative_uncertainty = 0.2;  ///< as stated for the formula
  std::string withheld;               ///< why there is none; "" = there is one
};

/// One oscillator: Im(-1/eps) of the Drude model times the angular factor, fitted where the single
/// losses are above half of their maximum.
struct Plasmon {
  WithError energy_ev, width_ev;
  double from_ev = 0, to_ev = 0;  ///< where it was fitted
  double misfit = 0;  ///< see CurveFit; well above 1: the shape is not that of one oscillator
  bool angular_factor = true;  ///< false: high tension or collection angle unknown, left out
};

/// The M2,3 edge of a 3d metal on the tail of the plasmon.
struct ShallowEdge {
  std::string element;
  double tabulated_ev = 0;
  double significance = 0;          ///< net counts over their standard deviation
  WithError onset_ev;               ///< where the fitted edge first reaches half of its height
  WithError maximum_ev;             ///< of the main bump
  std::optional<WithError> before;  ///< centre of a second bump before it, as a distance, eV
  double from_ev = 0, to_ev = 0;    ///< where it was fitted
};

struct LowLoss {
  std::string withheld;  ///< why there is nothing of all this; "" = there is
  double t_over_lambda = 0;
  std::optional<double> effective_number;  ///< atomic number for the mean free path
  ThicknessBy by_number, by_density;
  std::optional<Plasmon> plasmon;
  std::string plasmon_withheld;
  std::optional<double> free_electron_ev;  ///< of its valence electrons, were they free
  std::string free_electron_withheld;
  std::optional<ShallowEdge> m_edge;
  std::string m_edge_withheld;
  // Spectra, by channel.
  double resolution_ev = 0;                             ///< FWHM with which single losses are shown
  std::vector<double> energy_ev, single, single_sigma;  ///< counts
  std::vector<double> plasmon_fit, m_edge_fit, m_edge_background;  ///< NaN outside their windows
};

/// @param noise  of the detector, from the core-loss exposures of the session.
LowLoss measure_low_loss(const SessionSpectra& session, const NoiseLine& noise,
                         const Conditions& conditions);

/// Atomic number that stands for a compound in the mean free path: sum f Z^1.3 / sum f Z^0.3, f the
/// part of atoms (R. F. Egerton, Electron Energy-Loss Spectroscopy in the Electron Microscope, 3rd
/// ed., Springer 2011, eq. 5.4). One element is itself. refused, with the reason: not known, or an
/// element heavier than zinc that is not in our table.
Result<double> effective_number(const Conditions& conditions);

/// Energy of the plasmon if all valence electrons were free (protocol/physics/plasmon.h), eV.
/// refused, with the reason.
Result<double> free_electron_plasmon(const Conditions& conditions);

/// Binding energy of M2,3, eV: as xraylib 4.0 has it (T. Schoonjans et al., Spectrochim. Acta B
/// 66, 776 (2011)). Ti V Cr Mn Fe Co Ni Cu; nothing for others.
std::optional<double> shallow_edge(std::string_view element);

}  // namespace creel::analysis
