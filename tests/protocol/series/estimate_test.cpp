#include "protocol/series/estimate.h"

#include <gtest/gtest.h>

namespace creel {
namespace {

Series series_of_one_area() {
  Series series;
  Area area;
  area.name = "a1";
  area.grid = "g7";
  series.areas = {area};
  series.beam.dose_rate = DoseRate{0.5};
  series.beam.residual = DoseRate{0.001};
  return series;
}

Block block(ExposureKind kind, double exposure_s, std::uint32_t count) {
  Block made;
  made.kind = kind;
  made.exposure = from_seconds(exposure_s);
  made.count = count;
  made.area = kind == ExposureKind::dark ? "" : "a1";
  return made;
}

/// Walks the plan, as the engine does.
Estimate by_walking(const Series& series) {
  const Plan plan(series);
  Estimate sum;
  for (std::uint64_t i = 0; i < plan.size(); ++i) {
    const PlannedExposure one = plan.at(i);
    ++sum.exposures;
    sum.exposed_s += in_seconds(one.exposure);
    if (one.gives_dose()) {
      const DoseRate rate =
          one.kind == ExposureKind::background ? *series.beam.residual : series.beam.dose_rate;
      sum.planned[series.find_area(one.area)->key()] += rate * one.exposure;
    }
  }
  return sum;
}

TEST(Estimate, IsWhatWalkingThePlanGives) {
  Series series = series_of_one_area();
  Block film = block(ExposureKind::specimen, 2, 7);
  film.interleave = {{ExposureKind::dark, 3, 2, seconds(2)},
                     {ExposureKind::zero_loss, 2, 1, milliseconds(100)}};
  film.vary = Vary{"delay", "position", {0, 1, 2}};
  series.blocks = {block(ExposureKind::dark, 2, 4), film, block(ExposureKind::background, 10, 3)};
  Block vacuum = block(ExposureKind::zero_loss, 1, 5);
  vacuum.where = Where::vacuum;
  vacuum.area = "";
  series.blocks.push_back(vacuum);
  const Estimate fast = estimate(series);
  const Estimate slow = by_walking(series);
  EXPECT_EQ(fast.exposures, slow.exposures);
  EXPECT_NEAR(fast.exposed_s, slow.exposed_s, 1e-9);
  ASSERT_EQ(fast.planned.size(), slow.planned.size());
  EXPECT_NEAR(fast.planned.at("g7/a1").value, slow.planned.at("g7/a1").value, 1e-9);
}

TEST(Estimate, IsReadyAtOnceForTheLongestPlan) {
  Series series = series_of_one_area();
  Block film = block(ExposureKind::specimen, 1, 1'000'000);
  film.vary = Vary{"delay", "position", std::vector<double>(100'000, 0.0)};
  series.blocks = {film};
  EXPECT_EQ(estimate(series).exposures, 100'000'000'000U);
}

}  // namespace
}  // namespace creel
