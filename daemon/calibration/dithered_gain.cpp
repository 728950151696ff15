#include "daemon/calibration/dithered_gain.h"

#include <Eigen/Sparse>
#include <Eigen/SparseCholesky>
#include <algorithm>
#include <cmath>
#include <set>

namespace creel::calibration {

namespace {

constexpr double kPrior = 0.05;  // of ln g, one standard deviation
constexpr double kLoose = 30.0;  // of ln s and ln a: no knowledge at all
constexpr double kClear = 10;    // counts must be so many of their standard deviations

using Sparse = Eigen::SparseMatrix<double>;

class Joint {
 public:
  Joint(const std::vector<DitheredFrame>& frames, double noise, double dark_variance)
      : frames_(frames), noise_(noise), dark_variance_(dark_variance) {
    channels_ = frames.front().counts.size();
    least_ = most_ = frames.front().moved;
    for (const DitheredFrame& frame : frames) {
      least_ = std::min(least_, frame.moved);
      most_ = std::max(most_, frame.moved);
    }
    points_ = channels_ + static_cast<std::size_t>(most_ - least_);
    unknowns_ = channels_ + points_ + frames.size() - 1;
  }

  Result<DitheredGain> solve() {
    Eigen::VectorXd found = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(unknowns_));
    Eigen::SimplicialLDLT<Sparse> factor;
    for (int round = 0; round < 3; ++round) {  // weights by the model, from the second round on
      build(found, round > 0);
      factor.compute(normal_);
      if (factor.info() != Eigen::Success) {
        return Error{ErrorCode::refused, "dithered gain: the frames do not overlap"};
      }
      found = factor.solve(right_);
    }
    return read(found, factor);
  }

 private:
  [[nodiscard]] std::size_t spectrum_at(std::size_t c, const DitheredFrame& frame) const {
    return channels_ + c + static_cast<std::size_t>(frame.moved - least_);
  }

  void build(const Eigen::VectorXd& now, bool by_model) {
    std::vector<Eigen::Triplet<double>> entries;
    right_ = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(unknowns_));
    for (std::size_t i = 0; i < unknowns_; ++i) {
      const double prior = i < channels_ ? kPrior : kLoose;
      add(entries, i, i, 1 / (prior * prior));
    }
    chi2_ = 0;
    used_ = 0;
    for (std::size_t k = 0; k < frames_.size(); ++k) {
      for (std::size_t c = 0; c < channels_; ++c) take(entries, now, by_model, k, c);
    }
    normal_.resize(static_cast<Eigen::Index>(unknowns_), static_cast<Eigen::Index>(unknowns_));
    normal_.setFromTriplets(entries.begin(), entries.end());
  }

  void take(std::vector<Eigen::Triplet<double>>& entries, const Eigen::VectorXd& now, bool by_model,
            std::size_t k, std::size_t c) {
    const DitheredFrame& frame = frames_[k];
    const double counts = frame.counts[c];
    const double variance = noise_ * std::max(0.0, counts) + dark_variance_;
    if (!(counts > kClear * std::sqrt(variance))) return;
    std::size_t at[3] = {c, spectrum_at(c, frame), channels_ + points_ + k - 1};
    const std::size_t n = k == 0 ? 2 : 3;
    double fitted = 0;
    for (std::size_t i = 0; i < n; ++i) fitted += now[static_cast<Eigen::Index>(at[i])];
    const double expected = by_model ? std::exp(fitted) : counts;
    const double weight = expected * expected / (noise_ * expected + dark_variance_);
    // ln counts lies low by half its relative variance (second-order term of the logarithm).
    const double log_counts = std::log(counts) + 0.5 / weight;
    for (std::size_t i = 0; i < n; ++i) {
      right_[static_cast<Eigen::Index>(at[i])] += weight * log_counts;
      for (std::size_t j = 0; j < n; ++j) add(entries, at[i], at[j], weight);
    }
    chi2_ += weight * (log_counts - fitted) * (log_counts - fitted);
    ++used_;
  }

  static void add(std::vector<Eigen::Triplet<double>>& entries, std::size_t i, std::size_t j,
                  double value) {
    entries.emplace_back(static_cast<int>(i), static_cast<int>(j), value);
  }

  Result<DitheredGain> read(const Eigen::VectorXd& found,
                            const Eigen::SimplicialLDLT<Sparse>& factor) {
    build(found, true);  // for chi2 of the last round
    const double n = static_cast<double>(channels_);
    const double middle = 0.5 * (n - 1);
    double mean = 0;
    double slope = 0;
    double squares = 0;
    for (std::size_t c = 0; c < channels_; ++c) {
      const double x = static_cast<double>(c) - middle;
      mean += found[static_cast<Eigen::Index>(c)] / n;
      slope += x * found[static_cast<Eigen::Index>(c)];
      squares += x * x;
    }
    slope /= squares;
    DitheredGain made;
    Eigen::VectorXd unit = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(unknowns_));
    for (std::size_t c = 0; c < channels_; ++c) {
      const auto at = static_cast<Eigen::Index>(c);
      const double x = static_cast<double>(c) - middle;
      made.response.push_back(std::exp(found[at] - mean - slope * x));
      unit[at] = 1;
      // Variance of ln g(c) once mean and slope are taken off all of them.
      Eigen::VectorXd functional = unit;
      for (std::size_t i = 0; i < channels_; ++i) {
        functional[static_cast<Eigen::Index>(i)] -=
            1 / n + x * (static_cast<double>(i) - middle) / squares;
      }
      const double variance = functional.dot(factor.solve(functional));
      made.sigma.push_back(made.response.back() * std::sqrt(std::max(0.0, variance)));
      unit[at] = 0;
    }
    for (std::size_t j = 0; j < points_; ++j) {
      const double x = static_cast<double>(j) + least_ - middle;
      made.spectrum.push_back(
          std::exp(found[static_cast<Eigen::Index>(channels_ + j)] + mean + slope * x));
    }
    made.chi2 = chi2_;
    made.freedom = used_ > unknowns_ ? used_ - unknowns_ : 0;
    return made;
  }

  const std::vector<DitheredFrame>& frames_;
  double noise_, dark_variance_;
  std::size_t channels_, points_, unknowns_;
  int least_, most_;
  Sparse normal_;
  Eigen::VectorXd right_;
  double chi2_ = 0;
  std::size_t used_ = 0;
};

}  // namespace

Result<DitheredGain> dithered_gain(const std::vector<DitheredFrame>& frames, double noise,
                                   double dark_variance) {
  std::set<int> places;
  for (const DitheredFrame& frame : frames) places.insert(frame.moved);
  if (places.size() < 3) {
    return Error{ErrorCode::refused,
                 "dithered gain needs the spectrum at three places at least; there are " +
                     std::to_string(places.size())};
  }
  return Joint(frames, noise, dark_variance).solve();
}

}  // namespace creel::calibration
