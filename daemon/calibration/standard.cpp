#include "daemon/calibration/standard.h"

#include <algorithm>
#include <cmath>

namespace creel::calibration {

Matching match_resolution(double first_fwhm_ev, double second_fwhm_ev) {
  const double most = std::max(first_fwhm_ev, second_fwhm_ev);
  const double least = std::min(first_fwhm_ev, second_fwhm_ev);
  return {first_fwhm_ev < second_fwhm_ev, std::sqrt(most * most - least * least)};
}

std::vector<double> broadened(std::span<const double> counts, double dispersion_ev,
                              double fwhm_ev) {
  std::vector<double> out(counts.begin(), counts.end());
  const double sigma = fwhm_ev / (2 * std::sqrt(2 * std::log(2.0))) / dispersion_ev;
  if (!(sigma > 1e-6) || counts.empty()) return out;
  // A channel's counts as a Gaussian about its middle, integrated over each channel.
  const auto reach = static_cast<long>(std::ceil(6 * sigma + 1));
  const auto below = [sigma](double x) { return 0.5 * std::erfc(-x / (sigma * std::sqrt(2.0))); };
  std::vector<double> kernel;
  for (long d = -reach; d <= reach; ++d) {
    kernel.push_back(below(static_cast<double>(d) + 0.5) - below(static_cast<double>(d) - 0.5));
  }
  std::fill(out.begin(), out.end(), 0.0);
  const auto last = static_cast<long>(counts.size()) - 1;
  for (long c = 0; c <= last; ++c) {
    for (long d = -reach; d <= reach; ++d) {
      out[static_cast<std::size_t>(std::clamp(c + d, 0L, last))] +=
          counts[static_cast<std::size_t>(c)] * kernel[static_cast<std::size_t>(d + reach)];
    }
  }
  return out;
}

}  // namespace creel::calibration
