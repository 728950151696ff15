#include "daemon/analysis/running_measures.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "daemon/analysis/evaluate.h"
#include "daemon/spectra/pixels.h"

namespace creel::analysis {

namespace {

constexpr std::size_t kGroups = 64;
constexpr std::size_t kBlock = 16;  // channels whose sum is compared between frames
constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold | session::kSaturated;
/// Median of the square of a standard normal number.
constexpr double kMedianChiSquare = 0.454936;

// Windows, eV. Interband losses (pi plasmon of carbon near 6 eV) against the plasmon; ionisation
// edges C K 284 eV, O K 532 eV as seen in loss spectra. Common practice.
constexpr Window kInterband{4, 12}, kPlasmon{15, 40};
constexpr Window kBeforeCarbon{235, 275}, kCarbon{284, 334};
constexpr Window kBeforeOxygen{470, 525}, kOxygen{532, 582};

SpectraCollector::Setup smaller(SpectraCollector::Setup setup) {
  setup.most_groups = kGroups;
  return setup;
}

bool same_exposure(const FrameInfo& a, const FrameInfo& b) {
  return a.exposure_set_ns == b.exposure_set_ns && a.first_ev == b.first_ev && a.area == b.area;
}

FrameMeasures about(const FrameInfo& info) {
  FrameMeasures made;
  made.kind = info.kind;
  made.where = info.where;
  made.area = info.area;
  made.dose = info.dose_after;
  return made;
}

/// a/b of independent sums; nothing where b does not stand out.
std::optional<Measure> ratio_of(MeasureKind kind, double a, double var_a, double b, double var_b,
                                double covariance) {
  if (!(b > 0) || !(a > 0) || b * b < 9 * var_b) {
    return std::nullopt;
  }
  const double value = a / b;
  const double relative = var_a / (a * a) + var_b / (b * b) - 2 * covariance / (a * b);
  return Measure{kind, value, value * std::sqrt(std::max(0.0, relative))};
}

/// Where L3 stands: centroid of what lies above the steps in its window.
std::optional<Measure> l3_position(const Evaluation& evaluation) {
  const Window& window = evaluation.windows.l3;
  double sum = 0;
  double moment = 0;
  for (std::size_t c = 0; c < evaluation.energy_ev.size(); ++c) {
    if (evaluation.energy_ev[c] > window.from_ev && evaluation.energy_ev[c] < window.to_ev) {
      const double height = evaluation.edge[c] - evaluation.steps[c];
      sum += height;
      moment += height * evaluation.energy_ev[c];
    }
  }
  const double centre = moment / sum;
  if (!(sum > 0) || !(centre > window.from_ev) || !(centre < window.to_ev)) {
    return std::nullopt;
  }
  double variance = 0;
  for (std::size_t c = 0; c < evaluation.energy_ev.size(); ++c) {
    if (evaluation.energy_ev[c] > window.from_ev && evaluation.energy_ev[c] < window.to_ev) {
      const double lever = (evaluation.energy_ev[c] - centre) * evaluation.edge_sigma[c] / sum;
      variance += lever * lever;
    }
  }
  return Measure{MeasureKind::l3_ev, centre, std::sqrt(variance)};
}

}  // namespace

RunningMeasures::RunningMeasures(Setup setup)
    : setup_(std::move(setup)), references_(smaller(setup_.spectra)) {
  row_.resize(setup_.spectra.shape.columns);
}

Result<std::vector<FrameMeasures>> RunningMeasures::add(const FrameInfo& info,
                                                        std::span<const std::byte> frame) {
  CREEL_TRY(check_frame(setup_.spectra.shape, frame, info.events));
  const bool reference = info.kind == ExposureKind::dark || info.kind == ExposureKind::zero_loss;
  if (reference && !setup_.metal.empty()) {
    CREEL_TRY(references_.add(info, frame));
  }
  std::vector<FrameMeasures> made;
  if ((!reference && info.kind != ExposureKind::specimen) || (info.flags & kUnusable) != 0) {
    return made;
  }
  std::fill(row_.begin(), row_.end(), 0.0);
  each_pixel_of(
      setup_.spectra.shape, frame, info.events,
      [this](std::uint32_t, std::uint32_t column, double value) { row_[column] += value; });
  if (!std::all_of(row_.begin(), row_.end(), [](double value) { return std::isfinite(value); })) {
    return made;
  }
  if (info.kind == ExposureKind::dark) {
    take_dark(info);
    return made;
  }
  const auto counts = above_dark(info);
  if (!counts) {
    return made;
  }
  FrameMeasures of = about(info);
  if (info.kind == ExposureKind::specimen) {
    learn_noise(info, *counts);
    measure_rate(info, *counts, of);
    measure_core_loss(info, *counts, of);
    hold(info, frame);
    made.push_back(std::move(of));
    return made;
  }
  measure_rate(info, *counts, of);
  measure_zero_loss(info, *counts, of);
  made.push_back(std::move(of));
  auto slice = end_slice();
  if (!slice) {
    return slice.error();
  }
  if (*slice) {
    made.push_back(std::move(**slice));
  }
  return made;
}

void RunningMeasures::take_dark(const FrameInfo& info) {
  Dark& dark = darks_[info.exposure_set_ns];
  if (dark.frames == 0) {
    dark.sum.assign(row_.size(), 0.0);
    dark.last = row_;
  }
  for (std::size_t c = 0; c < row_.size(); ++c) {
    dark.sum[c] += row_[c];
    dark.squares += (row_[c] - dark.last[c]) * (row_[c] - dark.last[c]);
  }
  dark.last = row_;
  ++dark.frames;
}

std::optional<RunningMeasures::Counts> RunningMeasures::above_dark(const FrameInfo& info) const {
  const auto found = darks_.find(info.exposure_set_ns);
  if (found == darks_.end()) {
    return std::nullopt;
  }
  const Dark& dark = found->second;
  const auto n = static_cast<double>(dark.frames);
  Counts counts;
  counts.by_channel = row_;
  for (std::size_t c = 0; c < row_.size(); ++c) {
    counts.by_channel[c] -= dark.sum[c] / n;
  }
  if (dark.frames > 1) {
    const double one = dark.squares / (2 * (n - 1)) / static_cast<double>(row_.size());
    counts.dark_variance = one * (1 + 1 / n);
  }
  return counts;
}

/// g from the differences between this specimen frame and the one before.
void RunningMeasures::learn_noise(const FrameInfo& info, const Counts& counts) {
  const std::vector<double>& now = counts.by_channel;
  if (!last_.empty() && same_exposure(info, last_of_)) {
    double all_now = 0;
    double all_last = 0;
    for (std::size_t c = 0; c < now.size(); ++c) {
      all_now += now[c];
      all_last += last_[c];
    }
    std::vector<double> slopes;
    for (std::size_t c = 0; c + kBlock <= now.size() && all_last > 0; c += kBlock) {
      double step = 0;
      double level = 0;
      for (std::size_t i = c; i < c + kBlock; ++i) {
        step += now[i] - last_[i] * all_now / all_last;
        level += 0.5 * (now[i] + last_[i]);
      }
      const double dark = static_cast<double>(kBlock) * counts.dark_variance;
      if (level > dark) {  // where light is more than noise
        slopes.push_back((0.5 * step * step / kMedianChiSquare - dark) / level);
      }
    }
    if (slopes.size() >= 8) {
      const auto middle = slopes.begin() + static_cast<std::ptrdiff_t>(slopes.size() / 2);
      std::nth_element(slopes.begin(), middle, slopes.end());
      noise_sum_ += std::max(0.0, *middle);
      ++noise_pairs_;
    }
  }
  last_ = now;
  last_of_ = info;
}

double RunningMeasures::variance(double counts, double channels, double dark_variance) const {
  const double g = noise_pairs_ > 0                 ? noise_sum_ / static_cast<double>(noise_pairs_)
                   : setup_.counts_per_electron > 0 ? setup_.counts_per_electron
                                                    : std::numeric_limits<double>::quiet_NaN();
  return g * std::max(0.0, counts) + channels * dark_variance;
}

RunningMeasures::Sum RunningMeasures::sum(const Counts& counts, double first_ev, double from_ev,
                                          double to_ev) const {
  const double dispersion = setup_.spectra.dispersion_ev;
  const double found = sum_between(counts.by_channel, first_ev, dispersion, from_ev, to_ev);
  return {found, variance(found, (to_ev - from_ev) / dispersion, counts.dark_variance)};
}

void RunningMeasures::measure_rate(const FrameInfo& info, const Counts& counts,
                                   FrameMeasures& into) const {
  double all = 0;
  for (const double one : counts.by_channel) {
    all += one;
  }
  const double per_electron = setup_.counts_per_electron > 0 ? setup_.counts_per_electron : 1;
  const double scale = 1e9 / (per_electron * static_cast<double>(info.exposure_set_ns));
  const auto channels = static_cast<double>(row_.size());
  into.measures.push_back({MeasureKind::rate, all * scale,
                           std::sqrt(variance(all, channels, counts.dark_variance)) * scale});
}

void RunningMeasures::measure_zero_loss(const FrameInfo& info, const Counts& counts,
                                        FrameMeasures& into) {
  const double dispersion = setup_.spectra.dispersion_ev;
  const auto peak = fit_zero_loss(counts.by_channel, info.first_ev, dispersion);
  if (!peak) {
    return;
  }
  // What counting allows: sigma/sqrt(N) for the centre, sigma/sqrt(2 N) for the width, N electrons.
  const double channels = 2 * peak->fwhm_ev() / dispersion;
  const double relative =
      std::sqrt(variance(peak->area, channels, counts.dark_variance)) / peak->area;
  into.measures.push_back(
      {MeasureKind::zero_loss_ev, peak->position_ev, peak->sigma_ev * relative});
  into.measures.push_back({MeasureKind::zero_loss_fwhm_ev, peak->fwhm_ev(),
                           peak->fwhm_ev() * relative / std::sqrt(2.0)});
  zero_loss_ev_ = peak->position_ev;
  if (info.where == Where::specimen) {
    fwhm_ev_ = fwhm_ev_ > 0 ? fwhm_ev_ : peak->fwhm_ev();
    measure_low_loss(counts, info.first_ev - peak->position_ev, into);
  }
}

void RunningMeasures::measure_low_loss(const Counts& counts, double first_ev,
                                       FrameMeasures& into) const {
  const double dispersion = setup_.spectra.dispersion_ev;
  const auto found = thickness(counts.by_channel, first_ev, dispersion, fwhm_ev_);
  if (found && first_ev <= -5 * fwhm_ev_ && found->until_ev >= kPlasmon.to_ev) {
    // t = ln(1 + Il/I0) with independent Il and I0.
    const double half = 2.5 * fwhm_ev_;
    const double losses = found->total - found->zero_loss;
    const double var_zero = variance(found->zero_loss, 2 * half / dispersion, counts.dark_variance);
    const double var_losses =
        variance(losses, (found->until_ev - half) / dispersion, counts.dark_variance);
    const double part = losses / found->zero_loss;
    into.measures.push_back({MeasureKind::t_over_lambda, found->t_over_lambda,
                             std::sqrt(var_losses + part * part * var_zero) / found->total});
  }
  const double end = first_ev + dispersion * static_cast<double>(counts.by_channel.size());
  if (first_ev < kInterband.from_ev && end > kPlasmon.to_ev) {
    const Sum low = sum(counts, first_ev, kInterband.from_ev, kInterband.to_ev);
    const Sum high = sum(counts, first_ev, kPlasmon.from_ev, kPlasmon.to_ev);
    if (const auto shape = ratio_of(MeasureKind::low_loss_shape, low.counts, low.variance,
                                    high.counts, high.variance, 0)) {
      into.measures.push_back(*shape);
    }
  }
}

/// Each edge above a power law fitted before it; the axis placed by the newest zero loss.
void RunningMeasures::measure_core_loss(const FrameInfo& info, const Counts& counts,
                                        FrameMeasures& into) const {
  const Grid grid{info.first_ev - zero_loss_ev_, setup_.spectra.dispersion_ev, row_.size()};
  const auto has = [&](const char* element) {
    return std::find(setup_.elements.begin(), setup_.elements.end(), element) !=
           setup_.elements.end();
  };
  if (!has("C") || !has("O") || grid.first_ev > kBeforeCarbon.from_ev ||
      grid.end() < kOxygen.to_ev) {
    return;
  }
  struct Signal {
    double value = 0, variance = 0;
    std::vector<double> weights;
  };
  const auto edge = [&](const Window& before, const Window& window) {
    Signal signal;
    const auto background = fit_background(counts.by_channel, grid, before);
    if (!background) {
      return signal;
    }
    signal.weights = background->functional(grid, overlap(grid, window));
    for (std::size_t c = 0; c < grid.channels; ++c) {
      const double w = signal.weights[c];
      signal.value += w * counts.by_channel[c];
      signal.variance +=
          w == 0 ? 0 : w * w * variance(counts.by_channel[c], 1, counts.dark_variance);
    }
    return signal;
  };
  const Signal carbon = edge(kBeforeCarbon, kCarbon);
  const Signal oxygen = edge(kBeforeOxygen, kOxygen);
  // The windows of the two share no channel, so they are independent.
  if (const auto found = ratio_of(MeasureKind::oxygen_carbon, oxygen.value, oxygen.variance,
                                  carbon.value, carbon.variance, 0)) {
    into.measures.push_back(*found);
  }
}

void RunningMeasures::hold(const FrameInfo& info, std::span<const std::byte> frame) {
  if (setup_.metal.empty()) {
    return;
  }
  if (!slice_.empty() && !same_exposure(info, slice_.front().info)) {
    slice_.clear();
  }
  if (slice_.size() < kMostSlice) {
    slice_.push_back({info, {frame.begin(), frame.end()}});
  }
}

/// The frames since the last slice as a session of their own.
Result<std::optional<FrameMeasures>> RunningMeasures::end_slice() {
  if (setup_.metal.empty() || slice_.size() < setup_.slice) {
    return std::optional<FrameMeasures>();
  }
  SpectraCollector collector(references_);
  for (const Held& held : slice_) {
    CREEL_TRY(collector.add(held.info, held.bytes));
  }
  FrameMeasures made = about(slice_.back().info);
  made.frames = static_cast<std::uint32_t>(slice_.size());
  slice_.clear();
  EvaluationOptions options;
  options.element = setup_.metal;
  options.dose_groups = 1;
  options.vary_background = false;
  const auto spectra = collector.finish();
  if (!spectra) {
    return std::optional<FrameMeasures>();  // no zero loss yet: nothing to say
  }
  const auto evaluation = evaluate(*spectra, {}, options);
  if (!evaluation) {
    return std::optional<FrameMeasures>();
  }
  if (const auto position = l3_position(*evaluation)) {
    made.measures.push_back(*position);
  }
  if (evaluation->ratio) {
    made.measures.push_back(
        {MeasureKind::white_line_ratio, evaluation->ratio->value, evaluation->ratio->sigma});
  }
  return made.measures.empty() ? std::optional<FrameMeasures>() : std::move(made);
}

}  // namespace creel::analysis
