// The background under an edge: a power law fitted before it.
//
//   B(E) = A (E / P)^-r        P = the pivot, the middle of the fit window
//
// Fitted by maximum likelihood for counts whose variance is proportional to their mean (Poisson up
// to a gain), by Newton's method on  dL/dtheta = sum_c (S_c / B_c - 1) dB_c/dtheta = 0,  that is,
// iteratively re-weighted least squares with weights 1/B. Below some 10 counts a channel this
// differs from least squares with weights 1/S, which is biased low. Source: W. Cash, Astrophys. J.
// 228, 939 (1979); for EELS: J. Verbeeck, S. Van Aert, Ultramicroscopy 101, 207 (2004). A known
// constant variance (read noise) may be added to the weights.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "protocol/base/result.h"

namespace creel::analysis {

/// Energies of channel borders: channel c covers first_ev + c * dispersion_ev and one step more.
struct Grid {
  double first_ev = 0;
  double dispersion_ev = 1;
  std::size_t channels = 0;
  [[nodiscard]] double lower(std::size_t c) const {
    return first_ev + static_cast<double>(c) * dispersion_ev;
  }
  [[nodiscard]] double centre(std::size_t c) const { return lower(c) + 0.5 * dispersion_ev; }
  [[nodiscard]] double end() const { return lower(channels); }
};

struct Window {
  double from_ev = 0, to_ev = 0;
  friend bool operator==(const Window&, const Window&) = default;
};

/// Part of each channel that lies in the window, 0..1.
std::vector<double> overlap(const Grid& grid, const Window& window);

class Background {
 public:
  double amplitude = 0;  ///< A, counts per channel at the pivot
  double exponent = 0;   ///< r
  double pivot_ev = 1;   ///< P
  /// Covariance of (A, r) if the variance of a channel were B + constant_variance; times the gain
  /// for counts with var = gain * mean.
  double var_amplitude = 0, var_exponent = 0, covariance = 0;

  /// B at an energy, counts per channel.
  [[nodiscard]] double at(double ev) const;
  [[nodiscard]] std::vector<double> on(const Grid& grid) const;
  /// Weights w on the raw spectrum S for which  sum w S = sum u (S - B fitted to S),  to first
  /// order around the fit: the fit is carried by its Jacobian. At the fitted spectrum itself it is
  /// exact, because B scales with S. `u` on the same grid.
  [[nodiscard]] std::vector<double> functional(const Grid& grid, std::span<const double> u) const;
  /// Variance of sum over the window of B that comes from the fit, in the sense of the covariance.
  [[nodiscard]] double variance_of_sum(const Grid& grid, const Window& window) const;
  /// h = 1 + var(sum of fitted B) / sum of B: by how much the fit multiplies the background's noise
  /// (R. F. Egerton, Ultramicroscopy 9, 387 (1982)). Depends on windows and r only, not on dose.
  [[nodiscard]] double h(const Grid& grid, const Window& signal) const;

 private:
  friend Result<Background> fit_background(std::span<const double>, const Grid&, const Window&,
                                           double);
  std::vector<double> weight_;  // per channel of the fit window, 0 elsewhere
};

/// @param counts  dark-corrected; whole channels inside `window` take part, at least 4.
/// @param constant_variance  variance of a channel that does not come from counting, over the gain;
///                           >= 0.
/// refused: nothing but noise in the window (sum <= 0), or the fit does not converge.
/// invalid_request: the window is not on the axis.
Result<Background> fit_background(std::span<const double> counts, const Grid& grid,
                                  const Window& window, double constant_variance = 0);

/// The closed form from two neighbouring windows of equal width with sums i1, i2 between e1, e2,
/// e3: r = 2 ln(i1/i2) / ln(e3/e1), A = (1 - r)(i1 + i2) / (e3^(1-r) - e1^(1-r)), here with P = 1
/// eV and counts per eV (Egerton 2011, sec. 4.4). Slightly biased in r; the start of the fit above.
/// All arguments > 0, e1 < e3.
struct PowerLaw {
  double amplitude = 0, exponent = 0;
};
PowerLaw two_area_power_law(double i1, double i2, double e1_ev, double e3_ev);
/// Integral of a power law between two energies.
double integral(const PowerLaw& law, double from_ev, double to_ev);

}  // namespace creel::analysis
