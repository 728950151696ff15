// The discrete Fourier transform, for convolving spectra. Small on purpose: it runs a few times
// when a world is made, never per frame.
#pragma once

#include <complex>
#include <cstddef>
#include <vector>

namespace creel::sim {

/// Transforms of one size, a power of two. J. W. Cooley, J. W. Tukey, Math. Comput. 19, 297 (1965).
/// Const calls may come from several threads.
class FourierTransform {
 public:
  explicit FourierTransform(std::size_t size);

  /// In place, X[k] = sum x[n] exp(-2 pi i k n / N).
  void forward(std::vector<std::complex<double>>& values) const;
  /// In place, exp(+...) and divided by N: takes forward() back.
  void inverse(std::vector<std::complex<double>>& values) const;

 private:
  // exp(-2 pi i k / length) for k below length / 2 at [length / 2 + k]: each stage's in a row.
  std::vector<std::complex<double>> roots_;
};

}  // namespace creel::sim
