#include "daemon/spectra/spikes.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <utility>

namespace creel::analysis {

namespace {

constexpr std::size_t kFewest = 40;     // pixels in a bin before it is believed
constexpr double kLeastVariance = 1.0;  // counts are whole
constexpr double kQuanta = 8;

double quantile(std::vector<float>& values, double part) {
  const auto at = static_cast<std::ptrdiff_t>(part * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), values.begin() + at, values.end());
  return values[static_cast<std::size_t>(at)];
}

/// Half the mean of squared differences without the largest one in two hundred (at least three),
/// which may be spikes.
double trimmed_variance(std::vector<float>& squares) {
  const std::size_t drop = std::max<std::size_t>(3, squares.size() / 200);
  const std::size_t keep = squares.size() - std::min(drop, squares.size() - 1);
  std::nth_element(squares.begin(), squares.begin() + static_cast<std::ptrdiff_t>(keep - 1),
                   squares.end());
  double sum = 0;
  for (std::size_t i = 0; i < keep; ++i) {
    sum += squares[i];
  }
  return 0.5 * sum / static_cast<double>(keep);
}

}  // namespace

double NoiseByLevel::margin() const {
  return kQuanta * quantum_;
}

double NoiseByLevel::above_dark(double level) const {
  return std::max(0.0, level - base_);
}

/// Borders at 1, 1.5, 2, 3, 4, 6, ... units: exponent and first bit of the fraction of a double,
/// which is much quicker than a logarithm for every pixel.
std::size_t NoiseByLevel::bin(double level) const {
  const double units = 1.0 + above_dark(level) / unit_;
  const std::uint64_t halves = std::bit_cast<std::uint64_t>(units) >> 51;
  constexpr std::uint64_t kOne = std::bit_cast<std::uint64_t>(1.0) >> 51;
  return std::min<std::size_t>(kBins - 1, halves - kOne);
}

/// Bins that too few pixels fall into take the variance of the nearest known one, in proportion to
/// level when above it.
void NoiseByLevel::fill_gaps(const std::array<bool, kBins>& known) {
  const auto level_of = [this](std::size_t b) {
    return unit_ * std::exp2(0.5 * static_cast<double>(b));
  };
  std::optional<std::size_t> below;
  for (std::size_t b = 0; b < kBins; ++b) {
    if (known[b]) {
      below = b;
    } else if (below) {
      first_[b] = first_[*below] * level_of(b) / level_of(*below);
    }
  }
  std::optional<std::size_t> above;
  for (std::size_t b = kBins; b-- > 0;) {
    if (known[b]) {
      above = b;
    } else if (first_[b] == 0 && above) {
      first_[b] = first_[*above];
    }
  }
}

void NoiseByLevel::start(const std::vector<float>& frame, const std::vector<float>& next) {
  std::vector<float> values(frame.size());
  for (std::size_t i = 0; i < frame.size(); ++i) {
    values[i] = std::min(frame[i], next[i]);
  }
  base_ = quantile(values, 0.02);
  for (std::size_t i = 0; i < frame.size(); ++i) {
    values[i] = std::fabs(frame[i] - next[i]);
  }
  unit_ = std::max(1.0, quantile(values, 0.5));
  std::array<std::vector<float>, kBins> squares;
  std::vector<float> all;
  double light = 0;
  for (std::size_t i = 0; i < frame.size(); ++i) {
    const double step = static_cast<double>(frame[i]) - next[i];
    squares[bin(std::min(frame[i], next[i]))].push_back(static_cast<float>(step * step));
    all.push_back(squares[bin(std::min(frame[i], next[i]))].back());
    light += std::max(0.0, 0.5 * (static_cast<double>(frame[i]) + next[i]) - base_);
  }
  quantum_ = light > 0 ? trimmed_variance(all) * static_cast<double>(all.size()) / light : 0.0;
  std::array<bool, kBins> known{};
  first_.fill(0);
  for (std::size_t b = 0; b < kBins; ++b) {
    if (squares[b].size() >= kFewest) {
      first_[b] = std::max(kLeastVariance, trimmed_variance(squares[b]));
      known[b] = true;
    }
  }
  if (std::none_of(known.begin(), known.end(), [](bool one) { return one; })) {
    first_[0] = std::max(kLeastVariance, unit_ * unit_);
    known[0] = true;
  }
  fill_gaps(known);
  ready_ = true;
}

