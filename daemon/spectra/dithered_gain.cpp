#include "daemon/spectra/dithered_gain.h"

#include <Eigen/Sparse>
#include <Eigen/SparseCholesky>
#include <algorithm>
#include <cmath>
#include <set>

namespace creel::analysis {

namespace {

constexpr double kLoosely = 0.05;   // of ln g, one standard deviation, until the frames say better
constexpr double kStray = 0.5;      // of e, channels
constexpr double kLoose = 30.0;     // of ln s and ln a: no knowledge at all
constexpr double kClear = 10;       // counts must be so many of their standard deviations
constexpr double kFarOff = 6;       // standard deviations: an X-ray
constexpr double kPlain = 2;        // beyond it a residual weighs less until X-rays can be told
constexpr double kUnsaid = 0.3;     // part of the last known term that the next ones may come to
constexpr std::size_t kSparse = 3;  // every third channel is enough to tell how much they differ
constexpr int kRounds = 8;          // each takes weights, slopes and strays from the one before
constexpr int kCutsFrom = 6;        // round from which on X-rays are left out

using Sparse = Eigen::SparseMatrix<double>;
using Entries = std::vector<Eigen::Triplet<double>>;

Eigen::Index index(std::size_t i) {
  return static_cast<Eigen::Index>(i);
}

class Joint {
 public:
  Joint(const std::vector<DitheredFrame>& frames, double noise, double dark_error)
      : frames_(frames), noise_(noise), dark_error_(dark_error) {
    channels_ = frames.front().counts.size();
    least_ = most_ = frames.front().moved;
    for (const DitheredFrame& frame : frames) {
      least_ = std::min(least_, frame.moved);
      most_ = std::max(most_, frame.moved);
    }
    points_ = channels_ + static_cast<std::size_t>(most_ - least_);
    told_ = channels_ + points_ + 2 * (frames.size() - 1);
    unknowns_ = told_ + channels_;
    slope_.assign(points_, 0.0);
    bend_.assign(points_, 0.0);
    unsaid_.assign(points_, 0.0);
  }

  Result<DitheredGain> solve() {
    found_ = Eigen::VectorXd::Zero(index(unknowns_));
    CREEL_TRY(fit(kRounds));
    const Spread spread = spread_of(responses(), variances(kSparse));
    prior_ = std::sqrt(std::max(0.0, spread.square) + spread.sigma);
    CREEL_TRY(fit(2));
    return read(spread);
  }

 private:
  [[nodiscard]] std::size_t intensity_of(std::size_t k) const {
    return channels_ + points_ + k - 1;
  }
  [[nodiscard]] std::size_t stray_of(std::size_t k) const {
    return intensity_of(k) + frames_.size() - 1;
  }
  /// b(c), in units of its error.
  [[nodiscard]] std::size_t dark_of(std::size_t c) const { return told_ + c; }
  [[nodiscard]] double stray(std::size_t k) const {
    return k == 0 ? 0 : found_[index(stray_of(k))];
  }

  Result<void> fit(int rounds) {
    for (const int until = round_ + rounds; round_ < until; ++round_) {
      build();
      factor_.compute(normal_);
      if (factor_.info() != Eigen::Success) {
        return Error{ErrorCode::refused, "dithered gain: the frames do not overlap"};
      }
      found_ = factor_.solve(right_);
      look_at_spectrum();
    }
    build();  // for chi2 of the last round
    // As if b had been measured: then what is left has used - told degrees of freedom.
    chi2_ += found_.tail(index(channels_)).squaredNorm();
    scale_ = used_ > told_ ? chi2_ / static_cast<double>(used_ - told_) : 1.0;
    return {};
  }

