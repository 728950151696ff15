#include "daemon/spectra/spectrum.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>

#include "daemon/spectra/pixels.h"

namespace creel::analysis {

namespace {

using session::FrameShape;
using session::Record;

constexpr std::uint8_t kKinds = 5;  // of ExposureKind

/// Variance of one frame from successive differences; nothing for fewer than two frames.
double frame_variance(std::uint64_t frames, double squares) {
  if (frames < 2) {
    return std::numeric_limits<double>::quiet_NaN();
  }
  return squares / (2.0 * static_cast<double>(frames - 1));
}

}  // namespace

bool may_be_summed(const Record& record) {
  return (record.flags & (session::kBroken | session::kIncomplete | session::kTouchedByHold)) == 0;
}

Result<void> SpectrumSum::add(const Record& record, std::span<const std::byte> frame) {
  CREEL_TRY(check_frame(shape_, frame, record.events));
  if (record.kind >= kKinds) {
    return Error{ErrorCode::invalid_request, "frame " + std::to_string(record.sequence) +
                                                 " is of kind " + std::to_string(record.kind) +
                                                 "; must be 0 to 4"};
  }
  row_.assign(shape_.columns, 0.0);
  each_pixel_of(
      shape_, frame, record.events,
      [this](std::uint32_t, std::uint32_t column, double value) { row_[column] += value; });
  const bool numbers =
      std::all_of(row_.begin(), row_.end(), [](double value) { return std::isfinite(value); });
  if (!may_be_summed(record) || !numbers) {
    ++left_out_;
    return {};
  }
  const Key key{record.kind, record.exposure_set_ns};
  if (!groups_.contains(key) && groups_.size() == kMostGroups) {
    return Error{ErrorCode::invalid_request, "frames of more than " + std::to_string(kMostGroups) +
                                                 " different exposure times; sum fewer at once"};
  }
  Group& group = groups_[key];
  if (group.frames == 0) {
    group.sum.assign(shape_.columns, 0.0);
    group.squares.assign(shape_.columns, 0.0);
    group.last = row_;
  }
  for (std::size_t c = 0; c < row_.size(); ++c) {
    const double step = row_[c] - group.last[c];
    group.sum[c] += row_[c];
    group.squares[c] += step * step;
  }
  group.last.swap(row_);
  ++group.frames;
  group.saturated += (record.flags & session::kSaturated) != 0 ? 1 : 0;
  return {};
}

std::uint64_t SpectrumSum::usable(ExposureKind kind) const {
  std::uint64_t frames = 0;
  for (const auto& [key, group] : groups_) {
    frames += key.first == static_cast<std::uint8_t>(kind) ? group.frames : 0;
  }
  return frames;
}

void SpectrumSum::add_group(const Group& group, const Group* dark, Spectrum& into) const {
  const auto n = static_cast<double>(group.frames);
  const double m = dark == nullptr ? 1.0 : static_cast<double>(dark->frames);
  for (std::size_t c = 0; c < group.sum.size(); ++c) {
    const double own = frame_variance(group.frames, group.squares[c]);
    double variance = n * own;
    into.counts[c] += group.sum[c];
    if (dark != nullptr) {
      into.counts[c] -= n * dark->sum[c] / m;
      // One dark alone does not show its variance. An exposure holds the dark's noise and more, so
      // its own variance is an upper bound.
      const double of_dark =
          dark->frames < 2 ? own : frame_variance(dark->frames, dark->squares[c]);
      variance += n * n * of_dark / m;
    }
    into.sigma[c] += variance;  // a variance until of() takes the root
  }
  into.frames += group.frames;
  into.saturated += group.saturated;
  into.darks += dark == nullptr ? 0 : dark->frames;
}

Spectrum SpectrumSum::of(ExposureKind kind) const {
  Spectrum spectrum;
  spectrum.kind = kind;
  spectrum.counts.assign(shape_.columns, 0.0);
  spectrum.sigma.assign(shape_.columns, 0.0);
  const auto dark_for = [this](std::int64_t exposure) -> const Group* {
    const auto found = groups_.find(Key{static_cast<std::uint8_t>(ExposureKind::dark), exposure});
    return found == groups_.end() ? nullptr : &found->second;
  };
  const auto of_kind = [kind](const Key& key) {
    return key.first == static_cast<std::uint8_t>(kind);
  };
  if (kind != ExposureKind::dark) {
    spectrum.dark_corrected = std::any_of(groups_.begin(), groups_.end(), [&](const auto& entry) {
      return of_kind(entry.first) && dark_for(entry.first.second) != nullptr;
    });
  }
  for (const auto& [key, group] : groups_) {
    if (!of_kind(key)) {
      continue;
    }
    const Group* dark = spectrum.dark_corrected ? dark_for(key.second) : nullptr;
    if (spectrum.dark_corrected && dark == nullptr) {
      spectrum.without_dark +=
          group.frames;  // an offset in part of the sum would be worse than less sum
      continue;
    }
    add_group(group, dark, spectrum);
    spectrum.exposure += Duration{key.second * static_cast<std::int64_t>(group.frames)};
  }
  for (double& value : spectrum.sigma) {
    value = spectrum.frames == 0 ? std::numeric_limits<double>::quiet_NaN() : std::sqrt(value);
  }
  return spectrum;
}

MeanImage::MeanImage(const FrameShape& shape) : shape_(shape) {
  const auto cells = [](std::uint32_t pixels, std::uint32_t bin) {
    return (pixels + bin - 1) / bin;
  };
  bin_rows_ = std::max(1U, cells(shape.rows, kMostRows));
  bin_columns_ = std::max(1U, cells(shape.columns, kMostColumns));
  rows_ = cells(shape.rows, bin_rows_);
  columns_ = cells(shape.columns, bin_columns_);
  sum_.assign(std::size_t{rows_} * columns_, 0.0);
}

Result<void> MeanImage::add(const Record& record, std::span<const std::byte> frame) {
  CREEL_TRY(check_frame(shape_, frame, record.events));
  bool numbers = true;
  each_pixel_of(shape_, frame, record.events,
                [&numbers](std::uint32_t, std::uint32_t, double value) {
                  numbers = numbers && std::isfinite(value);
                });
  if (!may_be_summed(record) || !numbers) {
    return {};
  }
  each_pixel_of(shape_, frame, record.events,
                [this](std::uint32_t row, std::uint32_t column, double value) {
                  sum_[std::size_t{row / bin_rows_} * columns_ + column / bin_columns_] += value;
                });
  ++frames_;
  return {};
}

std::vector<double> MeanImage::mean() const {
  std::vector<double> mean;
  if (frames_ == 0) {
    return mean;
  }
  mean.reserve(sum_.size());
  for (std::uint32_t row = 0; row < rows_; ++row) {
    const std::uint32_t high = std::min(bin_rows_, shape_.rows - row * bin_rows_);
    for (std::uint32_t column = 0; column < columns_; ++column) {
      const std::uint32_t wide = std::min(bin_columns_, shape_.columns - column * bin_columns_);
      const double pixels = static_cast<double>(frames_) * high * wide;
      mean.push_back(sum_[std::size_t{row} * columns_ + column] / pixels);
    }
  }
  return mean;
}

}  // namespace creel::analysis
