// Deviations over quoted errors, of many seeds: are the error bars of the calibrations honest?
//
// N numbers of N(0, 1) have a mean within 3.5/sqrt(N) with 99.95 %; (N - 1) times their variance is
// chi-square distributed, here within 3.5 standard deviations by the cube-root approximation (E. B.
// Wilson, M. M. Hilferty, Proc. Natl. Acad. Sci. 17, 684 (1931)). With some thirty such tests in
// the folder the family-wise chance of a false alarm is 3 %; seeds are fixed, so it was taken once.
#pragma once

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

namespace creel::calibration {

#ifdef CREEL_SANITIZED
constexpr int kSeeds = 8;
#else
constexpr int kSeeds = 200;
#endif

class Pulls {
 public:
  explicit Pulls(const char* name) : name_(name) {}
  void add(double found, double truth, double sigma) {
    const double pull = (found - truth) / sigma;
    n_ += 1;
    sum_ += pull;
    squares_ += pull * pull;
    relative_ += sigma / std::fabs(truth);
  }
  [[nodiscard]] double mean() const { return sum_ / n_; }
  [[nodiscard]] double variance() const { return (squares_ - sum_ * sum_ / n_) / (n_ - 1); }
  /// Expects mean 0 and variance 1.
  void expect_honest() const {
    constexpr double kZ = 3.5;
    std::printf(
        "%-24s %4.0f seeds: pull mean %+.3f +- %.3f, variance %.3f; error %.3g of the value\n",
        name_, n_, mean(), 1 / std::sqrt(n_), variance(), relative_ / n_);
    EXPECT_GE(n_, kSeeds);
    EXPECT_LT(std::fabs(mean()), kZ / std::sqrt(n_)) << name_;
    EXPECT_LT(variance(), limit(kZ)) << name_;
    EXPECT_GT(variance(), limit(-kZ)) << name_;
  }

 private:
  [[nodiscard]] double limit(double z) const {
    const double freedom = n_ - 1;
    const double root = 1 - 2 / (9 * freedom) + z * std::sqrt(2 / (9 * freedom));
    return std::pow(std::max(0.0, root), 3);
  }
  const char* name_;
  double n_ = 0, sum_ = 0, squares_ = 0, relative_ = 0;
};

}  // namespace creel::calibration
