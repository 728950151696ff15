// Live set-up and the map of areas, end to end: creeld, its hosts and creel on the simulated rig.
//
// Software shutter control is not a personnel-safety interlock; these tests show what it does do.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>

#include "protocol/rpc/client.h"
#include "tests/system/daemon_process.h"

namespace creel::system_test {
namespace {

using nlohmann::json;
using testing::HasSubstr;

constexpr const char* kSeries = "ink-trial.series.json";

json set_up_order(double limit_s) {
  return {{"text", read_scenario(kSeries)},
          {"origin", kSeries},
          {"area", "film-a"},
          {"exposure_s", 0.01},
          {"limit_s", limit_s}};
}

double charged(DaemonProcess& daemon, const std::string& area) {
  return daemon.call("ledger.balance", {{"area", area}})["areas"][0]["charged_e_per_a2"];
}

json call(rpc::Client& client, const std::string& method, const json& params = json::object()) {
  const auto result = client.call(method, params, seconds(60));
  EXPECT_TRUE(result.ok()) << (result.ok() ? "" : result.error().text);
  return result.ok() ? *result : json();
}

TEST(System, ALiveSetUpShowsTheBeamChargesItsAreaAndItsNeighbourAndClosesByItself) {
  const ScratchDirectory scratch;
  DaemonProcess daemon(scratch.path(), "ink-lab.rig.json");
  daemon.call("grids.add", {{"grid", "grid-07"}});
  daemon.call("grids.add_area",
              {{"grid", "grid-07"}, {"name", "film-a"}, {"x_um", -212.5}, {"y_um", 87}});
  daemon.call("grids.add_area",
              {{"grid", "grid-07"}, {"name", "film-b"}, {"x_um", -212}, {"y_um", 87}});
  daemon.call("grids.set_profile", {{"shape", "flat"},
                                    {"diameter_nm", 1000},
                                    {"relative_uncertainty", 0.2},
                                    {"method", "image of the lit disc"}});
  const json begun = daemon.call("setup.start", set_up_order(20));
  ASSERT_TRUE(begun["running"].get<bool>()) << begun;
  EXPECT_THAT(begun["safety"], HasSubstr("not a personnel-safety interlock"));
  ASSERT_TRUE(
      until(seconds(60), [&] { return !daemon.call("setup.status")["running"].get<bool>(); }));
  const json last = daemon.call("setup.status")["last"];
  EXPECT_EQ(last["outcome"], "clock") << last;
  // The rig's world makes 6.28 electrons a pulse; through the film no more reach the detector.
  EXPECT_GT(last["live"]["electrons_per_pulse"], 3.0);
  EXPECT_LT(last["live"]["electrons_per_pulse"], 6.6);
  EXPECT_NEAR(last["live"]["zero_loss_ev"], 0, 1);
  EXPECT_NEAR(last["live"]["zero_loss_fwhm_ev"], 0.9, 0.3);
  // What the rig's gauges are for: laser of 20 mW, 200 kV, a room of 21 degrees.
  const json& gauges = last["gauges"];
  ASSERT_EQ(gauges.size(), 3U) << gauges;
  for (const json& one : gauges) {
    const bool laser = one["gauge"] == "laser_power";
    const double expected = laser ? 20 : one["gauge"] == "room" ? 21 : 200;
    EXPECT_NEAR(one["value"].get<double>(), expected, 0.1 * expected) << one;
  }
  const double given = charged(daemon, "grid-07/film-a");
  EXPECT_NEAR(last["dose"]["series_e_per_a2"], given, 1e-9);
  EXPECT_GT(given, 0.2);  // 20 s at 0.02 e/A^2/s, darks taken off
  EXPECT_LT(given, 0.45);
  // Two equal discs one radius apart share 39.1 % (E. W. Weisstein, Circle-Circle Intersection).
  EXPECT_NEAR(charged(daemon, "grid-07/film-b"), 0.391002 * given, 1e-4);
  // Nothing of it is a session.
  EXPECT_TRUE(daemon.call("session.list")["sessions"].empty());
}

TEST(System, ASetUpEndsWithItsWatcherAndIsNotTakenUpAfterAKill) {
  const ScratchDirectory scratch;
  {
    DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json");
    const ShutterLog log(daemon.pid());
    {
      auto watcher = rpc::Client::connect(scratch.path() / "creeld.sock");
      ASSERT_TRUE(watcher.ok()) << watcher.error().text;
      call(*watcher, "setup.start", set_up_order(60));
      const auto told = watcher->wait_notification(seconds(10));
      ASSERT_TRUE(told.ok());
      EXPECT_EQ(told->method, "setup");
      ASSERT_TRUE(until(seconds(20), [&] { return log.open(); }));
    }
    ASSERT_TRUE(
        until(seconds(20), [&] { return !daemon.call("setup.status")["running"].get<bool>(); }));
    EXPECT_FALSE(log.open());
    EXPECT_THAT(daemon.call("setup.status")["last"]["reason"], HasSubstr("went away"));

    daemon.call("setup.start", set_up_order(60));
    ASSERT_TRUE(until(seconds(20), [&] { return log.open(); }));
    daemon.kill();
    EXPECT_TRUE(until(seconds(5), [&] { return !log.open(); }));
  }
  DaemonProcess next(scratch.path(), "ink-lab-real-time.rig.json");
  const ShutterLog log(next.pid());
  const json status = next.call("setup.status");
  EXPECT_FALSE(status["running"].get<bool>());
  EXPECT_EQ(status["last"]["outcome"], "cut short");
  EXPECT_FALSE(next.call("daemon.status")["series"]["running"].get<bool>());
  EXPECT_EQ(next.call("ledger.balance")["areas"][0]["intended_e_per_a2"], 0.0);
  EXPECT_TRUE(log.beam().empty() || !log.open());
}

}  // namespace
}  // namespace creel::system_test
