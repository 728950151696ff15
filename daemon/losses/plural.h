// Plural scattering: an electron that excited an inner shell may have excited plasmons as well, so
// every edge comes with copies of itself, shifted by plasmon energies, as the zero loss does. The
// measured low-loss spectrum j says which, and the Fourier ratio takes them away:
//
//   K1(v) = K(v) z(v) / j(v)         K the edge, z the zero-loss peak, v the frequency over energy
//
// leaves the single-scattering edge at the resolution of z. Source: D. W. Johnson, J. C. H. Spence,
// J. Phys. D 7, 771 (1974); R. F. Egerton, Electron Energy-Loss Spectroscopy in the Electron
// Microscope, 3rd ed., Springer 2011, sec. 4.3; K. Wong, R. F. Egerton, J. Microsc. 178, 198
// (1995).
//
// z/j is 1 at high frequencies, where only the zero-loss peak has any content and j is noise over
// noise. So only the low part is taken from the measurement:
//   r(v) = 1 + g(v) (z(v)/j(v) - 1),  g a Gaussian low-pass,
// which amplifies no noise and is exact as long as losses have no structure narrower than g's
// width. Specimen and references are all brought to t/lambda = 0 this way, each by its own low
// loss, and are then comparable whatever their thickness.
#pragma once

#include <complex>
#include <span>
#include <vector>

#include "daemon/spectra/background.h"
#include "daemon/spectra/zero_loss.h"

namespace creel::analysis {

class SingleScattering {
 public:
  /// Changes nothing: for spectra whose low loss is not known.
  explicit SingleScattering(std::size_t channels);
  /// @param low_loss   through the specimen, dark-corrected, zero loss at 0 eV, on `grid`.
  /// @param peak       fitted to it.
  /// @param width_ev   FWHM of g in energy: narrower losses than this are not resolved. > 0; 2 eV
  ///                   keeps everything that films of light elements have; aluminium would want
  ///                   less.
  /// Losses beyond `until_ev` (smoothly, over its last quarter) are taken as zero.
  /// refused when the low loss has no peak or begins above -3 FWHM.
  static Result<SingleScattering> from(std::span<const double> low_loss, const Grid& grid,
                                       const ZeroLoss& peak, double width_ev = 2.0,
                                       double until_ev = 300.0);

  /// Removes plural scattering from a background-subtracted edge, zero before its onset. Same
  /// dispersion as the low loss, any first energy. The area of single scattering stays: it is
  /// divided by the electrons of all orders, not by those of the zero loss.
  [[nodiscard]] std::vector<double> apply(std::span<const double> edge) const;
  /// The transpose, for functionals: sum u apply(S) = sum transposed(u) S.
  [[nodiscard]] std::vector<double> transposed(std::span<const double> u) const;
  /// The other way: puts this specimen's plural scattering onto a single-scattering edge. apply()
  /// of it is the edge again.
  [[nodiscard]] std::vector<double> restored(std::span<const double> edge) const;
  [[nodiscard]] std::vector<double> restored_transposed(std::span<const double> u) const;
  /// By how much apply() enlarges the noise of one channel, when channels are independent and
  /// alike: about 1/P0 with P0 the part of electrons in the zero loss. For pictures; results use
  /// transposed().
  [[nodiscard]] double noise_gain() const;

 private:
  SingleScattering() = default;
  using Wave = std::vector<std::complex<double>>;
  [[nodiscard]] std::vector<double> filtered(std::span<const double> in, const Wave& by,
                                             bool backward) const;

  std::size_t channels_ = 0;
  Wave response_, inverse_;  // r(v) and 1/r(v); empty: 1
};

}  // namespace creel::analysis
