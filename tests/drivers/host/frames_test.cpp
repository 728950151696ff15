// Acquisitions: frames from a driver in another process through the sealed ring.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <array>
#include <cstring>
#include <filesystem>

#include "tests/drivers/host/host_under_test.h"

namespace creel::tests {
namespace {

using nlohmann::json;

constexpr std::uint64_t kFrameBytes = 2 * 8 * sizeof(std::uint16_t);

class Frames : public ::testing::Test {
 protected:
  void ready(std::uint32_t frames, std::uint32_t slots, json config = json::object()) {
    const auto opened = host.open(plugin("obliging"), "detector", std::move(config));
    ASSERT_TRUE(opened.ok()) << opened.error().text;
    armed = host.call("arm", {{"frames", frames}, {"exposure_ns", 20'000}}).value();
    ASSERT_TRUE(host.give_ring({slots, kFrameBytes}).ok());
  }
  // The next block, waiting for it through the loop as the daemon does.
  ring::Consumer::View take() {
    ring::Consumer::View view;
    const bool came = host.run_until([&] {
      auto taken = host.ring().take().value();
      view = taken.value_or(ring::Consumer::View{});
      return taken.has_value();
    });
    EXPECT_TRUE(came);
    return view;
  }
  void expect_frame(std::uint64_t index) {
    const auto view = take();
    EXPECT_EQ(view.block.first, index);
    EXPECT_EQ(view.block.frames, 1U);
    EXPECT_EQ(view.block.exposure_ns, 20'000);
    EXPECT_EQ(view.block.device_stamp, 4000 + index);
    ASSERT_EQ(view.payload.size(), kFrameBytes);
    std::array<std::uint16_t, 16> pixels{};
    std::memcpy(pixels.data(), view.payload.data(), kFrameBytes);
    for (std::size_t p = 0; p < pixels.size(); ++p) {
      ASSERT_EQ(pixels[p], static_cast<std::uint16_t>(100 * index + p))
          << "frame " << index << ", pixel " << p;
    }
  }
  // How the acquisition ended: null, or the error.
  json end() {
    const json event = host.event("frames_ended");
    EXPECT_TRUE(event.is_object()) << "no frames_ended came";
    return event.value("error", json("missing"));
  }
  void release(std::uint64_t count) {
    host.ring().release(count);
    host.process().ring_freed();
  }

  HostUnderTest host;
  json armed;
};

TEST_F(Frames, EveryFrameOfAnAcquisitionArrivesAsTheDriverMadeIt) {
  ready(20, 4);
  EXPECT_EQ(armed, json({{"exposure_ns", 20'000},
                         {"readout_ns", 1000},
                         {"rows", 2},
                         {"columns", 8},
                         {"pixel", "u16"},
                         {"frames_per_block", 1}}));
  const auto started = host.call("start");
  ASSERT_TRUE(started.ok()) << started.error().text;
  EXPECT_GT((*started)["started_ns"], 0);
  for (std::uint64_t frame = 0; frame < 20; ++frame) {
    expect_frame(frame);
    release(1);
  }
  EXPECT_GT(host.frames_notices, 0);
  EXPECT_EQ(end(), nullptr);
  EXPECT_TRUE(host.call("stop").ok());
}

TEST_F(Frames, ListsOfEventsArriveWithTheirNumberAndWhatWasLost) {
  ready(3, 4, {{"events", true}});
  EXPECT_EQ(armed["pixel"], "event");
  EXPECT_EQ(armed["most_events"], 2);
  EXPECT_EQ(armed["rows"], 2) << "of the sensor";
  EXPECT_EQ(armed["columns"], 8);
  ASSERT_TRUE(host.call("start").ok());
  for (std::uint64_t frame = 0; frame < 3; ++frame) {
    const auto view = take();
    EXPECT_EQ(view.block.first, frame);
    EXPECT_EQ(view.block.bytes, kFrameBytes);
    EXPECT_EQ(view.block.events, 2U);
    EXPECT_EQ(view.block.events_lost, 5U);
    release(1);
  }
  EXPECT_EQ(end(), nullptr);
}

TEST_F(Frames, ADriverThatTellsMoreEventsThanItHasRoomForEndsTheAcquisition) {
  const std::string said = "subject: read_frame: the driver delivered ";
  for (const auto& [flags, sentence] :
       {std::pair{json{{"events", true}, {"too_many", true}},
                  "3 events and lost 5; as armed, a frame has room for 2"},
        {json{{"too_many", true}}, "3 events and lost 0; as armed, a frame has room for 0"},
        {json{{"events", true}, {"lost_more", true}},
         "2 events and lost 18446744073709551615; as armed, a frame has room for 2"}}) {
    HostUnderTest another;
    ASSERT_TRUE(another.open(plugin("obliging"), "detector", flags).ok());
    ASSERT_TRUE(another.call("arm", {{"frames", 3}, {"exposure_ns", 20'000}}).ok());
    ASSERT_TRUE(another.give_ring({4, kFrameBytes}).ok());
    ASSERT_TRUE(another.call("start").ok());
    EXPECT_EQ(another.event("frames_ended")["error"]["text"], said + sentence);
  }
}

TEST_F(Frames, ADriverThatArmsForImpossibleListsIsRefused) {
  const std::string said = "subject: arm: the driver reports ";
  for (const auto& [flags, sentence] :
       {std::pair{json{{"events", true}, {"no_places", true}},
                  "1 frames per block of 0 events at most; a block has 1 frame of 1 to 67108864 "
                  "events"},
        {json{{"events", true}, {"many", true}},
         "2 frames per block of 2 events at most; a block has 1 frame of 1 to 67108864 events"},
        {json{{"no_places", true}}, "3 events at most in a frame of pixels; must be 0"}}) {
    HostUnderTest another;
    ASSERT_TRUE(another.open(plugin("obliging"), "detector", flags).ok());
    const auto answer = another.call("arm", {{"frames", 3}, {"exposure_ns", 20'000}});
    ASSERT_FALSE(answer.ok());
    EXPECT_EQ(answer.error().text, said + sentence);
  }
}

TEST_F(Frames, AnAcquisitionCanBeRepeatedWithTheSameRing) {
  ready(3, 4);
  for (int round = 0; round < 3; ++round) {
    ASSERT_TRUE(host.call("start").ok());
    for (std::uint64_t frame = 0; frame < 3; ++frame) {
      expect_frame(frame);
    }
    release(3);
    EXPECT_EQ(end(), nullptr);
  }
}

TEST_F(Frames, TheDriverIsHeldBackWhileTheRingIsFullAndGoesOnAfterwards) {
  ready(10, 3);
  ASSERT_TRUE(host.call("start").ok());
  for (std::uint64_t frame = 0; frame < 3; ++frame) {
    expect_frame(frame);
  }
  ASSERT_TRUE(host.call("ping").ok());  // the host is well; only its frames wait
  EXPECT_FALSE(host.ring().take().value().has_value());
  for (std::uint64_t frame = 3; frame < 10; ++frame) {
    release(1);
    expect_frame(frame);
  }
  EXPECT_EQ(end(), nullptr);
}

TEST_F(Frames, StopEndsAnEndlessAcquisitionBeforeItAnswers) {
  ready(0, 3);
  ASSERT_TRUE(host.call("start").ok());
  expect_frame(0);
  EXPECT_EQ(host.call("arm", {{"frames", 1}, {"exposure_ns", 1}}).error().code, ErrorCode::refused);
  EXPECT_EQ(host.call("set", {{"name", "gain"}, {"value", 2}}).error().code, ErrorCode::refused);
  EXPECT_EQ(host.call("start").error().code, ErrorCode::refused);
  ASSERT_TRUE(host.call("stop").ok());
  ASSERT_FALSE(host.events.empty());
  EXPECT_EQ(host.events.back(), json({{"event", "frames_ended"}, {"error", nullptr}}));
}

TEST_F(Frames, MakeSafeEndsAnAcquisitionAsCancelled) {
  ready(0, 3);
  ASSERT_TRUE(host.call("start").ok());
  expect_frame(0);
  ASSERT_TRUE(host.call("make_safe").ok());
  EXPECT_EQ(end()["code"], "cancelled");
}

TEST_F(Frames, AFailingReadEndsTheAcquisitionWithTheDriversReason) {
  ready(0, 3, {{"fail_in", "read_frame"}});
  ASSERT_TRUE(host.call("start").ok());
  EXPECT_EQ(end()["text"], "subject: read_frame: the interlock is open");
}

TEST_F(Frames, ABlockThatIsNotAsArmedIsNotHandedOver) {
  ready(0, 3, {{"wrong_size", true}});
  ASSERT_TRUE(host.call("start").ok());
  const json error = end();
  EXPECT_EQ(error["text"],
            "subject: read_frame: the driver delivered 32 bytes for 7 frames; as armed, a block "
            "has 1 to 1 frames "
            "of 32 bytes");
  EXPECT_FALSE(host.ring().take().value().has_value());
}

TEST_F(Frames, StartIsRefusedUntilArmedAndGivenARingThatHoldsABlock) {
  ASSERT_TRUE(host.open(plugin("obliging"), "detector").ok());
  EXPECT_EQ(host.call("start").error().text, "subject: start: arm it first");
  ASSERT_TRUE(host.call("arm", {{"frames", 1}, {"exposure_ns", 5}}).ok());
  EXPECT_EQ(host.call("start").error().text, "subject: start: give it a ring first");
  ASSERT_TRUE(host.give_ring({3, 16}).ok());
  EXPECT_EQ(host.call("start").error().text,
            "subject: start: a block has 32 bytes, a slot of the ring 16; give it a new ring");
  ASSERT_TRUE(host.give_ring({3, kFrameBytes}).ok());
  EXPECT_TRUE(host.call("start").ok());
}

// A host that shrank the memory could make the daemon fault on it.
TEST_F(Frames, ARingsMemoryIsSealedAgainstShrinkingAndGrowing) {
  ready(1, 3);
  int rings = 0;
  for (const auto& entry : std::filesystem::directory_iterator("/proc/self/fd")) {
    std::error_code gone;
    if (std::filesystem::read_symlink(entry, gone).string().find("creel-ring") ==
        std::string::npos) {
      continue;
    }
    const int fd = std::stoi(entry.path().filename());
    EXPECT_EQ(::fcntl(fd, F_GET_SEALS), F_SEAL_SHRINK | F_SEAL_GROW | F_SEAL_SEAL);
    EXPECT_NE(::ftruncate(fd, 4096), 0);
    ++rings;
  }
  EXPECT_EQ(rings, 1);
}

}  // namespace
}  // namespace creel::tests
