// One session's edge, measured: sum, background, plural scattering removed, and the four numbers of
// the edge in each dose group with everything that is needed for their covariance.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "daemon/analysis/oxidation.h"
#include "daemon/analysis/white_lines.h"
#include "daemon/losses/plural.h"
#include "daemon/spectra/carried_noise.h"
#include "daemon/spectra/session_spectra.h"

namespace creel::analysis {

/// Of the specimen exposures, e/(angstrom^2 s).
struct DoseRates {
  double least = 0, most = 0;  ///< 0: no dose is known
  double middle = 0;           ///< geometric mean, by dose: DoseInterval::rate is 1 there
  /// A difference that is more than the beam's unsteadiness.
  [[nodiscard]] bool differ() const { return most > 1.25 * least && least > 0; }
};

struct EdgeMeasurement {
  Grid grid;                  ///< true losses; the first core group's axis
  std::vector<double> sum;    ///< aligned, counts
  std::vector<double> sigma;  ///< of one channel of the sum
  Background background;
  double background_until_ev = 0;  ///< end of its window: there the edge begins
  std::vector<double> edge;        ///< sum - background from the background window's end on, plural
                                   ///< scattering removed
  std::vector<double> edge_sigma;  ///< of one channel of it, without the background's error
  NoiseLine noise;
  double noise_factor = 1;     ///< frame-to-frame variance of the line contrast over what `noise`
                               ///< says
  bool noise_widened = false;  ///< above 1 by more than chance: covariances were multiplied
  std::uint64_t frames = 0, frames_off_axis = 0;
  // By dose group.
  std::vector<EdgeNumbers> numbers;
  std::vector<CarriedNoise> carried;  ///< their noise
  std::vector<std::vector<DoseInterval>> doses;
  std::vector<std::vector<std::size_t>> members;  ///< which of SessionSpectra::core
  DoseRates dose_rates;
};

/// @param groups  how many dose groups, >= 1. Exposures are ordered by dose and cut into groups of
///                about equal counts of exposures; of several areas alike. Where dose rates differ,
///                those of low rate come first, so that few groups hold both.
/// refused: axis does not reach the edge, too few exposures, no background to fit.
Result<EdgeMeasurement> measure_edge(const SessionSpectra& session, const WhiteLineWindows& windows,
                                     const SingleScattering& single, std::size_t groups);

/// By the session's own low loss; changes nothing where it has none. Errors as
/// SingleScattering::from, with the session's name.
Result<SingleScattering> single_scattering_of(const SessionSpectra& session, double width_ev = 2.0);

/// The noise of any linear functionals of a measured edge, sums over channels of u[i] * edge.
CarriedNoise noise_of_functionals(const SessionSpectra& session, const EdgeMeasurement& measured,
                                  const SingleScattering& single,
                                  std::span<const std::vector<double>> u);

/// How far, in channels, a frame group's channel 0 lies above that of the grid in true loss.
double offset_of(const FrameGroup& group, const Grid& grid);

}  // namespace creel::analysis
