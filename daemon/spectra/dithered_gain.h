// How the channels differ, from a spectrum that was moved across the detector: no even light is
// needed. Frame k shows the same spectrum s moved by d_k channels, a whole number as set, and by a
// small part e_k of one that nobody set (drift, scale of the supply that moves it):
//
//   counts_k(c) = a_k g(c) s(c + d_k + e_k) + n_k b(c)      a_k its intensity
//
// b(c) is what the mean dark that was subtracted from each of its n_k frames is off by: common to
// all k, so that no number of frames averages it out. Solved jointly for ln g, ln s, ln a, e and b
// by weighted least squares of the logarithms, where
// ln s(x + e) is its Taylor series to second order and what the next orders may come to counts as
// error. A slope of g across the whole detector cannot be told from intensities that change, nor
// its mean from the spectrum: both are set to none. What the frames leave open is held by what is
// likely: frames lie within half a channel of where they were set, and responses within the spread
// that the frames themselves show (empirical Bayes: H. Robbins, Proc. 3rd Berkeley Symp. 1, 157
// (1956)), so that a channel with little light is taken for a usual one and not corrected by noise.
#pragma once

#include <cstddef>
#include <vector>

#include "protocol/base/result.h"

namespace creel::analysis {

struct DitheredFrame {
  int moved = 0;               ///< d_k, channels
  std::vector<double> counts;  ///< by channel, dark subtracted
  double dark_variance = 0;    ///< of a channel of them, without that of the mean dark
  double frames = 1;           ///< n_k, whose sum they are
};
struct DitheredGain {
  std::vector<double> response;         ///< by channel; mean of the logarithms 0, no slope
  std::vector<double> sigma;            ///< of each, in proportion to what the fit leaves
  double spread = 0, sigma_spread = 0;  ///< of the responses, one standard deviation
  std::vector<double> spectrum;         ///< from channel min(d) on, in counts of the first frame
  std::vector<double> strayed;          ///< e_k, channels; 0 for the first frame
  double chi2 = 0;
  std::size_t freedom = 0;
};
/// @param noise  variance of a channel's counts over their mean, as the frames themselves show it
///               (a point spread makes it smaller than counts per electron times excess noise);
///               near enough for weights, because what the fit leaves says it again.
/// @param dark_error  of a channel of the mean dark, one standard deviation.
/// Channels with fewer counts than ten of their standard deviations take no part in a frame, nor do
/// single ones more than six off (X-rays). refused: fewer than three different places, or channels
/// that no frame lights.
Result<DitheredGain> dithered_gain(const std::vector<DitheredFrame>& frames, double noise,
                                   double dark_error = 0);

}  // namespace creel::analysis