  void build() {
    Entries entries;
    right_ = Eigen::VectorXd::Zero(index(unknowns_));
    for (std::size_t i = 0; i < unknowns_; ++i) {
      const double prior = i < channels_                       ? prior_
                           : i >= told_                        ? 1.0
                           : i >= intensity_of(frames_.size()) ? kStray
                                                               : kLoose;
      entries.emplace_back(static_cast<int>(i), static_cast<int>(i), 1 / (prior * prior));
    }
    chi2_ = 0;
    used_ = 0;
    for (std::size_t k = 0; k < frames_.size(); ++k) {
      for (std::size_t c = 0; c < channels_; ++c) take(entries, k, c);
    }
    normal_.resize(index(unknowns_), index(unknowns_));
    normal_.setFromTriplets(entries.begin(), entries.end());
  }

  void take(Entries& entries, std::size_t k, std::size_t c) {
    const DitheredFrame& frame = frames_[k];
    const double counts = frame.counts[c];
    const double variance = noise_ * std::max(0.0, counts) + frame.dark_variance;
    if (!(counts > kClear * std::sqrt(variance))) return;
    const std::size_t x = c + static_cast<std::size_t>(frame.moved - least_);
    const std::size_t at[5] = {c, channels_ + x, dark_of(c), k == 0 ? 0 : intensity_of(k),
                               k == 0 ? 0 : stray_of(k)};
    const double by[5] = {1, 1, frame.frames * dark_error_ / counts, 1, slope_[x]};
    const std::size_t n = k == 0 ? 3 : 5;
    const double second_order = 0.5 * stray(k) * stray(k) * bend_[x];
    double fitted = second_order;
    for (std::size_t i = 0; i < n; ++i) fitted += by[i] * found_[index(at[i])];
    const double expected = round_ > 0 ? std::exp(fitted) : counts;
    const double of_counts = (noise_ * expected + frame.dark_variance) / (expected * expected);
    const double unsaid = kUnsaid * (std::fabs(stray(k)) * unsaid_[x] + std::fabs(second_order));
    double weight = 1 / (of_counts + unsaid * unsaid);
    // ln counts lies low by half its relative variance (second-order term of the logarithm).
    const double log_counts = std::log(counts) + 0.5 * of_counts;
    const double off = log_counts - fitted;
    const double far = std::sqrt(weight) * std::fabs(off);
    if (round_ >= kCutsFrom && far > kFarOff) return;
    // P. J. Huber, Ann. Math. Statist. 35, 73 (1964): else an X-ray hides among what it spoils.
    if (round_ > 0 && round_ < kCutsFrom && far > kPlain) weight *= kPlain / far;
    for (std::size_t i = 0; i < n; ++i) {
      right_[index(at[i])] += weight * by[i] * (log_counts - second_order);
      for (std::size_t j = 0; j < n; ++j) {
        entries.emplace_back(static_cast<int>(at[i]), static_cast<int>(at[j]),
                             weight * by[i] * by[j]);
      }
    }
    chi2_ += weight * off * off;
    ++used_;
  }

  /// Slope and bend of ln s: differences over five and three points. How far slopes over three and
  /// five points differ says how coarse the channels are for it.
  void look_at_spectrum() {
    const auto s = [this](std::size_t x) { return found_[index(channels_ + x)]; };
    for (std::size_t x = 2; x + 2 < points_; ++x) {
      const double near = 0.5 * (s(x + 1) - s(x - 1));
      slope_[x] = 4.0 / 3 * near - (s(x + 2) - s(x - 2)) / 12;
      bend_[x] = s(x + 1) - 2 * s(x) + s(x - 1);
      unsaid_[x] = std::fabs(slope_[x] - near);
    }
  }

