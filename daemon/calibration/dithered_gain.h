// How the channels differ, from a spectrum that was moved across the detector: no even light is
// needed. Each frame k shows the same spectrum s, moved by whole channels d_k:
//
//   counts_k(c) = a_k g(c) s(c + d_k)      a_k its intensity
//
// solved jointly for g, s and a by weighted least squares of the logarithms. A slope of g across
// the whole detector cannot be told from intensities that change, nor its mean from the spectrum:
// both are set to none, and a weak prior (responses differ by some 5 %) holds what the frames leave
// open.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "protocol/base/result.h"

namespace creel::calibration {

struct DitheredFrame {
  int moved = 0;               ///< d_k, channels
  std::vector<double> counts;  ///< by channel, dark subtracted
};
struct DitheredGain {
  std::vector<double> response;  ///< by channel; mean of the logarithms 0, no slope
  std::vector<double> sigma;     ///< of each
  std::vector<double> spectrum;  ///< from channel min(d) on, in counts of the first frame
  double chi2 = 0;
  std::size_t freedom = 0;
};
/// @param noise          K F: variance of counts over their mean.
/// @param dark_variance  of a channel of one frame.
/// Channels with fewer counts than ten of their standard deviations take no part in a frame.
/// refused: fewer than three different places, or channels that no frame lights.
Result<DitheredGain> dithered_gain(const std::vector<DitheredFrame>& frames, double noise,
                                   double dark_variance);

}  // namespace creel::calibration
