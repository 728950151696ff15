// The order of exposures against lists written by hand.

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "protocol/series/series.h"

namespace creel {
namespace {

/// One letter an exposure: s(pecimen), d(ark), g(ain), z(ero loss), b(ackground).
std::string letters(const Series& series) {
  const Plan plan(series);
  std::string text;
  for (std::uint64_t i = 0; i < plan.size(); ++i) {
    const PlannedExposure planned = plan.at(i);
    EXPECT_EQ(planned.index, i);
    text += "sdgzb"[static_cast<int>(planned.kind)];
  }
  return text;
}

Block block_of(ExposureKind kind, std::uint32_t count, std::int64_t exposure_s = 1) {
  Block block;
  block.kind = kind;
  block.count = count;
  block.exposure = seconds(exposure_s);
  if (kind != ExposureKind::dark) block.area = "a";
  return block;
}

Interleave interleave_of(ExposureKind kind, std::uint32_t every, std::uint32_t count = 1) {
  return {kind, every, count, milliseconds(100)};
}

TEST(Plan, BlocksFollowOneAnother) {
  Series series;
  series.blocks = {block_of(ExposureKind::dark, 2), block_of(ExposureKind::specimen, 3),
                   block_of(ExposureKind::background, 1)};
  EXPECT_EQ(letters(series), "ddsssb");
  const Plan plan(series);
  EXPECT_EQ(plan.at(0).block, 0U);
  EXPECT_EQ(plan.at(2).block, 1U);
  EXPECT_EQ(plan.at(4).block, 1U);
  EXPECT_EQ(plan.at(5).block, 2U);
}

TEST(Plan, AnInterleaveStandsBeforeTheFirstAndBeforeEveryNthExposure) {
  Series series;
  Block block = block_of(ExposureKind::specimen, 5);
  block.interleave = {interleave_of(ExposureKind::dark, 2)};
  series.blocks = {block};
  EXPECT_EQ(letters(series), "dssdssds");
  series.blocks[0].interleave[0].every = 1;
  EXPECT_EQ(letters(series), "dsdsdsdsds");
  series.blocks[0].interleave[0].every = 5;
  EXPECT_EQ(letters(series), "dsssss");
  series.blocks[0].interleave[0] = interleave_of(ExposureKind::dark, 3, 2);
  EXPECT_EQ(letters(series), "ddsssddss");
}

TEST(Plan, SeveralInterleavesStandInTheirOwnOrder) {
  Series series;
  Block block = block_of(ExposureKind::specimen, 6);
  block.interleave = {interleave_of(ExposureKind::zero_loss, 3, 2),
                      interleave_of(ExposureKind::dark, 2)};
  series.blocks = {block};
  // before 0: zz d; before 2: d; before 3: zz; before 4: d
  EXPECT_EQ(letters(series), "zzdssdszzsdss");
}

TEST(Plan, EachValueOfVaryGetsTheWholeCountAndItsInterleavesAgain) {
  Series series;
  Block block = block_of(ExposureKind::specimen, 3);
  block.interleave = {interleave_of(ExposureKind::dark, 2)};
  block.vary = Vary{"delay_line", "delay_ps", {-1, 0, 5}};
  series.blocks = {block_of(ExposureKind::dark, 1), block, block_of(ExposureKind::dark, 1)};
  EXPECT_EQ(letters(series),
            "d"
            "dssds"
            "dssds"
            "dssds"
            "d");
  const Plan plan(series);
  EXPECT_FALSE(plan.at(0).vary_value.has_value());
  for (std::uint64_t i = 1; i <= 15; ++i) {
    const double expected = i <= 5 ? -1 : i <= 10 ? 0 : 5;
    EXPECT_EQ(plan.at(i).vary_value, expected) << i;
  }
  EXPECT_FALSE(plan.at(16).vary_value.has_value());
}

TEST(Plan, AnExposureHasItsOwnTimePlaceAndArea) {
  Series series;
  Block block = block_of(ExposureKind::specimen, 2, 10);
  block.interleave = {interleave_of(ExposureKind::dark, 1),
                      interleave_of(ExposureKind::zero_loss, 2)};
  Block reference = block_of(ExposureKind::zero_loss, 1, 3);
  reference.where = Where::vacuum;
  reference.area = "";
  series.blocks = {block, reference};
  ASSERT_EQ(letters(series), "dzsdsz");
  const Plan plan(series);
  const auto check = [&](std::uint64_t i, bool gives_dose, const char* area, Duration exposure) {
    EXPECT_EQ(plan.at(i).gives_dose(), gives_dose) << i;
    EXPECT_EQ(plan.at(i).area, area) << i;
    EXPECT_EQ(plan.at(i).exposure, exposure) << i;
  };
  check(0, false, "", milliseconds(100));  // a dark between gives no dose
  check(1, true, "a", milliseconds(100));  // a reference through the specimen does
  check(2, true, "a", seconds(10));
  check(3, false, "", milliseconds(100));
  check(4, true, "a", seconds(10));
  check(5, false, "", seconds(3));  // in vacuum
  EXPECT_EQ(plan.at(5).where, Where::vacuum);
}

/// The plan written out one after another, as series.h describes it.
std::vector<ExposureKind> written_out(const Series& series) {
  std::vector<ExposureKind> list;
  for (const Block& block : series.blocks) {
    for (std::size_t value = 0; value < (block.vary ? block.vary->values.size() : 1); ++value) {
      for (std::uint32_t k = 0; k < block.count; ++k) {
        for (const Interleave& one : block.interleave) {
          if (k % one.every == 0) list.insert(list.end(), one.count, one.kind);
        }
        list.push_back(block.kind);
      }
    }
  }
  return list;
}

TEST(Plan, RandomAccessGivesTheSameAsWritingThePlanOut) {
  std::uint32_t state = 1;
  const auto draw = [&](std::uint32_t most) {
    state = state * 1664525U + 1013904223U;
    return 1 + (state >> 16U) % most;
  };
  for (int round = 0; round < 100; ++round) {
    Series series;
    for (std::uint32_t b = draw(4); b > 0; --b) {
      Block block = block_of(static_cast<ExposureKind>(draw(5) - 1), draw(12));
      for (std::uint32_t i = draw(4) - 1; i > 0; --i) {
        block.interleave.push_back(
            interleave_of(static_cast<ExposureKind>(draw(5) - 1), draw(14), draw(3)));
      }
      if (draw(2) == 1) block.vary = Vary{"d", "x", std::vector<double>(draw(4), 0.0)};
      series.blocks.push_back(block);
    }
    const std::vector<ExposureKind> expected = written_out(series);
    const Plan plan(series);
    ASSERT_EQ(plan.size(), expected.size()) << "round " << round;
    for (std::uint64_t i = 0; i < plan.size(); ++i) {
      ASSERT_EQ(plan.at(i).kind, expected[i]) << "round " << round << ", exposure " << i;
    }
  }
}

TEST(Plan, ALongSeriesIsComputedNotStored) {
  Series series;
  Block block = block_of(ExposureKind::specimen, 1'000'000);
  block.interleave = {interleave_of(ExposureKind::dark, 10),
                      interleave_of(ExposureKind::zero_loss, 1'000)};
  block.vary = Vary{"d", "x", std::vector<double>(90, 1.0)};
  series.blocks = {block};
  const Plan plan(series);
  EXPECT_EQ(plan.size(), 90U * (1'000'000 + 100'000 + 1'000));
  EXPECT_EQ(plan.at(plan.size() - 1).kind, ExposureKind::specimen);
  EXPECT_EQ(plan.at(1'101'000).kind, ExposureKind::dark);  // first of the second value
  EXPECT_EQ(plan.at(1'101'001).kind, ExposureKind::zero_loss);
}

}  // namespace
}  // namespace creel
