#include "drivers/simulated/shared_log.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <thread>
#include <tuple>

namespace creel::simulated {
namespace {

/// Services that share `words` words of memory between all devices made with them.
struct Rig {
  explicit Rig(std::size_t words) : memory(words + 8) {
    services = {sizeof(creel_services),
                0,
                this,
                [](void*) { return std::int64_t{0}; },
                [](void*, std::int64_t) { return std::int32_t{0}; },
                [](void*, std::int32_t, const char*) {},
                [](void* self, std::uint64_t* bytes) -> void* {
                  auto& own = static_cast<Rig*>(self)->memory;
                  *bytes = own.size() * 8;
                  return own.data();
                },
                [](void*) { return std::uint64_t{1}; }};
  }
  [[nodiscard]] SharedLog join(std::uint64_t world = 3) const {
    return {kit::Services(&services), world};
  }
  std::vector<std::uint64_t> memory;
  creel_services services{};
};

TEST(SharedLog, KeepsEventsToTheMicrosecond) {
  const Rig rig(2000);
  SharedLog log = rig.join();
  ASSERT_TRUE(log.append({1'000'000'001, sim::Channel::beam, 1}));
  ASSERT_TRUE(
      log.append({8'000'000'000'000'000'000 / 1000 * 1000 / 1000, sim::Channel::stage_y, -65000}));
  SharedLog other = rig.join();
  const auto events = other.read(0);
  ASSERT_EQ(events.size(), 2u);
  EXPECT_EQ(events[0].t_ns, 1'000'001'000);
  EXPECT_EQ(events[0].channel, sim::Channel::beam);
  EXPECT_EQ(events[0].value, 1);
  EXPECT_EQ(events[1].t_ns, 8'000'000'000'000'000);
  EXPECT_EQ(events[1].channel, sim::Channel::stage_y);
  EXPECT_EQ(events[1].value, -65000);
  EXPECT_EQ(other.last(sim::Channel::stage_y, 0), -65000);
  EXPECT_EQ(other.last(sim::Channel::cathode, 7), 7);
}

TEST(SharedLog, WhenFullRefusesOpeningsButStillRecordsClosings) {
  const Rig rig(1024);
  SharedLog log = rig.join();
  int openings = 0;
  while (log.append({1000 * (openings + 1), sim::Channel::beam, 1})) {
    ++openings;
  }
  EXPECT_EQ(openings, 1024 - static_cast<int>(SharedLog::kReserve));
  EXPECT_FALSE(log.append({5'000'000, sim::Channel::stage_x, 0}));
  for (std::size_t i = 0; i < SharedLog::kReserve; ++i) {
    EXPECT_TRUE(log.append({6'000'000, sim::Channel::beam, 0}));
  }
  EXPECT_FALSE(log.append({7'000'000, sim::Channel::beam, 0}));
  EXPECT_EQ(log.read(0).size(), 1024u);
}

TEST(SharedLog, WritersAtTheSameTimeLoseNothing) {
  const Rig rig(1 << 16);
  std::vector<std::thread> writers;
  constexpr int kEach = 5000;
  for (int writer = 0; writer < 4; ++writer) {
    writers.emplace_back([&rig, writer] {
      SharedLog log = rig.join();
      for (int i = 0; i < kEach; ++i) {
        ASSERT_TRUE(log.append({1000LL * (i + 1), static_cast<sim::Channel>(4 + writer), i}));
      }
    });
  }
  for (std::thread& writer : writers) {
    writer.join();
  }
  const auto events = rig.join().read(0);
  ASSERT_EQ(events.size(), 4u * kEach);
  std::vector<int> next(8);
  for (const sim::Event& event : events) {
    EXPECT_EQ(event.value, next[static_cast<std::size_t>(event.channel)]++)
        << "a writer's own order is kept";
  }
}

TEST(SharedLog, RefusesAnotherWorldAndTooLittleMemory) {
  const Rig rig(2000);
  SharedLog log = rig.join(3);
  EXPECT_THROW(std::ignore = rig.join(4), kit::Failure);
  const Rig small(100);
  EXPECT_THROW(std::ignore = small.join(), kit::Failure);
}

}  // namespace
}  // namespace creel::simulated
