// World time: one page of memory on which processes wait for each other's time.
#include "protocol/clock/world_page.h"

#include <gtest/gtest.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <atomic>
#include <chrono>
#include <thread>
#include <vector>

namespace creel {
namespace {

class SharedPage {
 public:
  SharedPage(bool accelerated, std::uint64_t seed, WorldRate rate = {}) {
    void* place =
        ::mmap(nullptr, kWorldPageBytes, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    page_ = static_cast<WorldPage*>(place);
    WorldTimeline::prepare(page_, accelerated, seed, rate);
  }
  ~SharedPage() { ::munmap(page_, kWorldPageBytes); }
  SharedPage(const SharedPage&) = delete;
  SharedPage& operator=(const SharedPage&) = delete;
  [[nodiscard]] WorldTimeline timeline() const { return WorldTimeline(page_); }
  [[nodiscard]] WorldPage* page() const { return page_; }

 private:
  WorldPage* page_;
};

constexpr auto kNever = [] { return false; };

// Waits until someone waits for exactly `when`: a hang guard of 30 s, not a timing.
bool someone_waits_for(const WorldTimeline& timeline, WorldTime when) {
  for (int i = 0; i < 30'000; ++i) {
    WorldTime earliest{};
    if (timeline.earliest_wake(&earliest) && earliest == when) {
      return true;
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(1));
  }
  return false;
}

TEST(WorldTime, RealModeFollowsTheMonotonicClock) {
  const SharedPage page(false, 5);
  const WorldTimeline timeline = page.timeline();
  EXPECT_FALSE(timeline.accelerated());
  EXPECT_EQ(timeline.seed(), 5U);
  const WorldTime before = timeline.now();
  EXPECT_GE(before.ns, 1'000'000'000) << "zero is kept for 'never'";
  EXPECT_TRUE(timeline.wait_until(before + milliseconds(20), kNever));
  EXPECT_GE((timeline.now() - before).value, 20'000'000);
}

TEST(WorldTime, RealModeWaitsCanBeCancelled) {
  const SharedPage page(false, 5);
  const WorldTimeline timeline = page.timeline();
  std::atomic<bool> cancelled{false};
  std::thread other([&] { cancelled = true; });
  EXPECT_FALSE(
      timeline.wait_until(timeline.now() + seconds(3600), [&] { return cancelled.load(); }));
  other.join();
}

TEST(WorldRate, ConvertsWithoutDriftAndNeverEarly) {
  struct Case {
    double times;
    std::int64_t real_ns, world_ns;
  };
  const Case cases[] = {
      {1, 12'345'678'901, 12'345'678'901},
      {10, 12'345'678'901, 123'456'789'010},
      {2.5, 3, 7},  // 7.5, rounded down
      {1000, 86'400'000'000'000, 86'400'000'000'000'000},
      {0.5, 5, 2},
      {1.000001, 365LL * 86'400'000'000'000,
       365LL * 86'400'000'000'000 + 31'536'000'000},  // a year
  };
  for (const Case& one : cases) {
    const WorldRate rate = WorldRate::of(one.times);
    EXPECT_EQ(rate.world(Duration{one.real_ns}).value, one.world_ns) << one.times;
    // Waiting for the real time reaches the world time, and one nanosecond less does not.
    const Duration real = rate.real(Duration{one.world_ns});
    EXPECT_GE(rate.world(real).value, one.world_ns) << one.times;
    EXPECT_LT(rate.world(real - nanoseconds(1)).value, one.world_ns) << one.times;
  }
}

TEST(WorldRate, StaysWithinItsRangeAndHasALongestWait) {
  EXPECT_EQ(WorldRate::of(0).millionths, 1U);
  EXPECT_EQ(WorldRate::of(1e9).millionths, WorldRate::kMost);
  EXPECT_EQ(WorldRate::of(1).millionths, WorldRate::kOne);
  EXPECT_EQ(WorldRate::of(0).real(seconds(1'000'000'000)), WorldRate::kLongest);
  EXPECT_EQ(WorldRate::of(3).real(seconds(-1)).value, 0) << "what is past is not waited for";
}

TEST(WorldTime, AScaledPageRunsSoManyTimesFasterForEveryoneWhoSeesIt) {
  const SharedPage page(false, 5, WorldRate::of(50));
  const WorldTimeline timeline = page.timeline();
  EXPECT_EQ(timeline.rate().millionths, 50 * WorldRate::kOne);
  timespec before{}, after{};
  clock_gettime(CLOCK_MONOTONIC, &before);
  const WorldTime start = timeline.now();
  EXPECT_GE(start.ns, WorldTimeline::kStart.ns);
  EXPECT_TRUE(timeline.wait_until(start + seconds(2), kNever));
  const WorldTime end = timeline.now();
  clock_gettime(CLOCK_MONOTONIC, &after);
  const double real_s = static_cast<double>(after.tv_sec - before.tv_sec) +
                        1e-9 * static_cast<double>(after.tv_nsec - before.tv_nsec);
  EXPECT_GE((end - start).value, seconds(2).value);
  EXPECT_GE(real_s, 2.0 / 50) << "a wait of 2 s of world time takes at least a fiftieth of it";
  EXPECT_LE(in_seconds(end - start), real_s * 50 + 1e-6)
      << "and world time ran no faster than that";
}

TEST(WorldTime, APageOfBeforeTheRateRunsAtItsOwnPace) {
  const SharedPage page(false, 5);
  page.page()->rate_millionths = 0;
  EXPECT_EQ(page.timeline().rate().millionths, WorldRate::kOne);
  const WorldTime start = page.timeline().now();
  EXPECT_GE(page.timeline().now(), start);
}

TEST(WorldTime, AcceleratedTimeStandsStillUntilItIsMoved) {
  const SharedPage page(true, 9);
  const WorldTimeline timeline = page.timeline();
  const WorldTime before = timeline.now();
  std::this_thread::sleep_for(std::chrono::milliseconds(5));
  EXPECT_EQ(timeline.now(), before);
  WorldTime wake{};
  EXPECT_FALSE(timeline.earliest_wake(&wake));
  timeline.advance_to(before + seconds(3600));
  EXPECT_EQ(timeline.now(), before + seconds(3600));
  timeline.advance_to(before);  // never back
  EXPECT_EQ(timeline.now(), before + seconds(3600));
  EXPECT_TRUE(timeline.wait_until(before, kNever)) << "what is past is not waited for";
}

TEST(WorldTime, WaitersWakeInTheOrderOfTheirTimes) {
  const SharedPage page(true, 9);
  const WorldTimeline timeline = page.timeline();
  const WorldTime start = timeline.now();
  std::atomic<int> woken{0};
  std::vector<int> order(3, -1);
  std::vector<std::thread> waiters;
  const Duration delays[] = {seconds(30), seconds(10), seconds(20)};
  for (int i = 0; i < 3; ++i) {
    waiters.emplace_back([&, i] {
      EXPECT_TRUE(timeline.wait_until(start + delays[i], kNever));
      EXPECT_EQ(timeline.now(), start + delays[i]) << "time moved no further than to the earliest";
      order[static_cast<std::size_t>(woken++)] = i;
    });
  }
  for (int step = 1; step <= 3; ++step) {
    const WorldTime due = start + seconds(10 * step);
    while (woken < step) {
      // Everyone who is left must be waiting before time may move.
      if (someone_waits_for(timeline, due)) {
        timeline.advance_to(due);
      }
      while (woken < step) {
        std::this_thread::yield();
      }
    }
  }
  for (auto& waiter : waiters) {
    waiter.join();
  }
  EXPECT_EQ(order, (std::vector<int>{1, 2, 0}));
  WorldTime wake{};
  EXPECT_FALSE(timeline.earliest_wake(&wake)) << "slots are left empty";
}

TEST(WorldTime, TwoProcessesShareIt) {
  const SharedPage page(true, 9);
  const WorldTimeline timeline = page.timeline();
  const WorldTime start = timeline.now();
  const pid_t child = ::fork();
  if (child == 0) {
    const bool waited = timeline.wait_until(start + seconds(7), kNever);
    ::_exit(waited && timeline.now() == start + seconds(7) ? 0 : 1);
  }
  ASSERT_TRUE(someone_waits_for(timeline, start + seconds(7)));
  timeline.advance_to(start + seconds(7));
  int status = -1;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  EXPECT_EQ(status, 0);
}

TEST(WorldTime, ACancelledWaiterLeavesItsSlot) {
  const SharedPage page(true, 9);
  const WorldTimeline timeline = page.timeline();
  EXPECT_FALSE(timeline.wait_until(timeline.now() + seconds(1), [] { return true; }));
  WorldTime wake{};
  EXPECT_FALSE(timeline.earliest_wake(&wake));
}

TEST(WorldTime, CallsThatWaitAreCountedAndOnlyThose) {
  const SharedPage page(true, 9);
  const WorldTimeline timeline = page.timeline();
  const WorldTime due = timeline.now() + seconds(5);
  std::thread frames([&] { EXPECT_TRUE(timeline.wait_until(due, kNever)); });
  ASSERT_TRUE(someone_waits_for(timeline, due));
  EXPECT_EQ(timeline.calls_waiting(), 0U) << "nobody waits for an answer of that one";
  const WorldTime sooner = due - seconds(1);
  std::thread call([&] { EXPECT_TRUE(timeline.wait_until(sooner, kNever, true)); });
  ASSERT_TRUE(someone_waits_for(timeline, sooner));
  for (int i = 0; i < 30'000 && timeline.calls_waiting() == 0; ++i) {
    std::this_thread::sleep_for(std::chrono::milliseconds(1));
  }
  EXPECT_EQ(timeline.calls_waiting(), 1U);
  timeline.advance_to(sooner);
  call.join();
  EXPECT_EQ(timeline.calls_waiting(), 0U);
  timeline.advance_to(due);
  frames.join();
}

TEST(WorldTime, MoreWaitersThanSlotsStillWake) {
  const SharedPage page(true, 9);
  const WorldTimeline timeline = page.timeline();
  const WorldTime due = timeline.now() + seconds(1);
  for (auto& slot : page.page()->wake_ns) {
    slot = due.ns;
  }
  std::thread waiter([&] { EXPECT_TRUE(timeline.wait_until(due, kNever)); });
  timeline.advance_to(due);
  waiter.join();
}

}  // namespace
}  // namespace creel
