// The low-loss spectrum without plural scattering: what electrons lose that lost energy once.
//
// An electron scatters n times with Poisson probability, so over the frequency v conjugate to
// energy  j(v) = z(v) exp(s(v) / I0):  j the measured spectrum, z its zero-loss peak of area I0, s
// the single-scattering distribution, of area I0 t/lambda. Hence the Fourier logarithm
//
//   s(v) = g(v) I0 ln( j(v) / z(v) )
//
// with a Gaussian g in place of the zero-loss peak: the result is s as an instrument of g's width
// would show it, and the noise of frequencies that the zero-loss peak does not hold stays out.
// Source: D. W. Johnson, J. C. H. Spence, J. Phys. D 7, 771 (1974); R. F. Egerton, Electron
// Energy-Loss Spectroscopy in the Electron Microscope, 3rd ed., Springer 2011, sec. 4.2.
//
// z is a Gaussian of the fitted width with the counts within +-2.5 FWHM (at least 1.5 channels).
// What the real peak has beyond it shows at losses of a few widths and nowhere else.
#pragma once

#include <complex>
#include <span>
#include <vector>

#include "daemon/spectra/background.h"
#include "daemon/spectra/zero_loss.h"

namespace creel::analysis {

class SingleLosses {
 public:
  /// @param low_loss  through the specimen, dark-corrected, zero loss at 0 eV, on `grid`.
  /// @param width_ev  FWHM of g. At least that of the zero loss, and four channels: less is taken
  ///                  as that.
  /// Losses beyond `until_ev` (smoothly, over its last quarter) are taken as zero.
  /// refused when the low loss has no peak or begins above -3 FWHM.
  static Result<SingleLosses> from(std::span<const double> low_loss, const Grid& grid,
                                   const ZeroLoss& peak, double width_ev, double until_ev = 300.0);

  /// Losses; channel k is centred on k times the dispersion, the first on zero.
  [[nodiscard]] const Grid& grid() const { return grid_; }
  /// s, counts per channel.
  [[nodiscard]] const std::vector<double>& counts() const { return counts_; }
  [[nodiscard]] double zero_loss() const { return zero_loss_; }  ///< I0, counts
  /// ln(j(0) / z(0)): the area of s over I0.
  [[nodiscard]] double t_over_lambda() const { return t_over_lambda_; }
  [[nodiscard]] double width_ev() const { return width_ev_; }
  /// From weights on counts() to weights on the measured low loss, to first order: sum u ds = sum
  /// transposed(u) dj. The noise of I0, which scales all of s alike, is left out.
  [[nodiscard]] std::vector<double> transposed(std::span<const double> u) const;

 private:
  SingleLosses() = default;

  Grid grid_;
  std::vector<double> counts_, taper_;
  double zero_loss_ = 0, t_over_lambda_ = 0, width_ev_ = 0;
  std::vector<std::complex<double>> slope_;  // ds/dj by frequency
};

}  // namespace creel::analysis
