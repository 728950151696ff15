#include "daemon/guards/change_test.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <optional>
#include <random>

namespace creel {
namespace {

// D. C. Montgomery, Introduction to Statistical Quality Control, table of average run lengths of
// the two-sided CUSUM with k = 1/2 (from memory): shift 0: 168 (h = 4), 465 (h = 5); shift
// 1: 8.38, 10.4; shift 2: 3.34, 4.01. Siegmund's approximation is good to some per cent.
TEST(Cusum, RunLengthsAreThoseOfTheTable) {
  EXPECT_NEAR(cusum_run_length(0.5, 4) / 2, 168, 0.02 * 168);
  EXPECT_NEAR(cusum_run_length(0.5, 5) / 2, 465, 0.02 * 465);
  EXPECT_NEAR(cusum_run_length(0.5, 4, 1), 8.38, 0.03 * 8.38);
  EXPECT_NEAR(cusum_run_length(0.5, 5, 1), 10.4, 0.03 * 10.4);
  EXPECT_NEAR(cusum_run_length(0.5, 4, 2), 3.34, 0.05 * 3.34);
  EXPECT_NEAR(cusum_run_length(0.5, 5, 2), 4.01, 0.05 * 4.01);
}

TEST(Cusum, RunLengthIsSteadyWhereTheShiftEqualsTheReference) {
  const double at = cusum_run_length(0.5, 5, 0.5);
  EXPECT_NEAR(cusum_run_length(0.5, 5, 0.5 + 1e-4), at, 2e-3 * at);
  EXPECT_NEAR(at, 6.166 * 6.166, 1e-9);
}

TEST(Cusum, ThresholdGivesTheProbabilityItWasAskedFor) {
  for (const double probability : {0.001, 0.05, 0.3}) {
    for (const std::uint64_t values : {10U, 300U, 100000U}) {
      const double h = cusum_threshold(0.5, values, probability);
      const double expected = 2 * static_cast<double>(values) / cusum_run_length(0.5, h);
      EXPECT_NEAR(1 - std::exp(-expected), probability, 1e-6 * probability);
    }
  }
}

TEST(Trend, ThresholdGivesTheProbabilityOfTheFormula) {
  const double b = trend_threshold(6, 60, 0.005);
  const double phi = std::exp(-0.5 * b * b) / std::sqrt(2 * 3.14159265358979);
  EXPECT_NEAR(phi * ((b - 1 / b) * 3 * std::log(10.0) + 4 / b), 0.005, 1e-9);
}

constexpr double kNever = 1e9;

ChangeTest only_cusum(double h) {
  return ChangeTest({0.5, h, kNever, 5});
}

TEST(ChangeTest, MeanAndSpreadDoNotMatter) {
  std::mt19937 random(5);
  std::normal_distribution<double> normal;
  ChangeTest plain({0.5, kNever, kNever, 5});
  ChangeTest scaled({0.5, kNever, kNever, 5});
  for (int i = 0; i < 60; ++i) {
    const double value = normal(random);
    plain.add(value, 1, i);
    scaled.add(709.2 - 0.03 * value, 0.03, i);
    EXPECT_NEAR(plain.cusum(), scaled.cusum(), 1e-6);
    EXPECT_NEAR(plain.trend(), -scaled.trend(), 1e-6);
  }
}

/// Mean values until it rings, of values that do not change. A threshold low enough to ring often.
// Longer than that of a known mean: the standard deviation is never taken for smaller than counting
// says, and often for larger, and a value counts for no more than 3.
TEST(ChangeTest, RunLengthOfTheCusumIsNotShorterThanThatOfKnownMeanAndSpread) {
  std::mt19937 random(11);
  std::normal_distribution<double> normal;
  constexpr int kRuns = 3000;
  double sum = 0;
  double squares = 0;
  for (int run = 0; run < kRuns; ++run) {
    ChangeTest test = only_cusum(4);
    double length = -4;  // the first five are learnt from
    while (!test.add(normal(random), 1, 0)) {
      ++length;
    }
    sum += length;
    squares += length * length;
  }
  const double mean = sum / kRuns;
  const double error = std::sqrt((squares / kRuns - mean * mean) / kRuns);
  std::printf("  mean run length %.1f +- %.1f; Siegmund %.1f, table 168\n", mean, error,
              cusum_run_length(0.5, 4) / 2);
  EXPECT_GT(mean, 168 - 3 * error);
  EXPECT_LT(mean, 1.6 * 168);
}

TEST(ChangeTest, DelayOfTheCusumIsThatOfTheTableOnceMuchIsLearnt) {
  std::mt19937 random(13);
  std::normal_distribution<double> normal;
  constexpr int kRuns = 1500;
  double sum = 0;
  int rung = 0;
  for (int run = 0; run < kRuns; ++run) {
    ChangeTest test = only_cusum(15);  // rings by chance once in ten million values
    for (int i = 0; i < 400; ++i) {
      ASSERT_FALSE(test.add(normal(random), 1, i));
    }
    for (int i = 1; i <= 200; ++i) {
      if (test.add(1.5 + normal(random), 1, 400 + i)) {
        sum += i;
        ++rung;
        break;
      }
    }
  }
  // From a statistic that is not zero when the change comes, so somewhat sooner than from zero.
  EXPECT_EQ(rung, kRuns);
  EXPECT_NEAR(sum / rung, cusum_run_length(0.5, 15, 1.5), 0.12 * cusum_run_length(0.5, 15, 1.5));
}

TEST(ChangeTest, TheTrendRingsByChanceNotMoreOftenThanStated) {
  std::mt19937 random(17);
  std::normal_distribution<double> normal;
  constexpr int kRuns = 4000;
  for (const int values : {12, 120}) {
    const double b = trend_threshold(6, static_cast<std::uint64_t>(values), 0.05);
    int rung = 0;
    for (int run = 0; run < kRuns; ++run) {
      ChangeTest test({0.5, kNever, b, 5});
      bool rang = false;
      for (int i = 0; i < values && !rang; ++i) {
        rang = test.add(normal(random), 1, 0.2 * i).has_value();
      }
      rung += rang ? 1 : 0;
    }
    std::printf("  %d values: stated 0.050, measured %.4f\n", values,
                static_cast<double>(rung) / kRuns);
    EXPECT_LE(rung, 0.05 * kRuns + 2 * std::sqrt(0.05 * 0.95 * kRuns));
    EXPECT_GT(rung, 0.005 * kRuns);
  }
}

TEST(ChangeTest, TheTrendSaysSinceWhenAndWhichWay) {
  std::mt19937 random(19);
  std::normal_distribution<double> normal;
  ChangeTest test({0.5, kNever, 4, 5});
  std::optional<ChangeTest::Alarm> alarm;
  for (int i = 0; i < 60 && !alarm; ++i) {
    alarm = test.add(5 - 0.02 * i + 0.1 * normal(random), 0.1, 1 + 0.1 * i);
  }
  ASSERT_TRUE(alarm);
  EXPECT_TRUE(alarm->by_trend);
  EXPECT_FALSE(alarm->rising);
  EXPECT_EQ(alarm->since, 1);
  EXPECT_GE(alarm->statistic, 4);
}

}  // namespace
}  // namespace creel