void NoiseByLevel::learn(const std::vector<float>& frame, const std::vector<float>& next) {
  if (!ready_) {
    start(frame, next);
  }
  for (std::size_t i = 0; i < frame.size(); ++i) {
    const double step = static_cast<double>(frame[i]) - next[i];
    const std::size_t b = bin(std::min(frame[i], next[i]));
    const double now =
        std::max(kLeastVariance, count_[b] >= kFewest ? sum_[b] / count_[b] : first_[b]);
    if (step * step < std::max(50.0 * now, margin() * margin())) {
      sum_[b] += 0.5 * step * step;
      count_[b] += 1;
    }
  }
}

double NoiseByLevel::variance(double level) const {
  const std::size_t b = bin(level);
  const double learnt = count_[b] >= kFewest ? sum_[b] / count_[b] : first_[b];
  return std::max(kLeastVariance, learnt);
}

SpikeFilter::SpikeFilter(std::uint32_t rows, std::uint32_t columns, double threshold,
                         double tolerance)
    : rows_(rows), columns_(columns), threshold_(threshold), tolerance_(tolerance) {}

void SpikeFilter::add(const FrameInfo& info, std::vector<float> pixels, const Sink& sink) {
  if (waiting_) {
    clean(waiting_->pixels, last_.empty() ? nullptr : &last_, &pixels);
    sink(waiting_->info, waiting_->pixels);
    last_.swap(waiting_->pixels);
    waiting_->info = info;
    waiting_->pixels = std::move(pixels);
    return;
  }
  waiting_ = Held{info, std::move(pixels)};
}

void SpikeFilter::flush(const Sink& sink) {
  if (!waiting_) {
    return;
  }
  if (!last_.empty()) {
    clean(waiting_->pixels, &last_, nullptr);
  }
  sink(waiting_->info, waiting_->pixels);
  last_.swap(waiting_->pixels);
  waiting_.reset();
}

bool SpikeFilter::marked_before(std::size_t pixel) const {
  const std::size_t column = pixel % columns_;
  if (column > 0 && mark_[pixel - 1] != 0) {
    return true;
  }
  if (pixel < columns_) {
    return false;
  }
  const std::size_t above = pixel - columns_;
  return mark_[above] != 0 || (column > 0 && mark_[above - 1] != 0) ||
         (column + 1 < columns_ && mark_[above + 1] != 0);
}

void SpikeFilter::replace_around(std::vector<float>& pixels, std::size_t pixel) {
  const auto row = static_cast<std::int64_t>(pixel / columns_);
  const auto column = static_cast<std::int64_t>(pixel % columns_);
  for (std::int64_t r = std::max<std::int64_t>(0, row - 1);
       r <= std::min<std::int64_t>(rows_ - 1, row + 1); ++r) {
    for (std::int64_t c = std::max<std::int64_t>(0, column - 1);
         c <= std::min<std::int64_t>(columns_ - 1, column + 1); ++c) {
      const auto i = static_cast<std::size_t>(r * columns_ + c);
      const double excess = static_cast<double>(pixels[i]) - highest_[i];
      if (mark_[i] != 0 || excess > 3.0 * std::sqrt(2.0 * noise_.variance(expected_[i]))) {
        pixels[i] = expected_[i];
      }
    }
  }
}

void SpikeFilter::clean(std::vector<float>& pixels, const std::vector<float>* before,
                        const std::vector<float>* after) {
  const std::vector<float>& a = before != nullptr ? *before : *after;
  const std::vector<float>& b = after != nullptr ? *after : *before;
  if (after != nullptr || !noise_.ready()) {
    noise_.learn(pixels, b);
  }
  expected_.resize(pixels.size());
  highest_.resize(pixels.size());
  mark_.assign(pixels.size(), 0);
  std::size_t marked = 0;
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    const float low = std::min(a[i], b[i]);
    const float high = std::max(a[i], b[i]);
    const auto limit = [&](float level) {
      return threshold_ * std::sqrt(2.0 * noise_.variance(level)) +
             tolerance_ * noise_.above_dark(level) + noise_.margin();
    };
    // A spike in the frame after must not set the expectation.
    expected_[i] = high - low > limit(low) ? low : 0.5F * (low + high);
    highest_[i] = high;
    if (static_cast<double>(pixels[i]) - high > limit(expected_[i])) {
      mark_[i] = 1;
      ++marked;
    }
  }
  if (marked == 0 || marked > std::max<std::size_t>(24, pixels.size() / 100)) {
    return;
  }
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    if (mark_[i] != 0) {
      removed_ += marked_before(i) ? 0 : 1;
      replace_around(pixels, i);
    }
  }
}

}  // namespace creel::analysis
