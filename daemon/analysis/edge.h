// One session's edge, measured: sum, background, plural scattering removed, and the four numbers of
// the edge in each dose group with everything that is needed for their covariance.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <span>
#include <vector>

#include "daemon/analysis/oxidation.h"
#include "daemon/analysis/plural.h"
#include "daemon/analysis/session_spectra.h"
#include "daemon/analysis/white_lines.h"

namespace creel::analysis {

/// Noise of one exposure: cov(S_c, S_c+lag) = slope[lag] * level, plus dark_variance where lag = 0;
/// the photon-transfer line (EMVA Standard 1288, Release 4.0), with neighbours. slope[0] is counts
/// per electron times the detector's excess noise, less what the point spread moves to the
/// neighbours.
struct NoiseLine {
  std::array<double, kLags> slope{};
  double dark_variance = 0;
  [[nodiscard]] double variance(double level) const { return slope[0] * level + dark_variance; }
};
/// Fitted over channels [from, to). refused for fewer than 3 exposures or no variation
/// at all.
Result<NoiseLine> fit_noise(const FrameNoise& noise, std::size_t from, std::size_t to);

struct EdgeMeasurement {
  Grid grid;                  ///< true losses; the first core group's axis
  std::vector<double> sum;    ///< aligned, counts
  std::vector<double> sigma;  ///< of one channel of the sum
  Background background;
  std::vector<double> edge;        ///< sum - background from the background window's end on, plural
                                   ///< scattering removed
  std::vector<double> edge_sigma;  ///< of one channel of it, without the background's error
  NoiseLine noise;
  double noise_factor = 1;     ///< frame-to-frame variance of the line contrast over what `noise`
                               ///< says
  bool noise_widened = false;  ///< above 1 by more than chance: covariances were multiplied
  std::uint64_t frames = 0, frames_off_axis = 0;
  /// By dose group: numbers of the edge and their covariance from the frames' own noise.
  std::vector<EdgeNumbers> numbers;
  std::vector<std::array<EdgeNumbers, kQuantities>> covariance;
  std::vector<std::vector<DoseInterval>> doses;
  /// Functionals of what is common to groups: for each group and quantity the weights on the mean
  /// dark (by exposure time), and the derivative by each channel's gain.
  std::vector<std::array<std::map<std::int64_t, std::vector<double>>, kQuantities>> on_dark;
  std::vector<std::array<std::vector<double>, kQuantities>> on_gain;
  /// Derivative of each number by a shift of the energy axis, counts/eV.
  std::vector<EdgeNumbers> by_shift;
};

/// @param groups  how many dose groups, >= 1. Exposures are ordered by dose and cut into groups of
///                about equal counts of exposures; of several areas alike.
/// refused: axis does not reach the edge, too few exposures, no background to fit.
Result<EdgeMeasurement> measure_edge(const SessionSpectra& session, const WhiteLineWindows& windows,
                                     const SingleScattering& single, std::size_t groups);

}  // namespace creel::analysis
