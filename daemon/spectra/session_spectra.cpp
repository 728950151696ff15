#include "daemon/spectra/session_spectra.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "daemon/spectra/pixels.h"
#include "daemon/spectra/shift.h"

namespace creel::analysis {

namespace {

constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold;
constexpr std::uint8_t kKinds = 5;
// The zero-loss peak is steep: a drift of a third of its width makes its flank three times as high.
constexpr double kTolerance = 0.05;
constexpr double kZeroLossTolerance = 3;

bool same_kind_of_exposure(const FrameGroup& a, const FrameGroup& b) {
  return a.exposure_set_ns == b.exposure_set_ns && a.first_ev == b.first_ev && a.area == b.area;
}

/// b follows a.
void merge(FrameGroup& a, const FrameGroup& b) {
  const auto n = static_cast<double>(a.frames);
  const auto m = static_cast<double>(b.frames);
  a.middle_s = (n * a.middle_s + m * b.middle_s) / (n + m);
  a.dose_rate = (n * a.dose_rate + m * b.dose_rate) / (n + m);
  a.frames += b.frames;
  a.dose_before = std::min(a.dose_before, b.dose_before);
  a.dose_after = std::max(a.dose_after, b.dose_after);
  for (std::size_t c = 0; c < a.counts.size(); ++c) {
    a.counts[c] += b.counts[c];
  }
}

/// Joins neighbours of the same kind, two and two.
void merge_pairs(std::deque<FrameGroup>& groups) {
  std::deque<FrameGroup> merged;
  for (std::size_t i = 0; i < groups.size(); ++i) {
    merged.push_back(std::move(groups[i]));
    if (i + 1 < groups.size() && same_kind_of_exposure(merged.back(), groups[i + 1])) {
      merge(merged.back(), groups[i + 1]);
      ++i;
    }
  }
  groups.swap(merged);
}

std::string seconds_text(std::int64_t ns) {
  std::string text = std::to_string(static_cast<double>(ns) * 1e-9);
  text.erase(text.find_last_not_of('0') + 1);
  if (!text.empty() && text.back() == '.') {
    text.pop_back();
  }
  return text + " s";
}

}  // namespace

SpectraCollector::SpectraCollector(Setup setup) : setup_(std::move(setup)) {
  row_.resize(setup_.shape.columns);
  core_rows_.assign(setup_.shape.rows, 0.0);
}

Result<void> SpectraCollector::check(const FrameInfo& info,
                                     std::span<const std::byte> frame) const {
  CREEL_TRY(check_frame(setup_.shape, frame, info.events));
  const auto kind = static_cast<std::uint8_t>(info.kind);
  if (kind >= kKinds || !std::isfinite(info.first_ev) || !std::isfinite(info.middle_s)) {
    return Error{ErrorCode::invalid_request,
                 "frame of kind " + std::to_string(kind) + " (allowed: 0 to 4), first channel " +
                     std::to_string(info.first_ev) + " eV, at " + std::to_string(info.middle_s) +
                     " s (both must be numbers)"};
  }
  const GainMap* gain = setup_.gain.get();
  if (gain != nullptr &&
      (gain->rows != setup_.shape.rows || gain->columns != setup_.shape.columns)) {
    return Error{ErrorCode::invalid_request,
                 "gain map " + gain->name + " is for " + std::to_string(gain->rows) + " x " +
                     std::to_string(gain->columns) + " pixels; the frames have " +
                     std::to_string(setup_.shape.rows) + " x " +
                     std::to_string(setup_.shape.columns)};
  }
  return {};
}

/// The filter that this frame goes through; a new one if need be, nothing when there are too many.
SpikeFilter* SpectraCollector::filter_for(const FrameInfo& info) {
  const bool dark = info.kind == ExposureKind::dark;
  const Key key{static_cast<std::uint8_t>(info.kind),
                dark ? std::uint8_t{0} : static_cast<std::uint8_t>(info.where),
                info.exposure_set_ns, dark ? 0.0 : info.first_ev,
                dark ? std::uint16_t{0} : info.area};
  const auto found = filters_.find(key);
  if (found != filters_.end()) {
    return &found->second;
  }
  if (filters_.size() == kMostKeys) {
    return nullptr;
  }
  const double tolerance = info.kind == ExposureKind::zero_loss ? kZeroLossTolerance : kTolerance;
  const SpikeFilter made(setup_.shape.rows, setup_.shape.columns, setup_.spike_threshold,
                         tolerance);
  return &filters_.emplace(key, made).first->second;
}

Result<void> SpectraCollector::add(const FrameInfo& info, std::span<const std::byte> frame) {
  CREEL_TRY(check(info, frame));
  const bool specimen = info.kind == ExposureKind::specimen;
  const bool zero_loss = info.kind == ExposureKind::zero_loss;
  if (!specimen && !zero_loss && info.kind != ExposureKind::dark) {
    ++counts_.frames;
    return {};
  }
  std::vector<float> pixels;
  pixels.reserve(static_cast<std::size_t>(setup_.shape.rows) * setup_.shape.columns);
  bool usable = (info.flags & kUnusable) == 0;
  each_pixel_of(setup_.shape, frame, info.events, [&](std::uint32_t, std::uint32_t, double value) {
    usable = usable && std::isfinite(value);
    pixels.push_back(static_cast<float>(value));
  });
  if (specimen) {
    usable = usable && std::isfinite(info.dose_before) && std::isfinite(info.dose_after);
  }
  if (!usable) {
    ++counts_.frames;
    ++counts_.left_out;
    return {};
  }
  if (zero_loss && (info.flags & session::kSaturated) != 0) {
    ++counts_.frames;
    ++counts_.saturated;
    return {};
  }
  SpikeFilter* filter = filter_for(info);
  if (filter == nullptr) {
    return Error{ErrorCode::invalid_request, "frames of more than " + std::to_string(kMostKeys) +
                                                 " different exposure times, energy offsets or "
                                                 "areas; evaluate fewer at once"};
  }
  ++counts_.frames;
  filter->add(
      info, std::move(pixels),
      [this](const FrameInfo& of, const std::vector<float>& cleaned) { take(of, cleaned); });
  return {};
}

/// A frame without spikes: gain, rows, and to where it belongs.
void SpectraCollector::take(const FrameInfo& info, const std::vector<float>& cleaned) {
  const std::vector<float>* pixels = &cleaned;
  std::vector<float> corrected;
  if (setup_.gain) {
    corrected = cleaned;
    correct_gain(*setup_.gain, corrected);
    pixels = &corrected;
  }
  std::fill(row_.begin(), row_.end(), 0.0);
  std::vector<double> by_row(setup_.shape.rows, 0.0);
  for (std::size_t r = 0; r < setup_.shape.rows; ++r) {
    const float* at = pixels->data() + r * setup_.shape.columns;
    for (std::size_t c = 0; c < setup_.shape.columns; ++c) {
      row_[c] += at[c];
      by_row[r] += at[c];
    }
  }
  if (info.kind == ExposureKind::dark) {
    take_dark(info);
    Dark& dark = darks_[info.exposure_set_ns];
    dark.rows.resize(by_row.size(), 0.0);
    for (std::size_t r = 0; r < by_row.size(); ++r) {
      dark.rows[r] += by_row[r];
    }
  } else if (info.kind == ExposureKind::specimen) {
    learn_noise(info);
    take_group(info, core_, core_size_);
    for (std::size_t r = 0; r < by_row.size(); ++r) {
      core_rows_[r] += by_row[r];
    }
    ++core_frames_;
  } else if (info.where == Where::vacuum) {
    take_group(info, vacuum_, vacuum_size_);
  } else {
    take_group(info, through_, through_size_);
  }
}

void SpectraCollector::take_dark(const FrameInfo& info) {
  Dark& dark = darks_[info.exposure_set_ns];
  if (dark.frames == 0) {
    dark.sum.assign(row_.size(), 0.0);
    dark.squares.assign(row_.size(), 0.0);
    dark.last = row_;
  }
  for (std::size_t c = 0; c < row_.size(); ++c) {
    const double step = row_[c] - dark.last[c];
    dark.sum[c] += row_[c];
    dark.squares[c] += step * step;
  }
  dark.last = row_;
  ++dark.frames;
}

void SpectraCollector::take_group(const FrameInfo& info, std::deque<FrameGroup>& groups,
                                  std::uint32_t& per_group) {
  FrameGroup one;
  one.frames = 1;
  one.counts = row_;
  one.exposure_set_ns = info.exposure_set_ns;
  one.first_ev = info.first_ev;
  one.middle_s = info.middle_s;
  one.dose_before = info.dose_before;
  one.dose_after = info.dose_after;
  one.dose_rate = info.exposure_set_ns > 0 ? 1e9 * (info.dose_after - info.dose_before) /
                                                 static_cast<double>(info.exposure_set_ns)
                                           : 0.0;
  one.area = info.area;
  if (!groups.empty() && groups.back().frames < per_group &&
      same_kind_of_exposure(groups.back(), one)) {
    merge(groups.back(), one);
    return;
  }
  groups.push_back(std::move(one));
  if (groups.size() > setup_.most_groups) {
    merge_pairs(groups);
    per_group *= 2;
  }
}

/// Products of successive differences, what all channels do together taken out. Of exposures as
/// long as the first; across a change of area or energy offset there is no difference to take.
void SpectraCollector::learn_noise(const FrameInfo& info) {
  Noise& noise = noise_;
  if (noise.frames == 0) {
    noise.of = info;
    noise.sum.assign(row_.size(), 0.0);
    for (auto& products : noise.sums.products) {
      products.assign(row_.size(), 0.0);
    }
  }
  if (info.exposure_set_ns != noise.of.exposure_set_ns) {
    return;
  }
  if (noise.frames > 0 && info.area == noise.of.area && info.first_ev == noise.of.first_ev) {
    add_difference();
  }
  for (std::size_t c = 0; c < row_.size(); ++c) {
    noise.sum[c] += row_[c];
  }
  noise.last = row_;
  noise.of = info;
  ++noise.frames;
}

void SpectraCollector::add_difference() {
  const auto dark = darks_.find(noise_.of.exposure_set_ns);
  const double darks = dark == darks_.end() ? 1.0 : static_cast<double>(dark->second.frames);
  step_.resize(row_.size());
  level_.resize(row_.size());
  double all = 0;
  double light = 0;
  for (std::size_t c = 0; c < row_.size(); ++c) {
    step_[c] = row_[c] - noise_.last[c];
    level_[c] = 0.5 * (row_[c] + noise_.last[c]);
    level_[c] -= dark == darks_.end() ? 0.0 : dark->second.sum[c] / darks;
    all += step_[c];
    light += level_[c];
  }
  for (std::size_t c = 0; c < step_.size() && light > 0; ++c) {
    step_[c] -= all / light * level_[c];
  }
  for (std::size_t lag = 0; lag < kLags; ++lag) {
    for (std::size_t c = 0; c + lag < step_.size(); ++c) {
      noise_.sums.products[lag][c] += 0.5 * step_[c] * step_[c + lag];
    }
  }
  ++noise_.sums.pairs;
}

Result<void> SpectraCollector::subtract_darks(SessionSpectra& made, std::deque<FrameGroup>& groups,
                                              std::vector<FrameGroup>& out) {
  std::int64_t missing = 0;
  for (FrameGroup& group : groups) {
    const auto dark = made.darks.find(group.exposure_set_ns);
    if (dark == made.darks.end()) {
      made.without_dark += group.frames;
      missing = group.exposure_set_ns;
      continue;
    }
    for (std::size_t c = 0; c < group.counts.size(); ++c) {
      group.counts[c] -= static_cast<double>(group.frames) * dark->second.mean[c];
    }
    out.push_back(std::move(group));
  }
  groups.clear();
  if (out.empty() && missing != 0) {
    return Error{ErrorCode::refused, "session " + setup_.name + ": no dark frames of " +
                                         seconds_text(missing) +
                                         ", the exposure time of its frames; take some"};
  }
  return {};
}

/// Positions of the zero loss, the drift, and the low loss aligned by it.
void SpectraCollector::find_zero_loss(SessionSpectra& made, std::vector<FrameGroup>& through,
                                      std::vector<FrameGroup>& vacuum) {
  double area = 0;
  double variance = 0;
  std::vector<Drift::Point> points;
  const auto locate = [&](std::vector<FrameGroup>& groups, bool low_loss) {
    for (FrameGroup& group : groups) {
      const auto found = fit_zero_loss(group.counts, group.first_ev, setup_.dispersion_ev);
      if (!found) {
        made.left_out += group.frames;
        continue;
      }
      if (low_loss || through.empty()) {
        area += found->area;
        variance += found->area * found->sigma_ev * found->sigma_ev;
      }
      made.zero_loss_frames += group.frames;
      // Of the centre of a Gaussian of N electrons (Barlow 1989, sec. 5.2).
      points.push_back(
          {group.middle_s, found->position_ev, found->sigma_ev * found->sigma_ev / found->area});
      if (made.low_loss.empty()) {
        made.low_loss.assign(made.channels, 0.0);
        made.low_loss_grid = {group.first_ev, setup_.dispersion_ev, made.channels};
      }
      if (low_loss || through.empty()) {
        const double shift = (group.first_ev - found->position_ev - made.low_loss_grid.first_ev) /
                             setup_.dispersion_ev;
        add_shifted(group.counts, shift, made.low_loss);
      }
    }
  };
  locate(through, true);
  const bool has_low_loss = !made.low_loss.empty();
  locate(vacuum, false);
  std::vector<double> exposures;
  for (const FrameGroup& group : made.core) {
    exposures.push_back(group.middle_s);
  }
  made.drift = Drift(std::move(points), std::move(exposures));
  if (made.low_loss.empty()) {
    return;
  }
  // Not fitted to the sum: a peak of two channels' width does not survive shifting unchanged.
  made.zero_loss = ZeroLoss{0.0, std::sqrt(variance / area), area};
  if (!has_low_loss) {
    made.low_loss.clear();  // a vacuum shows the peak, not the losses of the specimen
  }
}

void SpectraCollector::describe_noise(SessionSpectra& made) const {
  made.noise = noise_.sums;
  made.noise.level.assign(made.channels, 0.0);
  const auto dark = made.darks.find(noise_.of.exposure_set_ns);
  for (std::size_t c = 0; c < made.channels && noise_.frames > 0; ++c) {
    const double offset = dark == made.darks.end() ? 0.0 : dark->second.mean[c];
    made.noise.dark_variance += dark == made.darks.end()
                                    ? 0.0
                                    : dark->second.variance[c] / static_cast<double>(made.channels);
    made.noise.level[c] = noise_.sum[c] / static_cast<double>(noise_.frames) - offset;
  }
}

/// Relative variance of a channel's response: pixels weigh as much as the light on their row.
void SpectraCollector::describe_gain(SessionSpectra& made) const {
  if (!setup_.gain) {
    return;
  }
  made.gain_map = setup_.gain->name;
  made.bad_pixels = setup_.gain->bad_pixels;
  std::vector<double> light = core_rows_;
  const auto dark = darks_.find(noise_.of.exposure_set_ns);
  double sum = 0;
  for (std::size_t r = 0; r < light.size(); ++r) {
    if (dark != darks_.end()) {
      light[r] -= dark->second.rows[r] * static_cast<double>(core_frames_) /
                  static_cast<double>(dark->second.frames);
    }
    light[r] = std::max(0.0, light[r]);
    sum += light[r];
  }
  made.gain_variance.assign(made.channels, 0.0);
  for (std::size_t r = 0; r < light.size() && sum > 0; ++r) {
    const double part = light[r] / sum;
    const double weight = setup_.gain->by_channel ? part : part * part;  // one error for all rows
    for (std::size_t c = 0; c < made.channels; ++c) {
      made.gain_variance[c] += weight * setup_.gain->variance[r * made.channels + c];
    }
  }
}

Result<SessionSpectra> SpectraCollector::snapshot() const {
  SpectraCollector copy(*this);
  return copy.finish();
}

Result<SessionSpectra> SpectraCollector::finish() {
  for (auto& [key, filter] : filters_) {
    filter.flush(
        [this](const FrameInfo& of, const std::vector<float>& cleaned) { take(of, cleaned); });
    counts_.spikes += filter.removed();
  }
  filters_.clear();
  SessionSpectra made = std::move(counts_);
  counts_ = {};
  made.name = setup_.name;
  made.channels = setup_.shape.columns;
  made.dispersion_ev = setup_.dispersion_ev;
  for (const auto& [exposure, dark] : darks_) {
    DarkMean mean{dark.frames, dark.sum, std::vector<double>(made.channels, 0.0)};
    const auto m = static_cast<double>(dark.frames);
    double typical = 0;
    for (std::size_t c = 0; c < made.channels; ++c) {
      mean.mean[c] /= m;
      typical +=
          dark.squares[c] / (2.0 * std::max(1.0, m - 1.0)) / static_cast<double>(made.channels);
    }
    for (std::size_t c = 0; c < made.channels; ++c) {
      mean.variance[c] = (0.5 * dark.squares[c] + 10.0 * typical) / (m - 1.0 + 10.0);
    }
    made.dark_frames += dark.frames;
    made.darks.emplace(exposure, std::move(mean));
  }
  if (core_.empty()) {
    return Error{ErrorCode::refused,
                 "session " + made.name + ": none of its " + std::to_string(made.frames) +
                     " frames is a specimen exposure that may be used (" +
                     std::to_string(made.left_out) + " left out by their flags)"};
  }
  CREEL_TRY(subtract_darks(made, core_, made.core));
  for (const FrameGroup& group : made.core) {
    made.specimen_frames += group.frames;
  }
  std::vector<FrameGroup> through;
  std::vector<FrameGroup> vacuum;
  CREEL_TRY(subtract_darks(made, through_, through));
  CREEL_TRY(subtract_darks(made, vacuum_, vacuum));
  find_zero_loss(made, through, vacuum);
  if (made.drift.empty()) {
    return Error{ErrorCode::refused,
                 "session " + made.name +
                     ": no usable zero-loss reference; the energy axis cannot be placed (" +
                     std::to_string(made.saturated) + " were saturated: expose them shorter)"};
  }
  for (FrameGroup& group : made.core) {
    group.drift_ev = made.drift.at(group.middle_s);
  }
  describe_noise(made);
  describe_gain(made);
  return made;
}

}  // namespace creel::analysis
