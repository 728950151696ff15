// Simulated devices working together through shared memory, as separate hosts would.
#include "rig.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <numeric>
#include <set>

namespace {

using namespace creel::testing_rig;

// A beam without drift, so that sums can be worked out by hand: 1e6 electrons/s, all in vacuum.
const std::string kWorld =
    R"("world": {"laser_drift": 0, "laser_noise": 0, "walk_off": 0, "warm_up": 0,
  "electrons_per_pulse": 1, "residual_fraction": 0.01, "high_tension_drift_v": 0,
  "specimen": {"film_until_um": -1}})";
const std::string kCamera = R"({"name": "camera", "rows": 8, "columns": 256, "dispersion_ev": 1,
  "read_noise": 0, "dark_counts_per_s": 0, "offset_pattern": 0, "gain_pattern": 0, "gain_spread": 0,
  "offset": 0, )" + kWorld + "}";

double electrons(const std::vector<std::uint16_t>& frame) {
  return std::accumulate(frame.begin(), frame.end(), 0.0) / 10.0;  // gain 10
}
#define EXPECT_POISSON(value, mean) \
  EXPECT_NEAR(value, mean, 5 * std::sqrt((mean) + 8 * 256 / 12.0 / 100) + 25)

TEST(SimulatedRig, DetectorSeesTheBeamOnlyWhileTheShutterIsOpen) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER, R"({"shutter": "beam", )" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  ASSERT_EQ(camera.result, 0);
  EXPECT_LT(electrons(camera.take(10 * kMillisecond)), 1);
  shutter.open();
  EXPECT_POISSON(electrons(camera.take(10 * kMillisecond)), 10100);
  shutter.close();
  EXPECT_LT(electrons(camera.take(10 * kMillisecond)), 1);
}

TEST(SimulatedRig, ShutterDefinesTheExposureWhenTheDetectorIntegratesLonger) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER, R"({"shutter": "beam", )" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  camera.arm(1, 100 * kMillisecond);
  ASSERT_EQ(camera.offer->detector->start(camera.device), 0);
  rig.now += 20 * kMillisecond;
  const std::int64_t ordered = rig.now;
  const creel_shutter_state open = shutter.open();
  EXPECT_EQ(open.opened_ns, ordered + 2 * kMillisecond);  // mid-travel of 4 ms
  rig.now += 10 * kMillisecond;
  const creel_shutter_state closed = shutter.close();
  const double open_ms = static_cast<double>(closed.closed_ns - closed.opened_ns) / kMillisecond;
  EXPECT_DOUBLE_EQ(open_ms, 14.0);
  EXPECT_POISSON(electrons(camera.read()), 1010 * open_ms);
}

TEST(SimulatedRig, ShutterTellsItsDelayAndItsTravelApart) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER,
                 R"({"shutter": "beam", "delay_ms": 3, "travel_ms": 4, )" + kWorld + "}");
  const std::int64_t ordered = rig.now;
  creel_shutter_state state = shutter.open();
  EXPECT_EQ(state.opening_began_ns, ordered + 3 * kMillisecond);
  EXPECT_EQ(state.opened_ns, ordered + 5 * kMillisecond);
  EXPECT_EQ(state.opening_ended_ns, ordered + 7 * kMillisecond);
  EXPECT_EQ(state.closing_ended_ns, 0) << "it never closed";
  const std::int64_t back = rig.now += 10 * kMillisecond;
  state = shutter.close();
  EXPECT_EQ(state.closing_began_ns, back + 3 * kMillisecond);
  EXPECT_EQ(state.closed_ns, back + 5 * kMillisecond);
  EXPECT_EQ(state.closing_ended_ns, back + 7 * kMillisecond);
  Device blind(rig, CREEL_KIND_SHUTTER,
               R"({"shutter": "beam", "measures": false, "delay_ms": 3, )" + kWorld + "}");
  EXPECT_EQ(blind.open().opening_ended_ns, 0);
}

