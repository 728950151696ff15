// The discrete Fourier transform, for convolving spectra. Small on purpose: it runs a few times
// when a world is made, never per frame.
#pragma once

#include <complex>
#include <vector>

namespace creel::sim {

/// In place, X[k] = sum x[n] exp(-2 pi i k n / N), or with exp(+...) and divided by N when
/// `inverse`. The size must be a power of two. Cooley and Tukey, Math. Comput. 19, 297 (1965).
void fourier_transform(std::vector<std::complex<double>>& values, bool inverse);

}  // namespace creel::sim
