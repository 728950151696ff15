// What single frames say: values that are known by construction, and sigmas that are honest.
#include "daemon/analysis/running_measures.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "tests/spectra/made_up.h"

namespace creel::analysis {
namespace {

RunningMeasures::Setup setup() {
  RunningMeasures::Setup made;
  made.spectra = MadeUpSession::setup();
  made.counts_per_electron = 1;
  made.elements = {"Fe"};
  made.metal = "Fe";
  return made;
}

std::vector<FrameMeasures> measured(const MadeUp& what,
                                    const RunningMeasures::Setup& of = setup()) {
  RunningMeasures running(of);
  std::vector<FrameMeasures> all;
  MadeUpSession(what).each_frame([&](const FrameInfo& info, std::span<const std::byte> bytes) {
    auto found = running.add(info, bytes);
    ASSERT_TRUE(found.ok()) << found.error().text;
    all.insert(all.end(), found->begin(), found->end());
  });
  return all;
}

std::vector<Measure> values(const std::vector<FrameMeasures>& all, MeasureKind kind,
                            ExposureKind of) {
  std::vector<Measure> found;
  for (const FrameMeasures& one : all) {
    if (const auto measure = one.find(kind); measure && one.kind == of) {
      found.push_back(*measure);
    }
  }
  return found;
}

/// Weighted mean, and the variance of the deviations over their own sigmas.
struct Pulls {
  double mean = 0, error = 0, variance = 0;
};
Pulls pulls(const std::vector<Measure>& measures) {
  double sum = 0;
  double weights = 0;
  for (const Measure& one : measures) {
    sum += one.value / (one.sigma * one.sigma);
    weights += 1 / (one.sigma * one.sigma);
  }
  Pulls made{sum / weights, 1 / std::sqrt(weights), 0};
  for (const Measure& one : measures) {
    made.variance +=
        std::pow((one.value - made.mean) / one.sigma, 2) / static_cast<double>(measures.size() - 1);
  }
  return made;
}

/// Of a variance of 60 pulls: 1 +- 3 sqrt(2/59).
constexpr double kSpread = 0.55;

TEST(RunningMeasures, ZeroLossFramesTellPositionWidthThicknessAndRate) {
  MadeUp what;
  what.exposures = 590;  // 60 references
  what.thickness = 0.5;
  RunningMeasures::Setup of = setup();
  of.metal = "";
  const auto all = measured(what, of);
  const auto of_kind = [&](MeasureKind kind) { return values(all, kind, ExposureKind::zero_loss); };
  const Pulls position = pulls(of_kind(MeasureKind::zero_loss_ev));
  EXPECT_NEAR(position.mean, 0, 4 * position.error);
  EXPECT_NEAR(position.variance, 1, kSpread);
  const Pulls width = pulls(of_kind(MeasureKind::zero_loss_fwhm_ev));
  EXPECT_NEAR(width.mean, 0.35 * 2.3548, 0.01 * 0.82);
  EXPECT_NEAR(width.variance, 1, kSpread);
  const Pulls thick = pulls(of_kind(MeasureKind::t_over_lambda));
  EXPECT_NEAR(thick.mean, 0.5, 0.005);
  EXPECT_NEAR(thick.variance, 1, kSpread);
  const Pulls rate = pulls(of_kind(MeasureKind::rate));
  EXPECT_NEAR(rate.mean, 1e5 / 0.02, 0.001 * 1e5 / 0.02);
  EXPECT_NEAR(rate.variance, 1, kSpread);
}

TEST(RunningMeasures, DriftShowsInThePositionAndNotInTheThickness) {
  MadeUp what;
  what.exposures = 90;
  what.thickness = 0.5;
  what.drift_per_s = 0.02;
  const auto all = measured(what);
  const auto positions = values(all, MeasureKind::zero_loss_ev, ExposureKind::zero_loss);
  ASSERT_EQ(positions.size(), 10U);
  EXPECT_NEAR(positions.front().value, 100 * 0.02, 0.01);
  EXPECT_NEAR(positions.back().value - positions.front().value, 0.02 * 99, 0.02);
  const Pulls thick = pulls(values(all, MeasureKind::t_over_lambda, ExposureKind::zero_loss));
  EXPECT_NEAR(thick.mean, 0.5, 0.005);
  EXPECT_LT(thick.variance, 3);
}

TEST(RunningMeasures, SlicesTellL3PositionAndRatioAndHowTheyMoveWithDose) {
  MadeUp what;
  what.exposures = 120;
  what.thickness = 0.3;
  what.x = 0.9;
  what.k = 0.05;  // at 0.25 e/A^2 an exposure: the last slice has x = 0.9 exp(-1.44)
  const auto all = measured(what);
  const auto positions = values(all, MeasureKind::l3_ev, ExposureKind::specimen);
  const auto ratios = values(all, MeasureKind::white_line_ratio, ExposureKind::specimen);
  ASSERT_EQ(positions.size(), 12U);
  ASSERT_EQ(ratios.size(), 12U);
  // Lines at 707.5 and 709.5 eV, as high one as the other: the centroid is their mean, weighted by
  // x.
  EXPECT_NEAR(positions.front().value - positions.back().value,
              2 * 0.9 * (std::exp(-0.05 * 1.25) - std::exp(-0.05 * 28.75)), 0.15);
  EXPECT_GT(ratios.front().value, ratios.back().value);  // 5:1 goes to 4:1
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (all[i].find(MeasureKind::l3_ev)) {
      EXPECT_EQ(all[i].frames, 10U);
      EXPECT_GT(all[i].dose, 0);
    }
  }
  EXPECT_EQ(values(all, MeasureKind::l3_ev, ExposureKind::zero_loss).size(), 0U);
}

TEST(RunningMeasures, SigmaOfASliceIsItsScatter) {
  MadeUp what;
  what.exposures = 400;
  const auto all = measured(what);
  const auto positions = values(all, MeasureKind::l3_ev, ExposureKind::specimen);
  ASSERT_EQ(positions.size(), 40U);
  EXPECT_NEAR(pulls(positions).variance, 1, 3 * std::sqrt(2.0 / 39) + 0.1);
  EXPECT_NEAR(pulls(values(all, MeasureKind::white_line_ratio, ExposureKind::specimen)).variance, 1,
              3 * std::sqrt(2.0 / 39) + 0.1);
}

TEST(RunningMeasures, OxygenOverCarbonIsThatOfTheEdges) {
  // A power law and two steps whose counts above it are known.
  constexpr std::size_t kChannels = 1024;
  RunningMeasures::Setup of;
  of.spectra.shape = {1, kChannels, session::Pixel::f32};
  of.spectra.dispersion_ev = 0.5;
  of.elements = {"C", "O"};
  RunningMeasures running(of);
  std::mt19937 random(3);
  std::normal_distribution<double> normal;
  FrameInfo info;
  info.exposure_set_ns = 1'000'000'000;
  info.first_ev = 200;
  std::vector<Measure> found;
  for (int i = 0; i < 70; ++i) {
    info.kind = i < 8 ? ExposureKind::dark : ExposureKind::specimen;
    std::vector<float> counts(kChannels, 100.0F);
    for (std::size_t c = 0; c < kChannels && i >= 8; ++c) {
      const double ev = 200.25 + 0.5 * static_cast<double>(c);
      double mean = 4000 * std::pow(ev / 250, -3);
      mean += ev > 284 && ev < 340 ? 600 : ev > 532 && ev < 590 ? 150 : 0;
      counts[c] += static_cast<float>(mean + std::sqrt(mean) * normal(random));
    }
    const auto made = running.add(info, std::as_bytes(std::span(counts)));
    ASSERT_TRUE(made.ok());
    for (const FrameMeasures& one : *made) {
      if (const auto ratio = one.find(MeasureKind::oxygen_carbon); ratio && i > 9) {
        found.push_back(*ratio);
      }
    }
  }
  ASSERT_GE(found.size(), 55U);
  const Pulls ratio = pulls(found);
  EXPECT_NEAR(ratio.mean, 0.25, 0.006);
  EXPECT_NEAR(ratio.variance, 1, kSpread);
}

TEST(RunningMeasures, SaysNothingOfFramesThatItCannotUse) {
  RunningMeasures running(setup());
  MadeUpSession session{MadeUp{}};
  FrameInfo info = MadeUpSession::info(ExposureKind::specimen);
  const auto frame = session.frame(info, 0);
  const auto said = [&](const FrameInfo& of) {
    auto made = running.add(of, std::as_bytes(std::span(frame)));
    EXPECT_TRUE(made.ok());
    return made.ok() ? made->size() : 99;
  };
  EXPECT_EQ(said(info), 0U) << "no dark of its exposure time yet";
  const auto dark = session.dark();
  ASSERT_TRUE(
      running.add(MadeUpSession::info(ExposureKind::dark), std::as_bytes(std::span(dark))).ok());
  EXPECT_EQ(said(info), 1U);
  for (const std::uint32_t flag :
       {session::kBroken, session::kTouchedByHold, session::kSaturated}) {
    info.flags = flag;
    EXPECT_EQ(said(info), 0U);
  }
  EXPECT_FALSE(running.add(info, std::as_bytes(std::span(frame).first(3))).ok());
}

}  // namespace
}  // namespace creel::analysis