TEST(SimulatedRig, CathodeShutterLeavesTheResidualBeamWhichIsNotDark) {
  Rig rig;
  Device beam(rig, CREEL_KIND_SHUTTER, R"({"shutter": "beam", )" + kWorld + "}");
  Device cathode(rig, CREEL_KIND_SHUTTER, R"({"shutter": "cathode", )" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  beam.open();
  EXPECT_POISSON(electrons(camera.take(100 * kMillisecond)), 1000);
  cathode.open();
  EXPECT_POISSON(electrons(camera.take(10 * kMillisecond)), 10100);
}

TEST(SimulatedRig, NewHostOfAShutterFindsItOpenAndClosesIt) {
  Rig rig;
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  Device first(rig, CREEL_KIND_SHUTTER, R"({"shutter": "beam", )" + kWorld + "}");
  first.open();  // and its host dies: nothing closes it
  EXPECT_POISSON(electrons(camera.take(10 * kMillisecond)), 10100);
  Device second(rig, CREEL_KIND_SHUTTER, R"({"shutter": "beam", )" + kWorld + "}");
  rig.now += 4 * kMillisecond;
  EXPECT_LT(electrons(camera.take(10 * kMillisecond)), 1);
}

TEST(SimulatedRig, StuckShutterStaysOpenAndSaysSo) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER, R"({"stuck_open": true, )" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  shutter.open();
  const creel_shutter_state state = shutter.close();
  EXPECT_EQ(state.commanded, CREEL_SHUTTER_CLOSED);
  EXPECT_EQ(state.measured, CREEL_SHUTTER_OPEN);
  EXPECT_POISSON(electrons(camera.take(10 * kMillisecond)), 10100);
}

TEST(SimulatedRig, SilentShutterObeysButTimesOut) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER, R"({"silent": true, )" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  shutter.open();
  EXPECT_EQ(shutter.last, CREEL_E_TIMEOUT);
  shutter.close();
  EXPECT_EQ(shutter.last, CREEL_E_TIMEOUT);
  EXPECT_LT(electrons(camera.take(10 * kMillisecond)), 1);
}

TEST(SimulatedRig, SameSeedAndLogGiveTheSameBytes) {
  std::set<std::vector<std::uint16_t>> frames;
  for (const std::uint64_t seed : {5u, 5u, 6u}) {
    Rig rig(seed);
    Device shutter(rig, CREEL_KIND_SHUTTER, "{}");
    Device camera(rig, CREEL_KIND_DETECTOR,
                  R"({"name": "camera", "rows": 16, "columns": 512, "dispersion_ev": 1})");
    shutter.open();
    frames.insert(camera.take(20 * kMillisecond));
  }
  EXPECT_EQ(frames.size(), 2u);
}

TEST(SimulatedRig, EnergyOffsetMovesTheZeroLoss) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER, "{" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  const auto peak = [&] {
    const auto frame = camera.take(10 * kMillisecond);
    std::vector<double> sum(256);
    for (std::size_t i = 0; i < frame.size(); ++i) {
      sum[i % 256] += frame[i];
    }
    return std::max_element(sum.begin(), sum.end()) - sum.begin();
  };
  shutter.open();
  EXPECT_NEAR(static_cast<double>(peak()), 23.5,
              0.6);  // zero loss lies on the edge of channels 23 and 24
  ASSERT_EQ(camera.offer->device->set(camera.device, "energy_offset_ev", "-50.5"), 0);
  EXPECT_EQ(peak(), 74);
  EXPECT_NE(camera.offer->device->set(camera.device, "energy_offset_ev", "5000"), 0);
  // The stage's energy offset works on the same axis.
  Device stage(rig, CREEL_KIND_STAGE, "{" + kWorld + "}");
  ASSERT_EQ(stage.offer->stage->move(stage.device, 3, 10.0), 0);
  EXPECT_EQ(peak(), 64);
}

TEST(SimulatedRig, LostFrameShowsAsAGapInTheIndices) {
  Rig rig;
  std::string config = kCamera;
  config.insert(1, R"("lose_frame": 2, )");
  Device camera(rig, CREEL_KIND_DETECTOR, config);
  camera.arm(4, kMillisecond);
  ASSERT_EQ(camera.offer->detector->start(camera.device), 0);
  std::vector<std::uint64_t> indices;
  for (int i = 0; i < 3; ++i) {
    camera.read();
    indices.push_back(camera.info.first);
  }
  EXPECT_EQ(indices, (std::vector<std::uint64_t>{0, 1, 3}));
}

TEST(SimulatedRig, SpectraTravelInBlocks) {
  Rig rig;
  Device camera(rig, CREEL_KIND_DETECTOR,
                R"({"rows": 1, "columns": 256, "dispersion_ev": 1, "readout_ms": 0})");
  camera.arm(100, kMillisecond);
  EXPECT_EQ(camera.exposure.frames_per_block, 50u);
  ASSERT_EQ(camera.offer->detector->start(camera.device), 0);
  camera.read();
  EXPECT_EQ(camera.info.frames, 50u);
  EXPECT_EQ(camera.info.period_ns, kMillisecond);
}

