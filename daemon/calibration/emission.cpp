#include "daemon/calibration/emission.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "daemon/calibration/fit.h"
#include "daemon/spectra/zero_loss.h"

namespace creel::calibration {

Result<Emission> emission_law(const std::vector<EmissionPoint>& points) {
  constexpr double kLeastRange = 1.1;
  if (points.size() < 8) {
    return Error{ErrorCode::refused,
                 "the emission law needs eight frames with a laser reading at "
                 "least; there are " +
                     std::to_string(points.size())};
  }
  double mean = 0;
  double least = points.front().power_mw;
  double most = least;
  for (const EmissionPoint& point : points) {
    if (!(point.power_mw > 0) || !(point.per_s > 0)) {
      return Error{ErrorCode::refused, "the emission law: a frame without light, or without power"};
    }
    mean += std::log(point.power_mw) / static_cast<double>(points.size());
    least = std::min(least, point.power_mw);
    most = std::max(most, point.power_mw);
  }
  if (most < kLeastRange * least) {
    return Error{ErrorCode::refused,
                 "the emission law: the laser's power was the same within a tenth throughout; "
                 "vary it (--attenuator STAGE.AXIS), or drift would be taken for the law"};
  }
  const double begin = points.front().time_s;
  const double span = std::max(1e-9, points.back().time_s - begin);
  std::vector<std::vector<double>> slopes;
  std::vector<double> logs;
  for (const EmissionPoint& point : points) {
    const double t = (point.time_s - begin) / span - 0.5;
    slopes.push_back({1.0, std::log(point.power_mw) - mean, t, t * t - 1.0 / 12});
    logs.push_back(std::log(point.per_s));
  }
  const std::vector<double> even(points.size(), 1.0);
  auto fit = fit_linear(slopes, logs, even);
  if (!fit) return fit.error().during("emission law");
  // The gauge's error is the same at all powers, so points of low power scatter more: errors that
  // hold for any such scatter (H. White, Econometrica 48, 817 (1980)).
  const std::size_t unknowns = fit->value.size();
  const auto robust = [&](std::size_t parameter) {
    double square = 0;
    for (std::size_t i = 0; i < logs.size(); ++i) {
      double off = logs[i];
      double weight = 0;
      for (std::size_t j = 0; j < unknowns; ++j) {
        off -= slopes[i][j] * fit->value[j];
        weight += fit->covariance[parameter][j] * slopes[i][j];
      }
      square += weight * weight * off * off;
    }
    const auto n = static_cast<double>(logs.size());
    return std::sqrt(square * n / static_cast<double>(fit->freedom));
  };
  Emission made;
  made.scatter = std::sqrt(fit->chi2 / static_cast<double>(fit->freedom));
  made.order = Measured(fit->value[1], robust(1), points.size());
  made.at_mean =
      Measured(std::exp(fit->value[0]), std::exp(fit->value[0]) * robust(0), points.size());
  made.mean_power_mw = std::exp(mean);
  return made;
}

std::vector<EmissionPoint> emission_points(const Frames& frames,
                                           const std::vector<analysis::PowerReading>& readings,
                                           double near_s, std::vector<std::uint64_t>& sequence) {
  std::vector<EmissionPoint> points;
  if (readings.empty()) return points;
  for (const Frame* frame : frames.of(ExposureKind::zero_loss, Where::vacuum)) {
    const auto away = [frame](const analysis::PowerReading& reading) {
      return std::fabs(reading.taken_s - frame->middle_s);
    };
    const auto nearest =
        std::min_element(readings.begin(), readings.end(),
                         [&](const auto& a, const auto& b) { return away(a) < away(b); });
    if (away(*nearest) <= near_s && frame->lit_s > 0) {
      points.push_back({nearest->power_mw, frame->total / frame->lit_s, frame->middle_s});
      sequence.push_back(frame->sequence);
    }
  }
  return points;
}

Result<ChargeWidening> charge_widening(const Frames& frames, double dispersion_ev, double noise) {
  constexpr double kLeastRange = 1.1;
  std::vector<double> rate;
  std::vector<double> square;
  std::vector<double> sigma;
  ChargeWidening made;
  for (const Frame* frame : frames.of(ExposureKind::zero_loss, Where::vacuum)) {
    const double first_ev = std::isfinite(frame->first_ev) ? frame->first_ev : 0;
    const auto peak = analysis::fit_zero_loss(frame->counts, first_ev, dispersion_ev);
    if (!peak || !(frame->lit_s > 0)) continue;
    rate.push_back(frame->total / frame->lit_s);
    square.push_back(peak->fwhm_ev() * peak->fwhm_ev());
    // A width is known to w / sqrt(2 N), its square to w^2 sqrt(2 / N).
    sigma.push_back(square.back() * std::sqrt(2 * noise / std::max(1.0, peak->area)));
    made.mean_per_s += rate.back();
  }
  if (rate.size() < 8) {
    return Error{ErrorCode::refused,
                 "widening by charge: fewer than eight zero losses in vacuum could be fitted"};
  }
  made.mean_per_s /= static_cast<double>(rate.size());
  const auto [least, most] = std::minmax_element(rate.begin(), rate.end());
  if (*most < kLeastRange * *least) {
    return Error{ErrorCode::refused,
                 "widening by charge: the current was the same within a tenth throughout"};
  }
  std::vector<std::vector<double>> slopes;
  slopes.reserve(rate.size());
  for (const double one : rate) {
    slopes.push_back({1.0, one * one / (made.mean_per_s * made.mean_per_s)});
  }
  auto fit = fit_linear(slopes, square, sigma);
  if (!fit) return fit.error().during("widening by charge");
  made.misfit = fit->chi2 / static_cast<double>(fit->freedom);
  // The high tension's ripple may widen one frame more than another: what scatters more than
  // counting widens the errors.
  const double wider = std::sqrt(std::max(1.0, made.misfit));
  made.sharp_ev2 = Measured(fit->value[0], wider * fit->sigma(0), rate.size());
  made.added_ev2 = Measured(fit->value[1], wider * fit->sigma(1), rate.size());
  return made;
}

Result<Settling> settling(const Frames& frames, double noise, double within) {
  constexpr double kMostOfSpan = 0.5;  // a decay as slow as this is a drift
  double let_in = -1;
  for (const Frame& frame : frames.lit) {
    if (frame.kind == ExposureKind::background) {
      let_in = std::max(let_in, frame.closed_s > 0 ? frame.closed_s : frame.middle_s);
    }
  }
  std::vector<double> since;
  std::vector<double> rate;
  std::vector<double> sigma;
  Settling made;
  for (const Frame* frame : frames.of(ExposureKind::zero_loss, Where::vacuum)) {
    if (let_in > 0 && frame->middle_s > let_in && frame->lit_s > 0) {
      since.push_back(frame->middle_s - let_in);
      rate.push_back(frame->total / frame->lit_s);
      sigma.push_back(
          std::sqrt(noise * std::max(1.0, frame->total) + frames.dark_variance(*frame)) /
          frame->lit_s);
      made.sequence.push_back(frame->sequence);
    }
  }
  if (since.size() < 8) {
    return Error{ErrorCode::refused,
                 "settling: fewer than eight frames in vacuum after the cathode's laser was "
                 "blocked and let in again"};
  }
  const Model model = [&](std::size_t i, std::span<const double> p) {
    const double t = since[i];
    const double tau = std::exp(p[2]);
    const double decay = std::exp(-t / tau);
    const double settled = 1 - p[1] * decay;
    const double drift = 1 + p[3] * (t - since.back());
    return Modelled{p[0] * settled * drift,
                    {settled * drift, -p[0] * decay * drift, -p[0] * p[1] * decay * t / tau * drift,
                     p[0] * settled * (t - since.back())}};
  };
  // A slow decay looks like a drift: the start is the best of many times within half of the span.
  std::vector<double> start;
  double best = std::numeric_limits<double>::infinity();
  constexpr int kTries = 18;  // from 0.02 of the span to kMostOfSpan of it
  for (int tried = 0; tried < kTries; ++tried) {
    const double tau = since.back() * 0.02 * std::pow(kMostOfSpan / 0.02, (tried + 0.5) / kTries);
    std::vector<std::vector<double>> slopes;
    slopes.reserve(since.size());
    for (const double t : since) slopes.push_back({1.0, std::exp(-t / tau), t - since.back()});
    auto fit = fit_linear(slopes, rate, sigma);
    if (fit && fit->chi2 < best) {
      best = fit->chi2;
      const std::vector<double>& of = fit->value;
      start = {of[0], -of[1] / of[0], std::log(tau), of[2] / of[0]};
    }
  }
  if (start.empty()) return Error{ErrorCode::refused, "settling: nothing could be fitted"};
  std::vector<double> known;
  known.reserve(sigma.size());
  for (const double one : sigma) known.push_back(one * one);
  const std::vector<double> level(rate.size(), start[0]);
  const auto fit_with = [&](std::span<const double> with) {
    return fit_model(model, rate, with, start);
  };
  auto flicker = extra_scatter(known, level, fit_with);
  if (!flicker) return flicker.error().during("settling");
  auto fit = fit_with(widened(known, level, *flicker));
  if (!fit) return fit.error().during("settling");
  if (!(fit->value[1] > 3 * fit->sigma(1)) ||
      std::exp(fit->value[2]) > kMostOfSpan * since.back()) {
    return Error{ErrorCode::refused,
                 "settling: nothing that settles stands out of the source's drift and flicker"};
  }
  const double tau = std::exp(fit->value[2]);
  made.within = within;
  made.time_s = Measured(tau, tau * fit->sigma(2), since.size());
  made.missing = Measured(fit->value[1], fit->sigma(1), since.size());
  const double ratio = std::log(std::max(1.0, fit->value[1] / within));
  made.settled_s = Measured(
      tau * ratio,
      std::sqrt(std::max(0.0, tau * tau *
                                  (ratio * ratio * fit->covariance[2][2] +
                                   fit->covariance[1][1] / (fit->value[1] * fit->value[1]) +
                                   2 * ratio * fit->covariance[1][2] / fit->value[1]))),
      since.size());
  return made;
}

}  // namespace creel::calibration
