// Drivers that Creel ships, in the real host: what the conformance suite (drivers/kit) cannot see
// because it loads them into its own process.
#include <gtest/gtest.h>

#include <chrono>
#include <cstring>
#include <memory>
#include <thread>

#include "tests/drivers/host/host_under_test.h"

namespace creel::tests {
namespace {

using nlohmann::json;

std::string shipped(const std::string& name) {
  return std::string(CREEL_SHIPPED_DRIVERS) + "/" + name + ".so";
}

ring::Geometry ring_for(const json& armed) {
  const std::uint64_t pixel = armed["pixel"] == "u8" ? 1 : armed["pixel"] == "u16" ? 2 : 4;
  const std::uint64_t bytes = armed["rows"].get<std::uint64_t>() *
                              armed["columns"].get<std::uint64_t>() *
                              armed["frames_per_block"].get<std::uint64_t>() * pixel;
  return ring::geometry_for(bytes, 16ULL << 20).value();
}

TEST(ShippedDrivers, BlankFramesArriveCompleteAndInOrder) {
  HostUnderTest host;
  const auto opened = host.open(shipped("blank"), "detector", {{"rows", 64}, {"columns", 512}});
  ASSERT_TRUE(opened.ok()) << opened.error().text;
  constexpr std::uint64_t kFrames = 2000;
  const auto armed = host.call("arm", {{"frames", kFrames}, {"exposure_ns", 0}});
  ASSERT_TRUE(armed.ok()) << armed.error().text;
  ASSERT_TRUE(host.give_ring(ring_for(*armed)).ok());
  ASSERT_TRUE(host.call("start").ok());
  std::uint64_t next = 0;
  ASSERT_TRUE(host.run_until([&] {
    while (const auto taken = host.ring().take().value()) {
      std::uint64_t index = 0;
      std::memcpy(&index, taken->payload.data(), sizeof index);
      EXPECT_EQ(taken->block.first, next);
      EXPECT_EQ(index, next);
      next += taken->block.frames;
      host.ring().release(1);
      host.process().ring_freed();
    }
    return next >= kFrames;
  }));
  EXPECT_EQ(next, kFrames);
  EXPECT_EQ(host.event("frames_ended")["event"], "frames_ended");
}

// Two processes, one world: the shutter in one decides what the detector in the other counts.
class SimulatedRig : public ::testing::Test {
 protected:
  SimulatedRig() : memory(platform::make_rig_memory(32U << 20, true, 2026).value()) {
    const HostUnderTest::Options options{creel_host(), memory.descriptor()};
    for (auto* host : {&shutter, &detector}) {
      *host = std::make_unique<HostUnderTest>(options);
      (*host)->idle = [this] { move_time(); };
    }
  }
  // As the daemon does: to the earliest moment that someone waits for.
  void move_time() {
    const WorldTimeline timeline = memory.timeline();
    WorldTime wake{};
    if (timeline.earliest_wake(&wake) && wake > timeline.now()) {
      timeline.advance_to(wake);
    }
  }
  // Sum of all pixels of one frame.
  std::uint64_t expose(std::int64_t exposure_ns) {
    const auto armed = detector->call("arm", {{"frames", 1}, {"exposure_ns", exposure_ns}});
    EXPECT_TRUE(armed.ok()) << armed.error().text;
    EXPECT_EQ((*armed)["pixel"], "u16");
    EXPECT_TRUE(detector->give_ring(ring_for(*armed)).ok());
    EXPECT_TRUE(detector->call("start").ok());
    std::uint64_t sum = 0;
    EXPECT_TRUE(detector->run_until([&] {
      const auto taken = detector->ring().take().value();
      if (taken) {
        for (std::size_t at = 0; at < taken->payload.size(); at += 2) {
          std::uint16_t pixel = 0;
          std::memcpy(&pixel, taken->payload.data() + at, sizeof pixel);
          sum += pixel;
        }
      }
      return taken.has_value();
    }));
    detector->ring().release(1);
    EXPECT_TRUE(detector->call("stop").ok());
    return sum;
  }

  platform::RigMemory memory;
  std::unique_ptr<HostUnderTest> shutter, detector;
};

TEST_F(SimulatedRig, TheShutterInOneProcessLightsTheDetectorInAnother) {
  const auto opened_shutter = shutter->open(shipped("simulated"), "shutter", {{"shutter", "beam"}});
  ASSERT_TRUE(opened_shutter.ok()) << opened_shutter.error().text;
  const auto opened_detector = detector->open(shipped("simulated"), "detector",
                                              {{"columns", 512},
                                               {"rows", 4},
                                               {"offset", 0},
                                               {"offset_pattern", 0},
                                               {"read_noise", 0},
                                               {"spikes_per_s", 0}});
  ASSERT_TRUE(opened_detector.ok()) << opened_detector.error().text;

  const std::uint64_t dark = expose(100'000'000);
  const auto state = shutter->call("open_shutter", {{"open_for_ns", 300'000'000'000}});
  ASSERT_TRUE(state.ok()) << state.error().text;
  EXPECT_EQ((*state)["measured"], "open");
  const std::uint64_t lit = expose(100'000'000);
  ASSERT_TRUE(shutter->call("make_safe").ok());
  EXPECT_EQ(shutter->call("state").value()["commanded"], "closed");  // on its way at least
  EXPECT_EQ(shutter->call("close_shutter").value()["measured"], "closed");
  const std::uint64_t dark_again = expose(100'000'000);

  EXPECT_GT(lit, 10 * (dark + 1));
  EXPECT_GT(lit, 10 * (dark_again + 1));
}

// Found by a night of real processes: such a host went on answering, and refused every acquisition
// from then on.
TEST_F(SimulatedRig, AHostWhoseDriverDoesNotComeBackFromReadFrameEnds) {
  ASSERT_TRUE(detector->open(shipped("simulated"), "detector", {{"hang_at_frame", 1}}).ok());
  const auto armed = detector->call("arm", {{"frames", 2}, {"exposure_ns", 1'000'000}});
  ASSERT_TRUE(armed.ok()) << armed.error().text;
  ASSERT_TRUE(detector->give_ring(ring_for(*armed)).ok());
  ASSERT_TRUE(detector->call("start").ok());
  ASSERT_TRUE(detector->run_until([&] { return detector->frames_notices > 0; }));
  std::this_thread::sleep_for(std::chrono::milliseconds(100));  // it is in the next read_frame
  const auto stopped = detector->call("stop");
  ASSERT_FALSE(stopped.ok());
  EXPECT_EQ(stopped.error().code, ErrorCode::timed_out);
  EXPECT_TRUE(detector->run_until([&] { return !detector->gone().empty(); }));
}

}  // namespace
}  // namespace creel::tests
