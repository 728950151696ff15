// Whole nights on a seeded clock. A failing night prints its seed; `nights --seeds A-B` replays any
// range.

#include <gtest/gtest.h>

#include <cstdlib>
#include <iostream>
#include <string>

#include "tests/nights/night.h"

namespace creel::nights {
namespace {

#ifdef CREEL_SANITIZED
constexpr std::uint64_t kNights = 60, kStride = 11;
#else
constexpr std::uint64_t kNights = 2000, kStride = 1;
#endif

TEST(Nights, ANightWithoutTroubleEndsCompleteAndCharged) {
  NightPlan plan;
  plan.seed = 4;
  const NightReport report = run_night(plan);
  EXPECT_EQ(report.failure, "");
  EXPECT_EQ(report.ending, "complete");
  EXPECT_EQ(report.frames, report.acknowledged);
  EXPECT_GT(report.true_dose,
            8.0);  // 8 specimen exposures of 2 s and 2 references of 0.5 s at 0.5 e/A^2/s
  EXPECT_NEAR(report.ledger_dose, report.true_dose, 0.02 * report.true_dose);
}

TEST(Nights, TheDoseGuardEndsASeriesBeforeItsLimit) {
  NightPlan plan;
  plan.seed = 3;  // limit 9 e/A^2, the series wants 8.5 and its bounds more
  const NightReport report = run_night(plan);
  EXPECT_EQ(report.failure, "");
  EXPECT_EQ(report.ending, "dose");
  EXPECT_LE(report.true_dose, 9.0);
}

enum class Cycle : std::uint8_t { detector, shutter, stream };
class KilledAt : public testing::TestWithParam<Cycle> {};

// The kill moves one step later until the night is over: every step of every cycle is met.
TEST_P(KilledAt, EveryStepLosesNoAcknowledgedFrameAndNoDose) {
  NightPlan plan;
  plan.seed = 2;
  plan.shutter_gating = GetParam() == Cycle::shutter;
  plan.stream_frames = GetParam() == Cycle::stream ? 8 : 1;
  const std::uint64_t steps = run_night(plan).first_life_steps;
  ASSERT_GT(steps, 100U);
  for (std::uint64_t kill = 1; kill < steps;
       kill += (GetParam() == Cycle::detector ? 2 : 3) * kStride) {
    NightPlan killed = plan;
    killed.kills = {kill};
    killed.power_cuts = kill % 4 >= 2;
    const NightReport report = run_night(killed);
    ASSERT_EQ(report.failure, "");
    ASSERT_EQ(report.ending, "complete") << "killed at step " << kill;
  }
}
INSTANTIATE_TEST_SUITE_P(Cycles, KilledAt,
                         testing::Values(Cycle::detector, Cycle::shutter, Cycle::stream));

// Frames are in the ring, and the disk takes none for longer than one waits for a frame.
TEST(Nights, AStreamWaitsForADiskThatStalls) {
  NightPlan plan;
  plan.seed = 4;
  plan.stream_frames = 8;
  const std::uint64_t steps = run_night(plan).first_life_steps;
  for (std::uint64_t at = steps / 8; at < steps; at += steps / 12) {
    plan.disk = {{DiskTrouble::What::stall, at, 25}};
    const NightReport report = run_night(plan);
    ASSERT_EQ(report.failure, "");
    EXPECT_EQ(report.ending, "complete") << "stalled at step " << at;
    EXPECT_EQ(report.holds, 0U) << "stalled at step " << at;
    EXPECT_LE(report.true_dose, 8.7) << "an exposure was given twice";
  }
}

TEST(Nights, SeededNightsHoldTheirInvariants) {
  const char* asked = std::getenv("CREEL_NIGHTS");
  const char* from = std::getenv("CREEL_NIGHTS_FROM");
  const std::uint64_t nights = asked != nullptr ? std::stoull(asked) : kNights;
  const std::uint64_t first = from != nullptr ? std::stoull(from) : 1;
  std::uint64_t kills = 0;
  std::uint64_t faults = 0;
  std::uint64_t disk = 0;
  std::uint64_t holds = 0;
  for (std::uint64_t seed = first; seed < first + nights; ++seed) {
    const NightReport report = run_night(plan_for_seed(seed));
    ASSERT_EQ(report.failure, "");
    kills += report.kills;
    faults += report.faults;
    disk += report.disk_troubles;
    holds += report.holds;
  }
  std::cout << nights << " nights, " << kills << " kills or power cuts, " << faults
            << " faults of devices, " << disk << " of the disk, " << holds << " holds\n";
  if (nights >= 50) {  // otherwise nothing was tried
    EXPECT_GT(kills, nights / 4);
    EXPECT_GT(faults, nights / 4);
  }
}

TEST(Nights, TheSameSeedIsTheSameNight) {
  const NightPlan plan = plan_for_seed(11);
  const NightReport a = run_night(plan);
  const NightReport b = run_night(plan);
  EXPECT_EQ(a.steps, b.steps);
  EXPECT_EQ(a.frames, b.frames);
  EXPECT_EQ(a.ledger_dose, b.ledger_dose);
  EXPECT_EQ(a.faults, b.faults);
}

// The canaries: what is broken on purpose must be seen, at the same step every time.
class Canary : public testing::TestWithParam<Sabotage> {};

TEST_P(Canary, ASabotagedDaemonIsCaughtAndItsSeedReplays) {
  NightPlan plan;
  plan.seed = 4;
  plan.sabotage = GetParam();
  const std::string first = run_night(plan).failure;
  EXPECT_NE(first, "");
  EXPECT_EQ(run_night(plan).failure, first);
}
INSTANTIATE_TEST_SUITE_P(Sabotages, Canary,
                         testing::Values(Sabotage::intents_not_written, Sabotage::charges_halved));

}  // namespace
}  // namespace creel::nights
