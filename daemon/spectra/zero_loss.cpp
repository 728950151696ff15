#include "daemon/spectra/zero_loss.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <string>

#include "protocol/physics/constants.h"

namespace creel::analysis {

namespace {

const double kFwhmPerSigma = 2.0 * std::sqrt(2.0 * std::log(2.0));

double normal_density(double z) {
  return std::exp(-0.5 * z * z) / std::sqrt(2.0 * physics::kPi);
}

double normal_below(double z) {
  return 0.5 * std::erfc(-z / std::sqrt(2.0));
}

/// Channels lo..hi-1, all in units of channels: centre and sigma too.
struct Peak {
  double centre, sigma, area;
  std::size_t lo, hi;
};

/// First guess: half-height crossings of the highest channel.
Result<Peak> rough_peak(std::span<const double> counts) {
  const auto top = std::max_element(counts.begin(), counts.end());
  const auto at = static_cast<std::size_t>(top - counts.begin());
  std::size_t left = at;
  std::size_t right = at;
  while (left > 0 && counts[left] > 0.5 * *top) {
    --left;
  }
  while (right + 1 < counts.size() && counts[right] > 0.5 * *top) {
    ++right;
  }
  if (!(*top > 0) || left < 3 || right + 3 >= counts.size() || right - left > counts.size() / 4) {
    return Error{ErrorCode::refused,
                 "no zero-loss peak: the highest channel is " + std::to_string(at) + " of " +
                     std::to_string(counts.size()) +
                     "; a peak must stand out and lie at least 3 channels inside the axis"};
  }
  const auto crossing = [&](std::size_t below, std::size_t above) {
    const double part = (0.5 * *top - counts[below]) / (counts[above] - counts[below]);
    const double step = above > below ? part : -part;
    return static_cast<double>(below) + 0.5 + step;
  };
  const double from = crossing(left, left + 1);
  const double to = crossing(right, right - 1);
  Peak peak{0.5 * (from + to), std::max(0.3, (to - from) / kFwhmPerSigma), 0, 0, 0};
  peak.area = *top * peak.sigma * std::sqrt(2.0 * physics::kPi);
  return peak;
}

/// Channels within a full width of the centre, at least two to each side of it.
void choose_channels(Peak& peak, std::size_t size) {
  const double reach = std::max(2.0, kFwhmPerSigma * peak.sigma);
  peak.lo = static_cast<std::size_t>(std::max(0.0, std::floor(peak.centre - reach)));
  peak.hi = std::min(size, static_cast<std::size_t>(std::ceil(peak.centre + reach)));
}

/// One step of weighted least squares, weights 1/expected. Returns how far centre and width moved.
double improve(std::span<const double> counts, Peak& peak) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t c = peak.lo; c < peak.hi; ++c) {
    const double a = (static_cast<double>(c) - peak.centre) / peak.sigma;
    const double b = (static_cast<double>(c) + 1.0 - peak.centre) / peak.sigma;
    const double part = normal_below(b) - normal_below(a);
    const Eigen::Vector3d slope(
        part, -peak.area * (normal_density(b) - normal_density(a)) / peak.sigma,
        -peak.area * (b * normal_density(b) - a * normal_density(a)) / peak.sigma);
    const double weight = 1.0 / (peak.area * (part + 1e-3));
    normal += weight * slope * slope.transpose();
    right += weight * slope * (counts[c] - peak.area * part);
  }
  const Eigen::Vector3d step = normal.ldlt().solve(right);
  // At most half a width at once: the fit starts close, and must not run away on a bad peak.
  const double most = 0.5 * peak.sigma;
  const double move = std::clamp(step[1], -most, most);
  const double widen = std::clamp(step[2], -most, most);
  peak.area = std::max(0.1 * peak.area, peak.area + step[0]);
  peak.centre += move;
  peak.sigma += widen;
  return std::max(std::fabs(move), std::fabs(widen));
}

}  // namespace

double ZeroLoss::fwhm_ev() const {
  return kFwhmPerSigma * sigma_ev;
}

Result<ZeroLoss> fit_zero_loss(std::span<const double> counts, double first_ev,
                               double dispersion_ev) {
  if (counts.size() < 16) {
    return Error{ErrorCode::refused, "no zero-loss peak: a spectrum of " +
                                         std::to_string(counts.size()) +
                                         " channels; at least 16 are needed"};
  }
  auto rough = rough_peak(counts);
  if (!rough) {
    return rough.error();
  }
  Peak peak = *rough;
  choose_channels(peak, counts.size());
  double moved = 1;
  for (int i = 0; i < 50 && (i < 7 || moved > 1e-7); ++i) {
    if (i == 5) {
      choose_channels(peak, counts.size());  // once more, then fixed, so that it converges
    }
    moved = improve(counts, peak);
  }
  const bool sane = std::isfinite(peak.centre) && std::isfinite(peak.sigma) && peak.sigma > 0.05 &&
                    peak.area > 0 && peak.centre > 1 &&
                    peak.centre < static_cast<double>(counts.size()) - 1 && moved < 1e-3;
  if (!sane) {
    return Error{ErrorCode::refused,
                 "no zero-loss peak: the highest peak has not the shape of one"};
  }
  return ZeroLoss{first_ev + peak.centre * dispersion_ev, peak.sigma * dispersion_ev, peak.area};
}

std::vector<double> peak_samples(const Grid& grid, const ZeroLoss& peak, double area,
                                 std::size_t size) {
  std::vector<double> samples(size, 0.0);
  const auto below = [&peak](double ev) {
    return normal_below((ev - peak.position_ev) / peak.sigma_ev);
  };
  for (std::size_t c = 0; c < grid.channels; ++c) {
    samples[c] = area * (below(grid.lower(c + 1)) - below(grid.lower(c)));
  }
  return samples;
}

double sum_between(std::span<const double> counts, double first_ev, double dispersion_ev,
                   double from_ev, double to_ev) {
  double sum = 0;
  for (std::size_t c = 0; c < counts.size(); ++c) {
    const double low = first_ev + static_cast<double>(c) * dispersion_ev;
    const double inside = std::min(low + dispersion_ev, to_ev) - std::max(low, from_ev);
    sum += inside > 0 ? counts[c] * inside / dispersion_ev : 0.0;
  }
  return sum;
}

Result<Thickness> thickness(std::span<const double> low_loss, double first_ev, double dispersion_ev,
                            double fwhm_ev) {
  Thickness made;
  const double half = 2.5 * fwhm_ev;
  made.until_ev = std::min(300.0, first_ev + dispersion_ev * static_cast<double>(low_loss.size()));
  made.zero_loss = sum_between(low_loss, first_ev, dispersion_ev, -half, half);
  made.total = made.zero_loss + sum_between(low_loss, first_ev, dispersion_ev, half, made.until_ev);
  if (!(made.zero_loss > 0) || !(made.total > 0)) {
    return Error{ErrorCode::refused, "thickness: there is nothing in the zero-loss peak"};
  }
  made.t_over_lambda = std::log(made.total / made.zero_loss);
  return made;
}

}  // namespace creel::analysis
