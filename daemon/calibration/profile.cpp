#include "daemon/calibration/profile.h"

#include <algorithm>
#include <cmath>

#include "daemon/calibration/fit.h"
#include "daemon/spectra/zero_loss.h"
#include "protocol/physics/constants.h"

namespace creel::calibration {

namespace {

struct Shape {
  double value, slope;
};

Shape gaussian_step(double u) {
  return {0.5 * std::erfc(-u / std::sqrt(2.0)),
          std::exp(-0.5 * u * u) / std::sqrt(2 * physics::kPi)};
}

Shape disc_step(double u) {
  if (u <= -1) return {0, 0};
  if (u >= 1) return {1, 0};
  const double root = std::sqrt(1 - u * u);
  return {0.5 + (u * root + std::asin(u)) / physics::kPi, 2 * root / physics::kPi};
}

Result<Fit> fit_step(const std::vector<EdgePoint>& points, Shape (*shape)(double), double width) {
  std::vector<double> counts;
  std::vector<double> known;
  std::vector<double> level;
  for (const EdgePoint& point : points) {
    counts.push_back(point.counts);
    known.push_back(point.sigma * point.sigma);
    level.push_back(point.counts);
  }
  const Model model = [&](std::size_t i, std::span<const double> p) {
    const double w = std::exp(p[3]);
    const double u = (points[i].position_um - p[2]) / w;
    const Shape at = shape(u);
    return Modelled{p[0] + p[1] * at.value,
                    {1.0, at.value, -p[1] * at.slope / w, -p[1] * at.slope * u}};
  };
  const double first = points.front().counts;
  const double step = points.back().counts - first;
  double middle = points.front().position_um;
  for (std::size_t i = 1; i < points.size(); ++i) {
    const double before = (points[i - 1].counts - first) / step;
    const double after = (points[i].counts - first) / step;
    if (before < 0.5 && after >= 0.5) {
      middle = 0.5 * (points[i - 1].position_um + points[i].position_um);
      break;
    }
  }
  const std::vector<double> start{first, step, middle, std::log(width)};
  const auto fit_with = [&](std::span<const double> sigma) {
    return fit_model(model, counts, sigma, start);
  };
  auto flicker = extra_scatter(known, level, fit_with);
  if (!flicker) return flicker.error();
  return fit_with(widened(known, level, *flicker));
}

/// chi2 of a shape with the errors of the other: to compare them on the same footing.
double chi2_with(const std::vector<EdgePoint>& points, const Fit& fit, Shape (*shape)(double),
                 double scatter) {
  double chi2 = 0;
  for (const EdgePoint& point : points) {
    const double u = (point.position_um - fit.value[2]) / std::exp(fit.value[3]);
    const double off = point.counts - fit.value[0] - fit.value[1] * shape(u).value;
    chi2 +=
        off * off / (point.sigma * point.sigma + scatter * scatter * point.counts * point.counts);
  }
  return chi2;
}

}  // namespace

Result<KnifeEdge> knife_edge(const std::vector<EdgePoint>& given) {
  std::vector<EdgePoint> points = given;
  std::stable_sort(points.begin(), points.end(), [](const EdgePoint& a, const EdgePoint& b) {
    return a.position_um < b.position_um;
  });
  if (points.size() < 8) {
    return Error{ErrorCode::refused, "a knife edge needs eight positions at least; there are " +
                                         std::to_string(points.size())};
  }
  const double range = points.back().position_um - points.front().position_um;
  const double step = points.back().counts - points.front().counts;
  if (!(std::fabs(step) > 10 * std::hypot(points.front().sigma, points.back().sigma))) {
    return Error{ErrorCode::refused,
                 "the zero loss is the same at both ends: no edge lies between them"};
  }
  auto round = fit_step(points, gaussian_step, 0.1 * range);
  auto flat = fit_step(points, disc_step, 0.25 * range);
  if (!round && !flat) return round.error().during("knife edge");
  // The scatter of the source, judged by whichever shape needs less of it.
  const double n = static_cast<double>(points.size()) - 4;
  const auto own_scatter = [&](const Result<Fit>& fit, Shape (*shape)(double)) {
    if (!fit) return 1e9;
    double low = 0;
    double high = 1;
    for (int i = 0; i < 40; ++i) {
      const double middle = 0.5 * (low + high);
      (chi2_with(points, *fit, shape, middle) > n ? low : high) = middle;
    }
    return high;
  };
  const double scatter = std::min(own_scatter(round, gaussian_step), own_scatter(flat, disc_step));
  KnifeEdge made;
  made.freedom = points.size() - 4;
  made.chi2_gaussian = round ? chi2_with(points, *round, gaussian_step, scatter) : 1e9;
  made.chi2_flat = flat ? chi2_with(points, *flat, disc_step, scatter) : 1e9;
  made.told_apart = std::fabs(made.chi2_gaussian - made.chi2_flat) > 9;
  made.area.gaussian = made.chi2_gaussian <= made.chi2_flat;
  const Fit& best = made.area.gaussian ? *round : *flat;
  const double to_width = made.area.gaussian ? 2 * std::sqrt(2 * std::log(2.0)) : 2.0;
  made.area.fwhm_nm = 1000 * to_width * std::exp(best.value[3]);
  made.area.sigma_nm = made.area.fwhm_nm * best.sigma(3);
  made.edge_um = Measured(best.value[2], best.sigma(2), points.size());
  if (made.area.fwhm_nm < 1000 * range / static_cast<double>(points.size())) {
    return Error{ErrorCode::refused,
                 "the step is narrower than the positions lie apart: scan a shorter range"};
  }
  return made;
}

std::vector<EdgePoint> edge_points(const Frames& frames, double noise,
                                   std::vector<std::uint64_t>& sequence) {
  std::vector<EdgePoint> points;
  for (const Frame& frame : frames.lit) {
    if (frame.kind != ExposureKind::zero_loss || !std::isfinite(frame.vary) || frame.saturated) {
      continue;
    }
    const auto zero = analysis::fit_zero_loss(frame.counts, 0, 1);
    if (!zero) continue;
    points.push_back({frame.vary, zero->area, std::sqrt(noise * zero->area)});
    sequence.push_back(frame.sequence);
  }
  return points;
}

}  // namespace creel::calibration
