// Whatever fails, and wherever: no acknowledged frame is lost and nothing that is no frame is taken
// for one.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdio>
#include <limits>

#include "daemon/platform/asio_scheduler.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel::store {
namespace {

using fakes::DiskFault;
using fakes::FakeDisk;

constexpr FrameShape kShape{1, 700, Pixel::u16};      // 1400 bytes: frames and records cross pages
constexpr FrameShape kImage{1024, 1536, Pixel::u16};  // 3 MiB: written before the batch is complete
constexpr std::uint64_t kFrames = 14;
constexpr std::uint64_t kPlanned = 5;  // places in a piece
const std::string kPath = "/sessions/ink-a";

struct Outcome {
  std::uint64_t acknowledged = 0;
  std::uint64_t failures = 0;  // errors that the writer was told of
};

// Takes frames first..end-1 in batches of 1, 2, 3, 1, 2, 3 ..., each repeated after a failure as
// the daemon does, up to `patience` failures.
void take_frames(Session& session, std::uint64_t first, std::uint64_t end, Outcome& outcome,
                 std::uint64_t patience, const FrameShape& shape = kShape) {
  for (std::uint64_t batch = 1; first < end; batch = batch % 3 + 1) {
    const auto stop = std::min(end, first + batch);
    bool good = true;
    for (auto number = first; number < stop && good; ++number) {
      good = session.append(sample::record(number), sample::frame(shape, number)).ok();
    }
    auto durable = good ? session.commit() : Error{ErrorCode::storage_failed, ""};
    if (durable.ok()) {
      outcome.acknowledged = first = stop;
      ASSERT_EQ(*durable, stop);
      if (!session.event({{"event", "batch"}, {"text", "up to " + std::to_string(stop)}}).ok()) {
        outcome.failures += 1;
      }
    } else if (++outcome.failures > patience) {
      return;
    }
  }
}

Outcome record_session(FakeDisk& disk, std::uint64_t patience, const Background& threads = {}) {
  Outcome outcome;
  auto session =
      create_session(disk, sample::start(kDirectory, "ink-a", kShape, kPlanned), threads);
  if (!session.ok()) {
    outcome.failures = 1;
    return outcome;
  }
  take_frames(**session, 0, kFrames, outcome, patience);
  return outcome;
}

// What the next start of the daemon does: takes the session up and goes on to the end, or begins it
// when it was never there. Then folds it.
void go_on(FakeDisk& disk, std::uint64_t acknowledged) {
  const auto unfinished = unfinished_sessions(disk, kDirectory);
  ASSERT_TRUE(unfinished.ok()) << unfinished.error().text;
  auto session = unfinished->empty()
                     ? create_session(disk, sample::start(kDirectory, "ink-a", kShape, kPlanned))
                     : resume_session(disk, kDirectory, "ink-a");
  ASSERT_TRUE(session.ok()) << session.error().text;
  ASSERT_GE((*session)->progress().frames, acknowledged);
  ASSERT_GE((*session)->progress().exposures_done, acknowledged);
  // Whatever it counts now is durable: another power cut may come at once.
  const auto counted = (*session)->progress().exposures_done;
  for (std::uint64_t seed = 0; seed < 3; ++seed) {
    auto cut = disk.after_power_cut(seed);
    expect_frames(cut, kPath, counted);
  }
  const auto first = (*session)->progress().exposures_done;
  for (auto number = first; number < kFrames; ++number) {
    ASSERT_TRUE((*session)->append(sample::record(number), sample::frame(kShape, number)).ok());
  }
  ASSERT_TRUE((*session)->commit().ok());
  expect_frames(disk, kPath, kFrames);
  const auto source = disk_source(disk);
  const auto report = session::verify(*source, kPath);
  ASSERT_TRUE(report.ok() && report->intact()) << session::to_json(*report).dump(1);
  const auto file = (*session)->fold({{"outcome", "finished"}}, {});
  ASSERT_TRUE(file.ok()) << file.error().text;
  expect_frames(disk, *file, kFrames);
}

/// Says at the end how often something failed.
class Tally : public testing::Environment {
 public:
  void TearDown() override {
    if (disks == 0) {
      return;
    }
    std::printf("%llu disks after a kill, a power cut or a fault; %llu acknowledged frames there\n",
                static_cast<unsigned long long>(disks), static_cast<unsigned long long>(frames));
  }
  std::uint64_t disks = 0, frames = 0;
};
Tally& tally = dynamic_cast<Tally&>(*testing::AddGlobalTestEnvironment(new Tally));

void expect_survival(FakeDisk& disk, std::uint64_t acknowledged) {
  tally.disks += 1;
  tally.frames += acknowledged;
  if (acknowledged > 0 || disk.exists(kPath + "/whole.h5")) {
    expect_frames(disk, kPath, acknowledged);
    const auto source = disk_source(disk);
    const auto report = session::verify(*source, kPath);
    ASSERT_TRUE(report.ok() && report->intact()) << session::to_json(*report).dump(1);
  }
}

TEST(Crash, EveryFrameAcknowledgedBeforeAPowerCutIsReadableAfterIt) {
  for (std::uint64_t sync = 0;; sync += kStep) {
    FakeDisk disk;
    disk.die_at_sync(sync);
    const auto outcome = record_session(disk, 0);
    for (std::uint64_t seed = 1; seed <= 8; ++seed) {
      SCOPED_TRACE("cut at sync " + std::to_string(sync) + ", seed " + std::to_string(seed));
      auto cut = disk.after_power_cut(seed);
      expect_survival(cut, outcome.acknowledged);
      if (seed <= 2) {
        go_on(cut, outcome.acknowledged);
      }
      if (HasFatalFailure()) {
        return;
      }
    }
    if (!disk.dead()) {
      EXPECT_EQ(outcome.acknowledged, kFrames);
      EXPECT_GT(sync, 20U);
      return;
    }
  }
}

TEST(Crash, EveryFrameAcknowledgedBeforeAKillIsReadableAfterIt) {
  for (std::uint64_t change = 0;; change += kStep) {
    FakeDisk disk;
    disk.die_at_change(change);
    const auto outcome = record_session(disk, 0);
    SCOPED_TRACE("killed in change " + std::to_string(change));
    auto killed = disk.after_kill();
    expect_survival(killed, outcome.acknowledged);
    go_on(killed, outcome.acknowledged);
    auto cut = disk.after_power_cut(change);
    expect_survival(cut, outcome.acknowledged);
    if (HasFatalFailure()) {
      return;
    }
    if (!disk.dead()) {
      EXPECT_EQ(outcome.acknowledged, kFrames);
      EXPECT_GT(change, 60U);
      return;
    }
  }
}

// How far the other thread is at the moment of the kill differs from run to run; what must hold
// does not.
TEST(Crash, PiecesThatAnotherThreadLaysOutLoseNothingEither) {
  for (std::uint64_t change = 20; change < 80; change += 3 * kStep) {
    SCOPED_TRACE("killed in change " + std::to_string(change));
    FakeDisk disk;
    disk.die_at_change(change);
    platform::ThreadWorker prepare;
    const auto outcome = record_session(disk, 0, {&prepare});
    auto killed = disk.after_kill();
    expect_survival(killed, outcome.acknowledged);
    go_on(killed, outcome.acknowledged);
    auto cut = disk.after_power_cut(change);
    expect_survival(cut, outcome.acknowledged);
    if (HasFatalFailure()) {
      return;
    }
  }
}

TEST(Crash, AKillInTheMiddleOfTakingUpASessionLosesNothing) {
  FakeDisk before;
  before.die_at_change(70);
  const auto outcome = record_session(before, 0);
  ASSERT_GT(outcome.acknowledged, 3U);
  for (std::uint64_t change = 0;; change += kStep) {
    auto disk = before.after_power_cut(change);
    disk.die_at_change(change);
    (void)resume_session(disk, kDirectory, "ink-a");
    SCOPED_TRACE("killed in change " + std::to_string(change));
    auto cut = disk.after_power_cut(change + 1);
    expect_survival(cut, outcome.acknowledged);
    go_on(cut, outcome.acknowledged);
    if (HasFatalFailure() || !disk.dead()) {
      return;
    }
  }
}

// Kills the fold of `before` in its change `change` and lets the next start of the daemon go on;
// returns whether the fold got that far.
bool kill_fold(const FakeDisk& before, std::uint64_t change) {
  auto disk = before;
  disk.die_at_change(change);
  auto session = resume_session(disk, kDirectory, "ink-a");
  const bool folded = session.ok() && (*session)->fold({{"outcome", "finished"}}, {}).ok();
  const bool died = disk.dead();
  EXPECT_TRUE(folded || died);
  for (auto cut : {disk.after_kill(), disk.after_power_cut(change)}) {
    const auto unfinished = unfinished_sessions(cut, kDirectory);
    EXPECT_TRUE(unfinished.ok());
    if (!unfinished->empty()) {
      expect_frames(cut, kPath, kFrames);
      auto again = resume_session(cut, kDirectory, "ink-a");
      EXPECT_TRUE(again.ok() && (*again)->fold({{"outcome", "finished"}}, {}).ok());
    }
    expect_frames(cut, kPath + ".h5", kFrames);
    EXPECT_FALSE(cut.exists(kPath)) << "the folder is cleared away";
    EXPECT_FALSE(cut.exists(kPath + ".h5.part"));
  }
  return died;
}

TEST(Crash, AFoldThatIsKilledAnywhereLosesNothing) {
  FakeDisk before;
  ASSERT_EQ(record_session(before, 0).acknowledged, kFrames);
  auto whole = before;
  auto session = resume_session(whole, kDirectory, "ink-a");
  ASSERT_TRUE((*session)->fold({{"outcome", "finished"}}, {}).ok());
  const auto changes = whole.counts().changes;
  ASSERT_GT(changes, 100U);
  // Every change at the beginning and around the renames at the end, every seventh of HDF5's writes
  // between.
  for (std::uint64_t change = 0; change <= changes && !HasFailure();
       change += change > 12 && change + 40 < changes ? 7 * kStep : kStep) {
    SCOPED_TRACE("killed in change " + std::to_string(change));
    EXPECT_EQ(kill_fold(before, change), change < changes);
  }
}

struct FaultCase {
  bool sync = false;
  DiskFault how = DiskFault::io_error;
};
class EveryFault : public testing::TestWithParam<FaultCase> {
 protected:
  static void plan(FakeDisk& disk, std::uint64_t k, std::uint64_t times) {
    if (GetParam().sync) {
      disk.fail_syncs(k, times, GetParam().how);
    } else {
      disk.fail_writes(k, times, GetParam().how);
    }
  }
  static std::uint64_t count(const FakeDisk& disk) {
    return GetParam().sync ? disk.counts().syncs : disk.counts().writes;
  }
};

TEST_P(EveryFault, OnceAtAnyPointIsMendedWithoutLosingAFrame) {
  for (std::uint64_t k = 0;; k += kStep) {
    SCOPED_TRACE("fault at operation " + std::to_string(k));
    FakeDisk disk;
    auto session = create_session(disk, sample::start(kDirectory, "ink-a", kShape, kPlanned));
    ASSERT_TRUE(session.ok());
    disk.reset_counts();
    plan(disk, k, 1);
    Outcome outcome;
    take_frames(**session, 0, kFrames, outcome, 0);
    const bool reached = count(disk) > k;
    ASSERT_EQ(outcome.acknowledged, kFrames) << "the writer never has to repeat for one fault";
    for (std::uint64_t seed = 0; seed < 4; ++seed) {
      auto cut = disk.after_power_cut(seed);
      expect_survival(cut, kFrames);
    }
    session->reset();
    disk.kill();
    go_on(disk, kFrames);
    if (HasFatalFailure()) {
      return;
    }
    if (!reached) {
      EXPECT_GT(k, 20U);
      return;
    }
  }
}

TEST_P(EveryFault, ThatLastsIsReportedAndOverWhenTheDiskWorksAgain) {
  for (std::uint64_t k = 0;; k += 3 * kStep) {
    SCOPED_TRACE("faults from operation " + std::to_string(k));
    FakeDisk disk;
    auto session = create_session(disk, sample::start(kDirectory, "ink-a", kShape, kPlanned));
    ASSERT_TRUE(session.ok());
    disk.reset_counts();
    plan(disk, k, std::numeric_limits<std::uint64_t>::max() / 2);
    Outcome outcome;
    take_frames(**session, 0, kFrames, outcome, 3);
    if (count(disk) <= k) {
      return;
    }
    ASSERT_GT(outcome.failures, 0U) << "the writer is told";
    for (std::uint64_t seed = 0; seed < 4; ++seed) {
      auto cut = disk.after_power_cut(seed);
      expect_survival(cut, outcome.acknowledged);
      go_on(cut, outcome.acknowledged);
    }
    // The process is started anew without a power cut: the system's memory still shows what it
    // dropped.
    auto restarted = disk.after_kill();
    go_on(restarted, outcome.acknowledged);
    // Or the same process goes on, once the disk works again.
    plan(disk, 0, 0);
    take_frames(**session, outcome.acknowledged, kFrames, outcome, 0);
    ASSERT_EQ(outcome.acknowledged, kFrames);
    auto cut = disk.after_power_cut(k);
    expect_survival(cut, kFrames);
    if (HasFatalFailure()) {
      return;
    }
  }
}

TEST_P(EveryFault, InABatchOfLargeFramesIsMendedToo) {
  for (std::uint64_t k = 0;; k += 3 * kStep) {
    SCOPED_TRACE("fault at operation " + std::to_string(k));
    FakeDisk disk;
    auto session = create_session(disk, sample::start(kDirectory, "ink-a", kImage, kPlanned));
    ASSERT_TRUE(session.ok());
    disk.reset_counts();
    plan(disk, k, 1);
    Outcome outcome;
    take_frames(**session, 0, 6, outcome, 0, kImage);
    ASSERT_EQ(outcome.acknowledged, 6U);
    auto cut = disk.after_power_cut(k);
    expect_survival(cut, 6);
    if (HasFatalFailure() || count(disk) <= k) {
      return;
    }
  }
}

INSTANTIATE_TEST_SUITE_P(Faults, EveryFault,
                         testing::Values(FaultCase{false, DiskFault::io_error},
                                         FaultCase{false, DiskFault::no_space},
                                         FaultCase{true, DiskFault::io_error}),
                         [](const auto& tested) {
                           return std::string(tested.param.sync ? "Sync" : "Write") +
                                  (tested.param.how == DiskFault::io_error ? "Error" : "NoSpace");
                         });

TEST(Fault, CreatingASessionOnADiskThatFailsLeavesTheNameFree) {
  for (std::uint64_t k = 0;; k += kStep) {
    SCOPED_TRACE("fault at write or sync " + std::to_string(k));
    FakeDisk disk;
    disk.fail_writes(k / 2, k % 2 == 0 ? 1 : 0);
    disk.fail_syncs(k / 2, k % 2 == 1 ? 1 : 0);
    const auto start = sample::start(kDirectory, "ink-a", kShape, kPlanned);
    const bool made = create_session(disk, start).ok();
    const auto counts = disk.counts();
    if (!made && !disk.exists(kPath + "/whole.h5")) {
      const auto again = create_session(disk, start);
      ASSERT_TRUE(again.ok()) << again.error().text;
    }
    if (counts.writes <= k / 2 && counts.syncs <= k / 2) {
      return;
    }
  }
}

TEST(Fault, AFullDiskHoldsBeforeAFrameIsLostAndGoesOnWhenThereIsRoom) {
  FakeDisk disk;
  auto session = create_session(disk, sample::start(kDirectory, "ink-a", kShape, kPlanned));
  ASSERT_TRUE(session.ok());
  disk.set_capacity((1ULL << 40) - *disk.free_bytes("/") + 8192);
  Outcome outcome;
  take_frames(**session, 0, kFrames, outcome, 2);
  EXPECT_EQ(outcome.acknowledged, 3U) << "the batch that needs a second piece fails as a whole";
  EXPECT_GT(outcome.failures, 0U);
  disk.set_capacity(1ULL << 40);
  take_frames(**session, outcome.acknowledged, kFrames, outcome, 0);
  EXPECT_EQ(outcome.acknowledged, kFrames);
  auto cut = disk.after_power_cut(1);
  expect_survival(cut, kFrames);
}

TEST(Fault, AFailedPieceIsSaidToHaveFailed) {
  FakeDisk disk;
  auto session = create_session(disk, sample::start(kDirectory, "ink-a", kShape, kPlanned));
  ASSERT_TRUE(session.ok());
  disk.reset_counts();
  disk.fail_syncs(0);
  Outcome outcome;
  take_frames(**session, 0, 2, outcome, 0);
  EXPECT_EQ(outcome.failures, 0U);
  const auto warnings = (*session)->warnings();
  ASSERT_EQ(warnings.size(), 1U);
  EXPECT_THAT(warnings[0], testing::HasSubstr("piece-0.h5: cannot sync: Input/output error"));
  EXPECT_TRUE((*session)->warnings().empty());
  const auto source = disk_source(disk);
  const auto log = open_reader(*source, kPath)->events();
  bool said = false;
  for (const auto& event : log->events) {
    said = said || event.value("event", "") == "piece_failed";
  }
  EXPECT_TRUE(said);
}

}  // namespace
}  // namespace creel::store
