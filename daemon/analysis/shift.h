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

#include <span>
#include <vector>

namespace creel::analysis {

/// out[i + shift] += in[i]; `shift` in channels, any number. What leaves the axis is lost.
void add_shifted(std::span<const double> in, double shift, std::span<double> out);

/// The transpose: the weights v on the unshifted spectrum for which  sum v[i] in[i] = sum w[i]
/// shifted[i].
std::vector<double> unshifted(std::span<const double> weights, double shift);

}  // namespace creel::analysis