TEST(SimulatedRig, DevicesOfDifferentWorldsAreRefused) {
  Rig rig;
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  Device gauge(rig, CREEL_KIND_GAUGE, R"({"world": {"laser_power_mw": 7}})");
  EXPECT_EQ(gauge.result, CREEL_E_INVALID);
  EXPECT_NE(std::string(gauge.offer->device->last_error(nullptr)).find("world"), std::string::npos);
}

TEST(SimulatedRig, TruthIsNotToldByAnyDevice) {
  Rig rig;
  for (const std::uint32_t kind :
       {CREEL_KIND_DETECTOR, CREEL_KIND_SHUTTER, CREEL_KIND_STAGE, CREEL_KIND_GAUGE}) {
    Device device(rig, kind, "{}");
    const std::string told = std::string(device.offer->device->describe(device.device)) +
                             device.offer->device->settings(device.device);
    for (const char* secret : {"fe3", "critical", "lambda", "truth", "thickness"}) {
      EXPECT_EQ(told.find(secret), std::string::npos) << kind << " " << secret;
    }
  }
}

TEST(SimulatedRig, GaugeDoesNotSeeTheShutterButSeesDropOuts) {
  Rig rig;
  Device gauge(rig, CREEL_KIND_GAUGE, R"({"world": {"dropouts_per_hour": 30, "dropout_s": 60}})");
  int low = 0;
  creel_reading readings[3];
  for (int i = 0; i < 1000; ++i) {
    rig.now += 3600 * kMillisecond;
    ASSERT_EQ(gauge.offer->gauge->read(gauge.device, readings, 3), 3);
    low += readings[0].value < 1 ? 1 : 0;
    EXPECT_NEAR(readings[1].value, 200, 0.01);
  }
  EXPECT_NEAR(low, 500, 50);
}

// Every rig that Creel ships is opened as its hosts would: all its devices in one world.
TEST(SimulatedRig, ShippedRigsOpen) {
  const char* source = std::getenv("CREEL_SOURCE");
  ASSERT_NE(source, nullptr) << "run through ctest, or set CREEL_SOURCE to the source folder";
  const std::map<std::string, std::uint32_t> kinds = {{"detector", CREEL_KIND_DETECTOR},
                                                      {"shutter", CREEL_KIND_SHUTTER},
                                                      {"stage", CREEL_KIND_STAGE},
                                                      {"gauge", CREEL_KIND_GAUGE}};
  int opened = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(std::string(source) + "/sim/scenarios")) {
    if (entry.path().string().find(".rig.json") == std::string::npos) {
      continue;
    }
    Rig rig;
    std::ifstream file(entry.path());
    const nlohmann::json document = nlohmann::json::parse(file);
    for (const nlohmann::json& described : document.at("devices")) {
      const std::string driver = described.at("driver");
      if (driver != "simulated" && driver != "blank") {
        continue;
      }
      nlohmann::json config = described.value("config", nlohmann::json::object());
      config["name"] = described.at("name");
      const Device device(rig, kinds.at(described.at("kind")), config.dump(), driver.c_str());
      EXPECT_EQ(device.result, 0) << entry.path() << " " << described.at("name") << ": "
                                  << device.offer->device->last_error(nullptr);
      ++opened;
    }
  }
  EXPECT_GT(opened, 0);
}

TEST(BlankDetector, FramesCarryTheirIndex) {
  Rig rig;
  Device blank(rig, CREEL_KIND_DETECTOR,
               R"({"rows": 1, "columns": 32, "frames_per_block": 4, "frames_rendered": 3})",
               "blank");
  blank.arm(10, 0);
  ASSERT_EQ(blank.offer->detector->start(blank.device), 0);
  std::uint64_t next = 0;
  std::set<std::string> textures;
  while (next < 10) {
    const auto block = blank.read();
    for (std::uint32_t i = 0; i < blank.info.frames; ++i) {
      std::uint64_t index = 0;
      std::memcpy(&index, block.data() + std::size_t{i} * 32, sizeof index);
      EXPECT_EQ(index, next++);
      textures.emplace(reinterpret_cast<const char*>(block.data() + std::size_t{i} * 32) + 8, 56);
    }
  }
  EXPECT_EQ(textures.size(), 3u);
}

}  // namespace
