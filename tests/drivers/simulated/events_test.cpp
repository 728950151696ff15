// The simulated counting detector that tells its electrons one by one.
#include <gtest/gtest.h>

#include <cstring>
#include <nlohmann/json.hpp>

#include "rig.h"

namespace creel::testing_rig {
namespace {

using nlohmann::json;

json config(const json& more = json::object()) {
  json made = {{"name", "camera"},   {"rows", 4},        {"columns", 256},
               {"dispersion_ev", 1}, {"counting", true}, {"world", {{"electrons_per_pulse", 0.5}}}};
  made.update(more);
  return made;
}
json events(const json& more = json::object()) {
  json made = config({{"delivers", "events"}, {"most_events", 200'000}});
  made.update(more);
  return made;
}

struct Exposure {
  std::vector<std::uint32_t> counts;  // by pixel
  std::vector<creel_event> list;      // all places
  creel_frame_info info{};
};

/// One exposure of a rig of its own with the beam on: the same seed and times each time.
Exposure expose(const json& camera_config, std::int64_t exposure_ns = 50 * kMillisecond) {
  Rig rig(5);
  Device shutter(rig, CREEL_KIND_SHUTTER,
                 json({{"shutter", "beam"}, {"world", camera_config["world"]}}).dump());
  Device camera(rig, CREEL_KIND_DETECTOR, camera_config.dump());
  EXPECT_EQ(camera.result, 0) << camera.offer->device->last_error(nullptr);
  shutter.open();
  camera.arm(1, exposure_ns);
  EXPECT_EQ(camera.offer->detector->start(camera.device), 0);
  Exposure made;
  made.info.struct_size = sizeof made.info;
  const std::size_t pixels = std::size_t{camera.exposure.rows} * camera.exposure.columns;
  if (camera.exposure.pixel == CREEL_PIXEL_EVENT) {
    made.list.assign(camera.exposure.most_events, creel_event{7, 7, 7, 7});
    EXPECT_EQ(camera.offer->detector->read_frame(camera.device, made.list.data(),
                                                 made.list.size() * sizeof(creel_event), &made.info,
                                                 1'000'000),
              static_cast<std::int64_t>(made.list.size() * sizeof(creel_event)))
        << camera.offer->device->last_error(camera.device);
    made.counts.resize(pixels);
    for (std::uint64_t i = 0; i < made.info.events; ++i) {
      ++made.counts.at(std::size_t{made.list[i].row} * camera.exposure.columns +
                       made.list[i].column);
    }
  } else {
    const auto image = camera.read();
    made.counts.assign(image.begin(), image.end());
    made.info = camera.info;
  }
  return made;
}

TEST(SimulatedEvents, AreTheElectronsOfTheCountedImageToTheLast) {
  const Exposure image = expose(config());
  const Exposure list = expose(events());
  EXPECT_EQ(list.counts, image.counts);
  EXPECT_GT(list.info.events, 10'000U);
  EXPECT_EQ(list.info.events_lost, 0U);
  EXPECT_EQ(list.info.flags, 0U);
  EXPECT_EQ(list.info.start_ns, image.info.start_ns);
  for (std::size_t i = list.info.events; i < list.list.size(); ++i) {
    ASSERT_EQ(list.list[i].time_ps | list.list[i].column | list.list[i].row, 0U) << i;
  }
}

TEST(SimulatedEvents, ComeInOrderAndWithTheLaserPulses) {
  const Exposure exact = expose(events({{"time_resolution_ns", 0}}));
  const Exposure blurred = expose(events({{"time_resolution_ns", 2}}));
  const std::uint64_t begin_ps = static_cast<std::uint64_t>(exact.info.start_ns) * 1000;
  std::uint64_t last = 0;
  for (std::uint64_t i = 0; i < exact.info.events; ++i) {
    ASSERT_EQ((begin_ps + exact.list[i].time_ps) % 1'000'000, 0U) << "the laser has 1 MHz";
    ASSERT_GE(exact.list[i].time_ps, last);
    last = exact.list[i].time_ps;
  }
  std::uint64_t off = 0;
  for (std::uint64_t i = 0; i < blurred.info.events; ++i) {
    const std::uint64_t after = (begin_ps + blurred.list[i].time_ps) % 1'000'000;
    ASSERT_TRUE(after < 20'000 || after > 980'000) << "ten standard deviations: " << after;
    off += after != 0 ? 1 : 0;
  }
  EXPECT_GT(off, blurred.info.events * 9 / 10);
  EXPECT_EQ(blurred.counts, exact.counts) << "when they came changes nothing of where";
}

TEST(SimulatedEvents, BeyondTheRoomForThemAreCountedAndSaid) {
  const Exposure all = expose(events());
  const Exposure some = expose(events({{"most_events", 5000}}));
  EXPECT_EQ(some.info.events, 5000U);
  EXPECT_EQ(some.info.events + some.info.events_lost, all.info.events);
  EXPECT_EQ(some.info.flags, CREEL_FRAME_SATURATED);
  EXPECT_EQ(std::memcmp(some.list.data(), all.list.data(), 5000 * sizeof(creel_event)), 0)
      << "the first that came are kept";
}

TEST(SimulatedEvents, AreNoneInTheDark) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER,
                 json({{"shutter", "beam"}, {"world", config()["world"]}}).dump());
  Device camera(rig, CREEL_KIND_DETECTOR, events().dump());
  camera.arm(1, kMillisecond);
  ASSERT_EQ(camera.offer->detector->start(camera.device), 0);
  std::vector<creel_event> list(camera.exposure.most_events);
  creel_frame_info info{};
  info.struct_size = sizeof info;
  EXPECT_GT(camera.offer->detector->read_frame(camera.device, list.data(),
                                               list.size() * sizeof(creel_event), &info, 1'000'000),
            0);
  EXPECT_EQ(info.events, 0U);
  EXPECT_EQ(info.events_lost, 0U);
}

TEST(SimulatedEvents, APixelHasNoLimitOfItsOwn) {
  // A zero-loss peak on one row: more than 65535 electrons in its highest channel.
  const json line = {{"rows", 1}, {"most_events", 1'000'000}};
  const Exposure list = expose(events(line), 1000 * kMillisecond);
  EXPECT_GT(*std::max_element(list.counts.begin(), list.counts.end()), 65535U);
  EXPECT_EQ(list.info.flags, 0U);
}

TEST(SimulatedEvents, AreDescribed) {
  Rig rig;
  Device camera(rig, CREEL_KIND_DETECTOR, events({{"time_resolution_ns", 1.5}}).dump());
  const json described = json::parse(camera.offer->device->describe(camera.device));
  EXPECT_EQ(described["pixel"], "event");
  EXPECT_EQ(described["shape"], json({{"rows", 4}, {"columns", 256}}));
  EXPECT_EQ(described["events"],
            json({{"most", 200'000}, {"sorted", true}, {"time_resolution_ns", 1.5}}));
  EXPECT_EQ(described["frames_per_block"], 1);
}

TEST(SimulatedEvents, AskedForInAnImpossibleWayAreRefusedWithTheReason) {
  const auto sentence = [](const json& given) {
    Rig rig;
    Device camera(rig, CREEL_KIND_DETECTOR, given.dump());
    EXPECT_EQ(camera.result, CREEL_E_INVALID) << given;
    return std::string(camera.offer->device->last_error(nullptr));
  };
  EXPECT_EQ(sentence(events({{"counting", false}})),
            "config field delivers: given \"events\" with a detector that does not count; allowed: "
            "\"images\", or \"counting\": true with it");
  EXPECT_EQ(sentence(events({{"delivers", "lists"}})),
            "config field delivers: given \"lists\"; allowed: \"images\", \"events\"");
  EXPECT_EQ(sentence(events({{"most_events", 0}})),
            "config field most_events: given 0; allowed: a whole number from 1 to 67108864");
  EXPECT_EQ(sentence(events({{"most_events", 67'108'865}})),
            "config field most_events: given 67108865; allowed: a whole number from 1 to 67108864");
  EXPECT_EQ(sentence(events({{"time_resolution_ns", -1}})),
            "config field time_resolution_ns: given -1; allowed: a number from 0 to 1000000");
  EXPECT_EQ(sentence(events({{"frames_per_block", 2}})),
            "config field frames_per_block: given 2; allowed: a whole number from 1 to 1");
}

}  // namespace
}  // namespace creel::testing_rig
