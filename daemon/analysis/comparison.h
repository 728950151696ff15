// One edge beside another: the scale and shift at which they lie on each other, and what remains.
//
//   A(E) = scale * B(E - shift)      background and plural scattering removed from both
//
// by weighted least squares over the lines and behind them, with the noise of both in the weights
// (of B at the scale found). A shift means another energy axis or another state; whatever stays in
// the residuals is neither.
#pragma once

#include <string>
#include <vector>

#include "daemon/analysis/edge.h"

namespace creel::analysis {

struct Comparison {
  double scale = 0, sigma_scale = 0;
  double shift_ev = 0, sigma_shift_ev = 0;  ///< above 0: A's lines lie higher
  double chi_square = 0;
  std::uint64_t degrees_of_freedom = 0;
  // By channel of A.
  std::vector<double> energy_ev, edge, sigma;  ///< of A
  std::vector<double> other;                   ///< B, scaled and shifted
  std::vector<double> residual, residual_sigma;
  Window compared;
};

/// Channels count as independent. Of the same dispersion. refused: an edge does not stand out, or
/// the fit finds no end (the two have little in common).
Result<Comparison> compare_edges(const SessionSpectra& a, const SessionSpectra& b,
                                 const WhiteLineWindows& windows);

}  // namespace creel::analysis