  [[nodiscard]] double from_middle(std::size_t c) const {
    return static_cast<double>(c) - 0.5 * static_cast<double>(channels_ - 1);
  }
  /// What mean and slope take off ln g: by channel, projected off what is given.
  [[nodiscard]] Eigen::VectorXd without_slope(Eigen::VectorXd g) const {
    Eigen::VectorXd ramp(index(channels_));
    for (std::size_t c = 0; c < channels_; ++c) ramp[index(c)] = from_middle(c);
    g.array() -= g.mean();
    return g - ramp.dot(g) / ramp.squaredNorm() * ramp;
  }
  [[nodiscard]] Eigen::VectorXd responses() const {
    return without_slope(found_.head(index(channels_)));
  }
  /// Of every `step`-th of them.
  [[nodiscard]] std::vector<double> variances(std::size_t step) const {
    std::vector<double> made;
    for (std::size_t c = 0; c < channels_; c += step) {
      Eigen::VectorXd functional = Eigen::VectorXd::Zero(index(unknowns_));
      functional.head(index(channels_)) =
          without_slope(Eigen::VectorXd::Unit(index(channels_), index(c)));
      made.push_back(std::max(0.0, scale_ * functional.dot(factor_.solve(functional))));
    }
    return made;
  }

  /// How much the responses really differ, from every kSparse-th: maximum likelihood for normal
  /// ones, each seen with an error of its own.
  struct Spread {
    double square = 0, sigma = 0;  ///< variance of ln g, and the error of that
  };
  static Spread spread_of(const Eigen::VectorXd& g, const std::vector<double>& variance) {
    Spread found{kLoosely * kLoosely};
    for (int round = 0; round < 50; ++round) {
      double weights = 0;
      double sum = 0;
      for (std::size_t i = 0; i < variance.size(); ++i) {
        const double response = g[index(i * kSparse)];
        const double all = std::max(0.0, found.square) + variance[i];
        weights += 1 / (all * all);
        sum += (response * response - variance[i]) / (all * all);
      }
      found = {sum / weights, std::sqrt(2 / weights)};
    }
    return found;
  }

  [[nodiscard]] DitheredGain read(const Spread& spread) const {
    DitheredGain made;
    made.chi2 = chi2_;
    made.freedom = used_ > told_ ? used_ - told_ : 0;
    made.spread = std::sqrt(std::max(0.0, spread.square));
    made.sigma_spread = 0.5 * spread.sigma / std::max(made.spread, std::sqrt(spread.sigma));
    const Eigen::VectorXd g = responses();
    const std::vector<double> variance = variances(1);
    for (std::size_t c = 0; c < channels_; ++c) {
      made.response.push_back(std::exp(g[index(c)]));
      made.sigma.push_back(made.response.back() * std::sqrt(variance[c]));
    }
    // What was taken off the responses belongs to the spectrum.
    const Eigen::VectorXd off = found_.head(index(channels_)) - g;
    const double slope =
        channels_ > 1 ? (off[index(channels_ - 1)] - off[0]) / static_cast<double>(channels_ - 1)
                      : 0.0;
    for (std::size_t j = 0; j < points_; ++j) {
      const double x = static_cast<double>(j) + least_;
      made.spectrum.push_back(std::exp(found_[index(channels_ + j)] + off[0] + slope * x));
    }
    for (std::size_t k = 0; k < frames_.size(); ++k) made.strayed.push_back(stray(k));
    return made;
  }

  const std::vector<DitheredFrame>& frames_;
  double noise_, dark_error_;
  std::size_t channels_, points_;
  std::size_t told_, unknowns_;  ///< without b, and with it: priors alone tell b well enough
  int least_, most_;
  int round_ = 0;
  std::vector<double> slope_, bend_, unsaid_;  // of ln s, by point
  double prior_ = kLoosely;
  Sparse normal_;
  Eigen::SimplicialLDLT<Sparse> factor_;
  Eigen::VectorXd right_, found_;
  double scale_ = 1;
  double chi2_ = 0;
  std::size_t used_ = 0;
};

}  // namespace

Result<DitheredGain> dithered_gain(const std::vector<DitheredFrame>& frames, double noise,
                                   double dark_error) {
  std::set<int> places;
  for (const DitheredFrame& frame : frames) places.insert(frame.moved);
  if (places.size() < 3) {
    return Error{ErrorCode::refused,
                 "dithered gain needs the spectrum at three places at least; there are " +
                     std::to_string(places.size())};
  }
  return Joint(frames, noise, dark_error).solve();
}

}  // namespace creel::analysis
