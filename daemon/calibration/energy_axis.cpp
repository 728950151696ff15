#include "daemon/calibration/energy_axis.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "daemon/calibration/fit.h"
#include "daemon/spectra/zero_loss.h"

namespace creel::calibration {

namespace {

/// What the shape of the zero loss adds to its fitted place: half of the 0.004 channels each way
/// that analysis::kZeroLossShape_channels speaks of, with room for tails.
constexpr double kShape_channels = 0.004;

std::vector<double> sum_of(const std::vector<const Frame*>& frames) {
  std::vector<double> sum;
  for (const Frame* frame : frames) {
    sum.resize(frame->counts.size(), 0.0);
    for (std::size_t c = 0; c < sum.size(); ++c) sum[c] += frame->counts[c];
  }
  return sum;
}

std::vector<const Frame*> both_places(const Frames& frames, ExposureKind kind, bool saturated) {
  std::vector<const Frame*> found = frames.of(kind, Where::vacuum, saturated);
  const auto more = frames.of(kind, Where::specimen, saturated);
  found.insert(found.end(), more.begin(), more.end());
  return found;
}

/// Variance of each channel of a sum: counting, and the darks' noise.
std::vector<double> variance_of(const Frames& frames, const std::vector<const Frame*>& used,
                                const std::vector<double>& sum, double noise) {
  double dark = 0;
  for (const Frame* frame : used) {
    const DarkSum& one = frames.darks.at(frame->integration_ns);
    if (std::isfinite(one.channel_variance)) {
      dark += one.channel_variance *
              (1 + static_cast<double>(used.size()) / static_cast<double>(one.frames));
    }
  }
  std::vector<double> variance;
  variance.reserve(sum.size());
  for (const double counts : sum) variance.push_back(noise * std::max(0.0, counts) + dark);
  return variance;
}

struct Place {
  double ev, sigma_ev;
};

/// Maximum of a line above its background: a parabola through the logarithms within `kHalf` of the
/// highest running mean, whose width the resolution makes.
Result<Place> find_maximum(std::span<const double> counts, std::span<const double> variance,
                           const analysis::Grid& grid, double near_ev) {
  constexpr double kBefore_ev = 60;
  constexpr double kGap_ev = 10;
  constexpr double kReach_ev = 6;
  constexpr double kHalf_ev = 1.1;
  if (near_ev - kBefore_ev < grid.first_ev || near_ev + kReach_ev > grid.end()) {
    return Error{ErrorCode::refused, "the axis does not reach around the line"};
  }
  const auto background =
      analysis::fit_background(counts, grid, {near_ev - kBefore_ev, near_ev - kGap_ev});
  if (!background) return background.error();
  const auto above = [&](std::size_t c) { return counts[c] - background->at(grid.centre(c)); };
  const auto channel = [&](double ev) {
    return static_cast<std::size_t>((ev - grid.first_ev) / grid.dispersion_ev);
  };
  std::size_t top = channel(near_ev);
  double highest = 0;
  for (std::size_t c = channel(near_ev - kReach_ev); c + 1 < channel(near_ev + kReach_ev); ++c) {
    const double mean = (above(c - 1) + above(c) + above(c + 1)) / 3;
    if (mean > highest) {
      highest = mean;
      top = c;
    }
  }
  const auto half = std::max<std::size_t>(2, channel(grid.first_ev + kHalf_ev));
  if (!(highest > 8 * std::sqrt(variance[top] / 3)) || top < half || top + half >= counts.size()) {
    return Error{ErrorCode::refused, "the line does not stand out"};
  }
  std::vector<std::vector<double>> slopes;
  std::vector<double> logs;
  std::vector<double> sigma;
  for (std::size_t c = top - half; c <= top + half; ++c) {
    if (!(above(c) > 0)) return Error{ErrorCode::refused, "the line does not stand out"};
    const double x = grid.centre(c) - grid.centre(top);
    slopes.push_back({1.0, x, x * x});
    logs.push_back(std::log(above(c)));
    sigma.push_back(std::sqrt(variance[c]) / above(c));
  }
  auto fit = fit_linear(slopes, logs, sigma);
  if (!fit) return fit.error();
  const double bend = fit->value[2];
  const double at = -0.5 * fit->value[1] / bend;
  if (!(bend < 0) || std::fabs(at) > kHalf_ev) {
    return Error{ErrorCode::refused, "the line has no maximum there"};
  }
  const double of_slope = -0.5 / bend;
  const double of_bend = 0.5 * fit->value[1] / (bend * bend);
  const double square = of_slope * of_slope * fit->covariance[1][1] +
                        of_bend * of_bend * fit->covariance[2][2] +
                        2 * of_slope * of_bend * fit->covariance[1][2];
  return Place{grid.centre(top) + at, std::sqrt(square)};
}

Result<Place> find_place(std::span<const double> counts, std::span<const double> variance,
                         const analysis::Grid& grid, const EdgeEnergy& edge) {
  if (counts.empty()) return Error{ErrorCode::refused, "no specimen frames"};
  if (edge.maximum) return find_maximum(counts, variance, grid, edge.ev);
  auto rise = analysis::find_edge_rise(counts, variance, grid, edge.ev);
  if (!rise) return rise.error();
  return Place{rise->at_ev, rise->sigma_ev};
}

}  // namespace

double EnergyAxis::at(double channel) const {
  double ev = first_ev.value + dispersion_ev.value * channel;
  if (bow_ev.given()) {
    const double width = to_channel - from_channel;
    ev += 4 * bow_ev.value * (channel - from_channel) * (to_channel - channel) / (width * width);
  }
  return ev;
}

Result<EnergyAxis> fit_axis(const std::vector<Feature>& features) {
  if (features.size() < 2) {
    return Error{ErrorCode::refused,
                 "the energy axis needs two known features at least; there is " +
                     std::string(features.empty() ? "none" : features.front().name + " only")};
  }
  std::vector<EdgeEnergy> energies;
  for (const Feature& feature : features) {
    if (!feature.table.empty()) {
      energies.push_back(
          {feature.name, feature.energy_ev, feature.sigma_energy_ev, feature.table, false});
    }
  }
  auto table = one_table(energies);
  if (!table) return table.error();
  const auto [low, high] =
      std::minmax_element(features.begin(), features.end(),
                          [](const Feature& a, const Feature& b) { return a.channel < b.channel; });
  const double a = low->channel;
  const double b = high->channel;
  if (!(b - a > 10)) {
    return Error{ErrorCode::refused,
                 "the known features lie within 10 channels: too near for a dispersion"};
  }
  const double slope = (high->energy_ev - low->energy_ev) / (b - a);
  const bool bends = features.size() > 2;
  std::vector<std::vector<double>> slopes;
  std::vector<double> energy;
  std::vector<double> sigma;
  for (const Feature& one : features) {
    slopes.push_back({1.0, one.channel});
    if (bends) {
      slopes.back().push_back(4 * (one.channel - a) * (b - one.channel) / ((b - a) * (b - a)));
    }
    energy.push_back(one.energy_ev);
    sigma.push_back(std::hypot(one.sigma_energy_ev, slope * one.sigma_channel));
  }
  auto fit = fit_linear(slopes, energy, sigma);
  if (!fit) return fit.error().during("energy axis");
  EnergyAxis made;
  const std::uint64_t n = features.size();
  made.first_ev = Measured(fit->value[0], fit->sigma(0), n);
  made.dispersion_ev = Measured(fit->value[1], fit->sigma(1), n);
  made.bow_ev = bends ? Measured(fit->value[2], fit->sigma(2), n)
                      : Measured::none("two features make a straight line; a third tells the bow");
  made.covariance = fit->covariance[0][1];
  made.chi2 = fit->chi2;
  made.freedom = fit->freedom;
  made.table = *table;
  made.from_channel = a;
  made.to_channel = b;
  return made;
}

Result<Features> find_features(const Frames& frames, double noise, double nominal_dispersion_ev,
                               const std::vector<EdgeEnergy>& edges) {
  const auto peaks = both_places(frames, ExposureKind::zero_loss, false);
  const auto core = both_places(frames, ExposureKind::specimen, true);
  if (peaks.empty()) {
    return Error{ErrorCode::refused,
                 "there is no usable zero-loss frame (saturated, or without darks of its time)"};
  }
  std::set<double> settings;
  Features made;
  for (const auto* frame : peaks) settings.insert(frame->first_ev);
  for (const auto* frame : core) settings.insert(frame->first_ev);
  if (settings.size() != 1) {
    return Error{ErrorCode::refused,
                 "the frames were taken at different offsets of the axis; an axis is calibrated at "
                 "one"};
  }
  const std::vector<double> peak = sum_of(peaks);
  auto zero = analysis::fit_zero_loss(peak, 0, 1);
  if (!zero) return zero.error();
  made.found.push_back({"zero loss", zero->position_ev,
                        std::hypot(zero->sigma_ev * std::sqrt(noise / zero->area), kShape_channels),
                        0, 0, ""});
  for (const auto* frame : peaks) made.sequence.push_back(frame->sequence);
  for (const auto* frame : core) made.sequence.push_back(frame->sequence);
  const std::vector<double> sum = sum_of(core);
  const std::vector<double> variance = variance_of(frames, core, sum, noise);
  std::vector<EdgeEnergy> ascending = edges;
  std::sort(ascending.begin(), ascending.end(),
            [](const EdgeEnergy& a, const EdgeEnergy& b) { return a.ev < b.ev; });
  double dispersion = nominal_dispersion_ev;  // each edge tells better where the next one is
  for (const EdgeEnergy& edge : ascending) {
    const double first = -zero->position_ev * dispersion;
    const analysis::Grid grid{first, dispersion, sum.size()};
    auto place = find_place(sum, variance, grid, edge);
    if (!place) {
      made.missed.push_back(edge.edge);
      continue;
    }
    const double channel = (place->ev - first) / dispersion;
    made.found.push_back(
        {edge.edge, channel, place->sigma_ev / dispersion, edge.ev, edge.sigma_ev, edge.table});
    dispersion = edge.ev / (channel - zero->position_ev);
  }
  return made;
}

std::vector<OffsetPoint> offset_points(const Frames& frames) {
  std::vector<OffsetPoint> points;
  for (const auto* frame : both_places(frames, ExposureKind::zero_loss, false)) {
    const auto zero = analysis::fit_zero_loss(frame->counts, 0, 1);
    if (zero) points.push_back({frame->first_ev, zero->position_ev, frame->middle_s});
  }
  std::sort(points.begin(), points.end(),
            [](const OffsetPoint& a, const OffsetPoint& b) { return a.time_s < b.time_s; });
  return points;
}

Result<OffsetSupply> offset_supply(const std::vector<OffsetPoint>& points,
                                   const Measured& dispersion_ev) {
  std::set<double> settings;
  for (const OffsetPoint& point : points) settings.insert(point.set_ev);
  if (points.size() < 8 || settings.size() < 3) {
    return Error{ErrorCode::refused,
                 "the offset supply needs three settings and eight zero-loss frames at least; "
                 "there are " +
                     std::to_string(settings.size()) + " and " + std::to_string(points.size())};
  }
  const double low = *settings.begin();
  const double width = *settings.rbegin() - low;
  const double begin = points.front().time_s;
  const double span = std::max(1e-9, points.back().time_s - begin);
  std::vector<std::vector<double>> slopes;
  std::vector<double> position;
  for (const OffsetPoint& point : points) {
    const double s = (point.set_ev - low) / width;
    const double t = (point.time_s - begin) / span - 0.5;
    slopes.push_back({1.0, point.set_ev - low, 4 * s * (1 - s), t, t * t});
    position.push_back(point.channel * dispersion_ev.value);
  }
  const std::vector<double> even(points.size(), 1.0);
  auto fit = fit_linear(slopes, position, even);
  if (!fit) return fit.error().during("offset supply");
  const double scatter = std::sqrt(fit->chi2 / static_cast<double>(fit->freedom));
  OffsetSupply made;
  const double scale = -fit->value[1];
  made.scale = Measured(
      scale, std::hypot(scatter * fit->sigma(1), scale * dispersion_ev.sigma / dispersion_ev.value),
      points.size());
  made.bend_ev = Measured(-fit->value[2], scatter * fit->sigma(2), points.size());
  made.scatter_ev = scatter;
  made.drift_ev_per_h = fit->value[3] / span * 3600;
  return made;
}

}  // namespace creel::calibration
