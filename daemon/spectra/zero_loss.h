// The zero-loss peak: where it stands, how wide it is, how much is in it; and what follows from
// that: the thickness of the specimen. The drift of the energy axis: drift.h.
#pragma once

#include <span>
#include <vector>

#include "daemon/spectra/background.h"
#include "protocol/base/result.h"

namespace creel::analysis {

struct ZeroLoss {
  double position_ev = 0;                ///< centre of the peak on the axis as set; 0 without drift
  double sigma_ev = 0;                   ///< standard deviation of the fitted Gaussian
  double area = 0;                       ///< counts of the fitted Gaussian
  [[nodiscard]] double fwhm_ev() const;  ///< 2 sqrt(2 ln 2) sigma
};

/// Fits a Gaussian, integrated over each channel, to the highest peak of a dark-corrected spectrum.
/// @param counts        channel c covers first_ev + c dispersion_ev to first_ev + (c + 1)
///                      dispersion_ev.
/// Only channels within one full width of the centre take part, so that losses (from some 3 eV on)
/// do not pull. The centre is good to sigma / sqrt(N) for N electrons, what counting allows (R. J.
/// Barlow, Statistics, Wiley 1989, sec. 5.2: standard error of a mean), plus what the shape lacks:
/// real peaks have tails, and those are not described.
/// refused: no peak stands out, or it lies at the end of the axis.
Result<ZeroLoss> fit_zero_loss(std::span<const double> counts, double first_ev,
                               double dispersion_ev);

struct Thickness {
  double t_over_lambda = 0;
  double total = 0;      ///< It, counts up to `until_ev`
  double zero_loss = 0;  ///< I0, counts within the window
  double until_ev = 0;
};
/// Relative thickness by the log-ratio, t/lambda = ln(It / I0) (R. F. Egerton, Electron Energy-Loss
/// Spectroscopy in the Electron Microscope, 3rd ed., Springer 2011, sec. 5.1), of the electrons
/// within the collection aperture.
/// @param low_loss  through the specimen, zero loss moved to 0 eV; first_ev <= -5 FWHM or so.
/// The zero loss is everything within +-2.5 FWHM of its centre: its tails outside count as loss,
/// losses inside count as zero loss. For a Gaussian peak of 0.8 eV both are below 0.5 % of I0; a
/// peak with long tails reads too thick.
/// refused when there is nothing in the peak.
Result<Thickness> thickness(std::span<const double> low_loss, double first_ev, double dispersion_ev,
                            double fwhm_ev);

/// The fitted Gaussian with another area, integrated over each channel, on the first
/// `grid.channels` of `size` places.
std::vector<double> peak_samples(const Grid& grid, const ZeroLoss& peak, double area,
                                 std::size_t size);

/// Sum of counts between two energies; channels count by the part of them that lies inside.
double sum_between(std::span<const double> counts, double first_ev, double dispersion_ev,
                   double from_ev, double to_ev);

}  // namespace creel::analysis
