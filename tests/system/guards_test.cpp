// Guards that watch frames, through the real processes on the simulated rig: an axis that drifts is
// brought back, a source that fades is waited for, and a daemon that was killed meanwhile knows in
// its next life what it knew. And a detector that dies in the middle of an exposure.
//
// Software shutter control is not a personnel-safety interlock.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <csignal>
#include <fstream>
#include <sstream>

#include "protocol/session/reader.h"
#include "protocol/session/verify.h"
#include "tests/system/daemon_process.h"

namespace creel::system_test {
namespace {

using nlohmann::json;
using ::testing::HasSubstr;
namespace fs = std::filesystem;

std::string rig_with(const fs::path& directory, const json& world, const json& camera = {}) {
  json rig = json::parse(read_scenario("ink-lab.rig.json"));
  rig["common"]["simulated"]["world"].update(world);
  rig["common"]["simulated"]["world"]["dropouts_per_hour"] = 0;
  for (json& device : rig["devices"]) {
    if (device["name"] == "camera") {
      device["config"]["rows"] = 2;
      device["config"].update(camera.is_null() ? json::object() : camera);
    }
  }
  const fs::path path = directory / "guards.rig.json";
  std::ofstream(path) << rig.dump(1);
  return path.string();
}

/// Core loss of the film with the zero loss off the detector, references in between, without end.
std::string series_with(const json& guards, double exposure_s = 8) {
  json series = json::parse(read_scenario("ink-trial.series.json"));
  series["guards"] = guards;
  series["guards"]["dose_e_per_a2"] = 1e5;
  series["areas"][0]["dose_limit_e_per_a2"] = 1e5;
  const auto offset = [](double value) {
    return json::array({{{"device", "camera"}, {"name", "energy_offset_ev"}, {"value", value}}});
  };
  series["blocks"] = {
      {{"name", "darks"}, {"kind", "dark"}, {"exposure_s", exposure_s}, {"count", 6}},
      {{"name", "short-darks"}, {"kind", "dark"}, {"exposure_s", 0.002}, {"count", 6}},
      {{"name", "film"},
       {"kind", "specimen"},
       {"area", "film-a"},
       {"exposure_s", exposure_s},
       {"count", 100'000},
       {"energy_offset_ev", 200},
       {"settings", offset(224)},
       {"interleave",
        {{{"kind", "zero_loss"},
          {"every", 2},
          {"exposure_s", 0.002},
          {"energy_offset_ev", -24},
          {"settings", offset(0)}}}}}};
  return series.dump(1);
}

class GuardedNight : public testing::Test {
 protected:
  void begin(const std::string& rig, const std::string& series) {
    rig_ = rig;
    daemon_ = std::make_unique<DaemonProcess>(scratch_.path(), rig_);
    const json started = daemon_->start_series(series);
    ASSERT_TRUE(started.contains("path")) << started;
    session_ = started["path"];
  }
  void kill_and_start_again() {
    daemon_->kill();
    daemon_ = std::make_unique<DaemonProcess>(scratch_.path(), rig_);
  }
  [[nodiscard]] json status() { return daemon_->call("daemon.status")["series"]; }
  /// The events `guard` of one guard so far, or those after the restart.
  [[nodiscard]] std::vector<json> verdicts(const std::string& guard, bool since_restart = false) {
    std::vector<json> found;
    const auto source = session::native_source();
    auto reader = session::Reader::open(*source, session_);
    bool counts = !since_restart;
    if (reader.ok()) {
      (void)(*reader)->each_event([&](const json& event) {
        const std::string what = event.value("event", "");
        counts = counts || what == "resumed";
        if (counts && what == "guard" && event.value("guard", "") == guard) {
          found.push_back(event);
        }
      });
    }
    return found;
  }
  void end_intact() {
    ASSERT_EQ(daemon_->call("series.stop"), json::object());
    ASSERT_TRUE(until(seconds(120), [&] { return !status()["running"].get<bool>(); })) << status();
    const json last = status()["last"];
    const auto report = session::verify(*session::native_source(), last["path"]);
    ASSERT_TRUE(report.ok()) << report.error().text;
    EXPECT_TRUE(report->intact()) << session::to_json(*report).dump(1);
    const json ledger = daemon_->call("ledger.balance")["areas"][0];
    EXPECT_EQ(ledger["intended_e_per_a2"], 0.0);
  }

  const ScratchDirectory scratch_;
  std::string rig_, session_;
  std::unique_ptr<DaemonProcess> daemon_;
};

TEST_F(GuardedNight, AnAxisThatDriftsIsBroughtBackAlsoByTheNextLifeOfTheDaemon) {
  begin(rig_with(scratch_.path(), {{"high_tension_drift_v", 6}, {"high_tension_period_s", 600}}),
        series_with({{"zero_loss_drift",
                      {{"limit_ev", 1.0},
                       {"recentre", {{"device", "camera"}, {"setting", "energy_offset_ev"}}}}}}));
  std::vector<json> moves;
  ASSERT_TRUE(until(seconds(60), [&] { return (moves = verdicts("zero_loss_drift")).size() >= 2; }))
      << status();
  kill_and_start_again();
  moves = verdicts("zero_loss_drift");
  const json& last = moves.back();
  ASSERT_EQ(last["decision"], "recentre") << last;
  // The simulated world begins anew with the daemon, so the axis stands off by what it was moved.
  std::vector<json> after;
  ASSERT_TRUE(until(seconds(60), [&] {
    return !(after = verdicts("zero_loss_drift", true)).empty();
  })) << status();
  EXPECT_EQ(after[0]["first_ev"], moves[0]["first_ev"]) << "where it belongs is not learnt anew";
  EXPECT_EQ(after[0]["axis_moved_ev"], last["axis_offset_ev"]);
  EXPECT_EQ(after[0]["moved_times"], moves.size()) << "how often it was moved is not forgotten";
  end_intact();
}

TEST_F(GuardedNight, ASourceThatFadedIsKnownToHaveFadedAfterAKill) {
  json series = json::parse(series_with({{"emission",
                                          {{"below", 0.6},
                                           {"device", "laser_power"},
                                           {"channel", "laser_power"},
                                           {"wait_s", 30},
                                           {"at_most_s", 36000}}}}));
  series["blocks"][2].erase("interleave");  // each kind of exposure has a start of its own
  begin(rig_with(scratch_.path(), {{"walk_off", 1}, {"walk_off_period_s", 600}, {"warm_up", 0}}),
        series.dump());
  std::vector<json> before;
  ASSERT_TRUE(until(seconds(60), [&] { return !(before = verdicts("emission")).empty(); }))
      << status();
  kill_and_start_again();
  before = verdicts("emission");
  std::vector<json> after;
  ASSERT_TRUE(until(seconds(60), [&] { return !(after = verdicts("emission", true)).empty(); }))
      << status();
  EXPECT_EQ(after[0]["start_per_s"], before[0]["start_per_s"]) << "the start is not learnt anew";
  end_intact();
}

TEST_F(GuardedNight, TheRunningRatioGoesOnWhereItWas) {
  begin(rig_with(scratch_.path(), json::object(), {{"rows", 16}}), series_with(json::object()));
  json last;
  ASSERT_TRUE(until(seconds(60), [&] {
    last = status();
    return last["frames_safe"] >= 90 && last["white_line_ratio_sigma"].is_number();
  })) << last;
  kill_and_start_again();
  json now;
  ASSERT_TRUE(until(seconds(60), [&] {
    now = status();
    return now["white_line_ratio_sigma"].is_number();
  })) << now;
  EXPECT_LT(now["white_line_ratio_sigma"].get<double>(),
            1.3 * last["white_line_ratio_sigma"].get<double>())
      << "from few frames it would be three times as large";
  end_intact();
}

/// The host of the detector: it alone has a frame ring.
pid_t host_of_detector(const DaemonProcess& daemon) {
  for (const pid_t host : daemon.hosts()) {
    std::ifstream file("/proc/" + std::to_string(host) + "/maps");
    std::stringstream maps;
    maps << file.rdbuf();
    if (maps.str().find("ring") != std::string::npos) {
      return host;
    }
  }
  return -1;
}

TEST_F(GuardedNight, ADetectorThatDiesEndsTheExposureAtOnce) {
  const fs::path rig =
      fs::path(std::getenv("CREEL_SOURCE")) / "sim/scenarios/ink-lab-real-time.rig.json";
  json series = json::parse(series_with(json::object()));
  series["blocks"] = {{{"name", "film"},
                       {"kind", "specimen"},
                       {"area", "film-a"},
                       {"exposure_s", 30},
                       {"count", 2}}};
  begin(rig.string(), series.dump());
  const ShutterLog log(daemon_->pid());
  ASSERT_TRUE(until(seconds(20), [&] { return log.open() && status()["doing"] == "exposing"; }));
  pause_for(milliseconds(200));
  const pid_t camera = host_of_detector(*daemon_);
  ASSERT_GT(camera, 0);
  ::kill(camera, SIGKILL);
  json broken;
  const auto exposure_broken = [&] {
    const auto source = session::native_source();
    auto reader = session::Reader::open(*source, session_);
    if (reader.ok()) {
      (void)(*reader)->each_event([&](const json& event) {
        broken = event.value("event", "") == "exposure_broken" ? event : broken;
      });
    }
    return !broken.is_null();
  };
  ASSERT_TRUE(until(seconds(60), exposure_broken)) << status();
  EXPECT_THAT(broken["text"].get<std::string>(), HasSubstr("camera: its process is gone"));
  // A third of the exposure at the most, where waiting for its end would have given all of it.
  EXPECT_LT(broken["dose_e_per_a2"].get<double>(), 0.02 * 10);
  EXPECT_GT(broken["dose_e_per_a2"].get<double>(), 0);
}

}  // namespace
}  // namespace creel::system_test
