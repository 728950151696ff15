// Moving spectra by a fraction of a channel.
//
// Counts go to six channels with the weights of Lagrange's polynomial through them. The weights sum
// to one (no count is lost but at the ends), and the first five moments of every spectrum are moved
// exactly: a line keeps its position, its width and its shape as far as a channel's width resolves
// it. Splitting linearly between two channels would widen every line by f (1 - f) channels^2, f the
// fraction, which depends on where the drift happens to stand: windows of a few channels feel it,
// and so would the oxidation state, by up to a quarter of its error bar in the simulated nights
// even with four channels. Source: M. Abramowitz, I. A. Stegun, Handbook of Mathematical
// Functions, 25.2.
//
// A shift makes the noise of neighbours correlated. So nothing here gives variances: functionals
// are carried back to the unshifted frames instead (unshifted), where the noise is known.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace creel::analysis {

/// A sum of moves, each with its part: what drifting does to a spectrum.
class Moves {
 public:
  Moves() = default;
  explicit Moves(double shift, double part = 1) { add(shift, part); }
  /// `shift` in channels, any number.
  void add(double shift, double part);
  /// out[i + shift] += part * in[i], for all moves. What leaves the axis is lost. Same sizes.
  void apply(std::span<const double> in, std::span<double> out) const;
  /// The transpose: adds to out the weights on the unmoved spectrum for which  sum out[i] in[i] =
  /// sum weights[i] moved[i].
  void transpose(std::span<const double> weights, std::span<double> out) const;

 private:
  std::ptrdiff_t first_ = 0;     // whole move of weights_[0]
  std::vector<double> weights_;  // by whole move
};

/// out[i + shift] += in[i].
void add_shifted(std::span<const double> in, double shift, std::span<double> out);
/// Its transpose.
std::vector<double> unshifted(std::span<const double> weights, double shift);

}  // namespace creel::analysis
