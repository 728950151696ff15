// Alignment of a grid with the stage, and the tail of the beam, against closed forms.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>

#include "daemon/grids/alignment.h"
#include "daemon/grids/beam_profile.h"

namespace creel {
namespace {

using testing::HasSubstr;

std::vector<MapPair> pairs_of(const Alignment& truth, const std::vector<MapPoint>& points) {
  std::vector<MapPair> pairs;
  pairs.reserve(points.size());
  for (const MapPoint& point : points) {
    pairs.push_back({point, truth.to_stage(point)});
  }
  return pairs;
}

// By hand: (1, 0) turned by 90 degrees anticlockwise is (0, 1); mirrored first it is (-1, 0), and
// turned (0, -1).
TEST(Alignment, TurnsMirrorsAndShiftsAsItSays) {
  Alignment truth;
  truth.rotation_deg = 90;
  truth.shift = {10, 20};
  EXPECT_NEAR(truth.to_stage({1, 0}).x_um, 10, 1e-12);
  EXPECT_NEAR(truth.to_stage({1, 0}).y_um, 21, 1e-12);
  truth.flipped = true;
  EXPECT_NEAR(truth.to_stage({1, 0}).y_um, 19, 1e-12);
  EXPECT_NEAR(truth.to_stage({0, 1}).x_um, 9, 1e-12);
  const MapPoint back = truth.to_grid(truth.to_stage({-212.5, 87}));
  EXPECT_NEAR(back.x_um, -212.5, 1e-9);
  EXPECT_NEAR(back.y_um, 87, 1e-9);
}

TEST(Alignment, ExactPointsGiveItBackFlippedOrNot) {
  std::mt19937_64 random(1);
  std::uniform_real_distribution<double> anywhere(-800, 800);
  for (int i = 0; i < 200; ++i) {
    Alignment truth;
    truth.rotation_deg = anywhere(random) / 5;
    truth.flipped = i % 2 == 0;
    truth.shift = {anywhere(random), anywhere(random)};
    const std::vector<MapPoint> points{{anywhere(random), anywhere(random)},
                                       {anywhere(random), anywhere(random)},
                                       {anywhere(random), anywhere(random)}};
    const auto found = align(pairs_of(truth, points), std::nullopt);
    ASSERT_TRUE(found.ok()) << found.error().text;
    EXPECT_EQ(found->flipped, truth.flipped);
    EXPECT_NEAR(found->rotation_deg, truth.rotation_deg, 1e-7);
    EXPECT_NEAR(found->shift.x_um, truth.shift.x_um, 1e-6);
    EXPECT_NEAR(found->shift.y_um, truth.shift.y_um, 1e-6);
    EXPECT_NEAR(found->residual_um, 0, 1e-6);
    EXPECT_NEAR(found->scale, 1, 1e-9);
  }
}

// The residual is an unbiased measure of how well points were placed: with errors of sigma in each
// stage coordinate its square has the mean sigma^2 (2 n coordinates, 3 fitted).
TEST(Alignment, TheResidualIsHowWellPointsWerePlaced) {
  std::mt19937_64 random(2);
  std::normal_distribution<double> error(0, 0.5);
  double squares = 0;
  constexpr int kTimes = 2000;
  for (int i = 0; i < kTimes; ++i) {
    Alignment truth;
    truth.rotation_deg = 37;
    truth.flipped = true;
    auto pairs = pairs_of(truth, {{0, 0}, {300, 0}, {0, 300}, {250, 280}});
    for (MapPair& pair : pairs) {
      pair.stage.x_um += error(random);
      pair.stage.y_um += error(random);
    }
    const auto found = align(pairs, std::nullopt);
    ASSERT_TRUE(found.ok());
    squares += found->residual_um * found->residual_um / kTimes;
  }
  // Relative error of a mean of 2000 chi-square/5 values: sqrt(2/5/2000) = 1.4 %; four times that.
  EXPECT_NEAR(squares, 0.25, 0.25 * 0.057);
}

// No rotation near the one found leaves less: it is the least of the squares.
TEST(Alignment, ItIsTheLeast) {
  const std::vector<MapPair> pairs{{{0, 0}, {1, 2}}, {{10, 0}, {10, 6}}, {{0, 7}, {-2, 9}}};
  const auto squares_at = [&pairs](const Alignment& tried) {
    double sum = 0;
    for (const MapPair& pair : pairs) {
      sum += std::pow(distance_um(tried.to_stage(pair.grid), pair.stage), 2);
    }
    return sum;
  };
  const auto found = align(pairs, false);
  ASSERT_TRUE(found.ok());
  for (const double turn : {-0.1, 0.0, 0.1}) {
    for (const double x : {-0.02, 0.0, 0.02}) {
      for (const double y : {-0.02, 0.0, 0.02}) {
        Alignment tried = *found;
        tried.rotation_deg += turn;
        tried.shift = {tried.shift.x_um + x, tried.shift.y_um + y};
        EXPECT_GE(squares_at(tried), squares_at(*found) - 1e-12);
      }
    }
  }
}

TEST(Alignment, WhatCannotBeToldIsRefused) {
  const std::vector<MapPair> two{{{0, 0}, {5, 5}}, {{10, 0}, {15, 5}}};
  EXPECT_EQ(align({two[0]}, false).error().code, ErrorCode::invalid_request);
  EXPECT_THAT(align(two, std::nullopt).error().text, HasSubstr("third point"));
  EXPECT_TRUE(align(two, true).ok());
  const std::vector<MapPair> line{two[0], two[1], {{20, 0}, {25, 5}}};
  EXPECT_EQ(align(line, std::nullopt).error().code, ErrorCode::refused);
  EXPECT_EQ(align({two[0], two[0]}, false).error().code, ErrorCode::invalid_request);
  EXPECT_EQ(align({two[0], {{1, 2}, {std::nan(""), 0}}}, false).error().code,
            ErrorCode::invalid_request);
}

// Two equal circles whose centres are one radius apart share 2/3 - sqrt(3)/(2 pi) = 0.391002 of
// each (E. W. Weisstein, Circle-Circle Intersection, MathWorld).
TEST(BeamProfile, AFlatDiscGivesWhatTheCirclesShare) {
  EXPECT_NEAR(part_of_dose(BeamShape::flat, 1000, 0), 1, 1e-12);
  EXPECT_NEAR(part_of_dose(BeamShape::flat, 1000, 500),
              2.0 / 3 - std::sqrt(3.0) / (2 * std::numbers::pi), 1e-12);
  EXPECT_EQ(part_of_dose(BeamShape::flat, 1000, 1000), 0);
  EXPECT_EQ(part_of_dose(BeamShape::flat, 1000, 2500), 0);
}

// In closed form: over the disc under the beam the mean of exp(-4 ln 2 r^2), r <= 1/2, is
// (1 - 1/2) / ln 2. Over a disc at distance d it is 8 int_0^1/2 exp(-k (r^2 + d^2)) I0(2 k r d) r
// dr (angular integral of exp(a cos phi): M. Abramowitz, I. A. Stegun, 9.6.16), here by Simpson's
// rule.
TEST(BeamProfile, AGaussianGivesItsMeanOverTheNeighboursDisc) {
  const double k = 4 * std::numbers::ln2;
  const double own = 0.5 / std::numbers::ln2;
  for (const double d : {0.0, 0.3, 1.0, 1.7, 2.5}) {
    constexpr int kSteps = 2000;
    double sum = 0;
    for (int i = 0; i <= kSteps; ++i) {
      const double r = 0.5 * i / kSteps;
      const double weight = i == 0 || i == kSteps ? 1 : (i % 2 == 1 ? 4 : 2);
      sum += weight * std::exp(-k * (r * r + d * d)) * std::cyl_bessel_i(0.0, 2 * k * r * d) * r;
    }
    const double mean = 8 * sum * 0.5 / kSteps / 3;
    EXPECT_NEAR(part_of_dose(BeamShape::gaussian, 800, 800 * d) / (mean / own), 1, 2e-4) << d;
  }
  EXPECT_NEAR(part_of_dose(BeamShape::gaussian, 800, 0), 1, 1e-12);
}

}  // namespace
}  // namespace creel
