#include "daemon/spectra/carried_noise.h"

#include <algorithm>
#include <cmath>
#include <string>

namespace creel::analysis {

namespace {

using Row = std::vector<double>;

/// Covariance of two functionals of one frame group.
double covariance_of(const Row& a, const Row& b, const FrameGroup& group, const NoiseLine& noise) {
  const auto frames = static_cast<double>(group.frames);
  const Row& s = group.counts;
  double sum = 0;
  for (std::size_t c = 0; c < s.size(); ++c) {
    if (a[c] == 0 && b[c] == 0) {
      continue;
    }
    sum += a[c] * b[c] * (noise.slope[0] * s[c] + frames * noise.dark_variance);
    for (std::size_t lag = 1; lag < kLags && c + lag < s.size(); ++lag) {
      sum += (a[c] * b[c + lag] + a[c + lag] * b[c]) * noise.slope[lag] * 0.5 * (s[c] + s[c + lag]);
    }
  }
  return sum;
}

void add_scaled(const Row& in, double by, Row& out) {
  out.resize(std::max(out.size(), in.size()), 0.0);
  for (std::size_t c = 0; c < in.size(); ++c) {
    out[c] += by * in[c];
  }
}

}  // namespace

double NoiseLine::total_slope() const {
  double sum = slope[0];
  for (std::size_t lag = 1; lag < kLags; ++lag) {
    sum += 2 * slope[lag];
  }
  return sum;
}

CarriedNoise::CarriedNoise(std::size_t numbers)
    : numbers_(numbers),
      own_(numbers * numbers, 0.0),
      by_shift_(numbers, 0.0),
      on_dark_(numbers),
      on_gain_(numbers) {}

void CarriedNoise::add(const FrameGroup& group, const NoiseLine& noise, double ev_per_channel,
                       std::span<const Row> w) {
  const std::size_t channels = group.counts.size();
  for (std::size_t i = 0; i < numbers_; ++i) {
    add_scaled(w[i], -static_cast<double>(group.frames), on_dark_[i][group.exposure_set_ns]);
    on_gain_[i].resize(channels, 0.0);
    for (std::size_t c = 0; c < channels; ++c) {
      on_gain_[i][c] += w[i][c] * group.counts[c];
      if (c + 1 < channels) {
        // A shift of the axis by dE turns S into S - S' dE.
        by_shift_[i] -= w[i][c] * (group.counts[c + 1] - group.counts[c == 0 ? 0 : c - 1]) /
                        (2 * ev_per_channel);
      }
    }
    for (std::size_t j = i; j < numbers_; ++j) {
      const double value = covariance_of(w[i], w[j], group, noise);
      own_[i * numbers_ + j] += value;
      own_[j * numbers_ + i] += j == i ? 0.0 : value;
    }
  }
}

void CarriedNoise::add(const CarriedNoise& other) {
  add_scaled(other.own_, 1, own_);
  add_scaled(other.by_shift_, 1, by_shift_);
  for (std::size_t i = 0; i < numbers_; ++i) {
    add_scaled(other.on_gain_[i], 1, on_gain_[i]);
    for (const auto& [exposure, weights] : other.on_dark_[i]) {
      add_scaled(weights, 1, on_dark_[i][exposure]);
    }
  }
}

void CarriedNoise::widen(double factor) {
  for (double& value : own_) {
    value *= factor;
  }
}

double shared_noise(const SessionSpectra& session_a, const CarriedNoise& a, std::size_t i,
                    const SessionSpectra& session_b, const CarriedNoise& b, std::size_t j) {
  double sum = 0;
  if (&session_a == &session_b) {
    for (const auto& [exposure, weights] : a.on_dark_[i]) {
      const auto other = b.on_dark_[j].find(exposure);
      const auto dark = session_a.darks.find(exposure);
      if (other == b.on_dark_[j].end() || dark == session_a.darks.end()) {
        continue;
      }
      for (std::size_t c = 0; c < weights.size(); ++c) {
        sum += weights[c] * other->second[c] * dark->second.variance[c] /
               static_cast<double>(dark->second.frames);
      }
    }
  }
  if (!session_a.gain_map.empty() && session_a.gain_map == session_b.gain_map) {
    const std::size_t channels =
        std::min({session_a.gain_variance.size(), session_b.gain_variance.size(),
                  a.on_gain_[i].size(), b.on_gain_[j].size()});
    for (std::size_t c = 0; c < channels; ++c) {
      sum += a.on_gain_[i][c] * b.on_gain_[j][c] *
             std::sqrt(session_a.gain_variance[c] * session_b.gain_variance[c]);
    }
  }
  return sum;
}

Result<NoiseLine> fit_noise(const FrameNoise& noise, std::size_t from, std::size_t to) {
  if (noise.pairs < 2 || to <= from + 8) {
    return Error{ErrorCode::refused, "noise cannot be told from " +
                                         std::to_string(noise.pairs + 1) +
                                         " specimen exposures; at least 3 are needed"};
  }
  NoiseLine line;
  line.dark_variance = noise.dark_variance;
  double light = 0;
  for (std::size_t c = from; c < to; ++c) {
    light += noise.level[c];
  }
  const double mean_level = light / static_cast<double>(to - from);
  double mean_variance = 0;
  for (std::size_t lag = 0; lag < kLags; ++lag) {
    // Sums, not a fit of slope and constant: the levels around an edge differ too little to tell
    // the two apart, and the darks know the constant.
    double products = 0;
    double levels = 0;
    for (std::size_t c = from; c + lag < to; ++c) {
      products += noise.products[lag][c] / static_cast<double>(noise.pairs);
      levels += 0.5 * (noise.level[c] + noise.level[c + lag]);
    }
    const double constant = lag == 0 ? line.dark_variance * static_cast<double>(to - from) : 0.0;
    mean_variance += lag == 0 ? products / static_cast<double>(to - from) : 0.0;
    line.slope[lag] = levels > 0 ? (products - constant) / levels : 0.0;
  }
  if (!(mean_variance > 0) || !(line.variance(mean_level) > 0)) {
    return Error{ErrorCode::refused,
                 "the specimen exposures do not vary at all; these are not "
                 "measured frames"};
  }
  return line;
}
}  // namespace creel::analysis
