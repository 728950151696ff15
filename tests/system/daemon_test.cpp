// Real processes: creeld, its hosts, the simulated rig. Kills and hangs are real; the closing time
// is measured at the simulated shutter itself.
//
// Software shutter control is not a personnel-safety interlock; these tests show what it does do.

#include <gtest/gtest.h>

#include <algorithm>
#include <csignal>
#include <cstdio>
#include <iostream>
#include <random>

#include "protocol/session/reader.h"
#include "protocol/session/verify.h"
#include "tests/system/daemon_process.h"

namespace creel::system_test {
namespace {

using nlohmann::json;

json start_series(DaemonProcess& daemon, const std::string& name) {
  return daemon.start_series(read_scenario(name));
}

/// When the shutter closed after `ns`, or -1.
std::int64_t closed_after(const ShutterLog& log, std::int64_t ns) {
  for (const auto& change : log.beam()) {
    if (!change.open && change.monotonic_ns >= ns) {
      return change.monotonic_ns;
    }
  }
  return -1;
}

TEST(System, ASeriesOnTheAcceleratedRigEndsInOneIntactFile) {
  const ScratchDirectory scratch;
  DaemonProcess daemon(scratch.path(), "ink-lab.rig.json");
  const json started = start_series(daemon, "ink-trial.series.json");
  ASSERT_TRUE(started.contains("session")) << started;
  ASSERT_TRUE(until(seconds(120), [&] {
    return !daemon.call("daemon.status")["series"]["running"].get<bool>();
  }));
  const json last = daemon.call("daemon.status")["series"]["last"];
  ASSERT_EQ(last["outcome"], "complete") << last;
  const auto source = session::native_source();
  auto report = session::verify(*source, last["path"]);
  ASSERT_TRUE(report.ok()) << report.error().text;
  EXPECT_TRUE(report->intact()) << session::to_json(*report).dump(2);
  EXPECT_EQ(report->frames, started["exposures"].get<std::uint64_t>());
  // What the records say was given is what the ledger says.
  const json ledger = daemon.call("ledger.balance")["areas"][0];
  ASSERT_EQ(report->doses.size(), 1U);
  EXPECT_NEAR(report->doses[0].dose, ledger["charged_e_per_a2"].get<double>(), 1e-9);
  EXPECT_EQ(ledger["intended_e_per_a2"], 0.0);
}

// kill -9 at a random moment of an open exposure, twenty times; the daemon takes the series up
// again each time.
TEST(System, TwentyKillsOfTheDaemonCloseTheShutterAndLoseNoAcknowledgedFrame) {
  const ScratchDirectory scratch;
  std::mt19937_64 random(20);
  std::vector<double> closing_ms;
  std::uint64_t safe_before = 0;
  std::string session;
  while (closing_ms.size() < 20) {
    DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json");
    const ShutterLog log(daemon.pid());
    json status = daemon.call("daemon.status")["series"];
    if (!status["running"].get<bool>()) {
      const json started = start_series(daemon, "ink-trial.series.json");
      ASSERT_TRUE(started.contains("session")) << started;
      session = started["session"];
      safe_before = 0;
      status = daemon.call("daemon.status")["series"];
    }
    ASSERT_EQ(status["session"], session) << "the daemon did not take up its session";
    EXPECT_GE(status["frames_safe"].get<std::uint64_t>(), safe_before)
        << "an acknowledged frame is gone";
    if (!until(seconds(15), [&] { return log.open(); })) {
      continue;  // it had just come to its end
    }
    pause_for(microseconds(static_cast<std::int64_t>(random() % 150'000)));
    status = daemon.call("daemon.status")["series"];
    safe_before = status.value("frames_safe", safe_before);
    const auto hosts = daemon.hosts();
    const bool was_open = log.open();
    const std::int64_t killed = monotonic_ns();
    daemon.kill();
    for (const pid_t host : hosts) {
      EXPECT_TRUE(gone_within(host, seconds(5))) << "a host outlived its daemon";
    }
    EXPECT_FALSE(log.open()) << "the shutter is open and nobody is left to close it";
    const std::int64_t closed = closed_after(log, killed);
    if (was_open && closed > 0) {
      closing_ms.push_back(static_cast<double>(closed - killed) * 1e-6);
    }
  }
  std::sort(closing_ms.begin(), closing_ms.end());
  std::printf("kill -9 of creeld -> shutter closed, %zu kills: median %.2f ms, longest %.2f ms\n",
              closing_ms.size(), closing_ms[closing_ms.size() / 2], closing_ms.back());
  EXPECT_LT(closing_ms.back(), 2000) << "later than the lease: the hang-up was not noticed";
}

TEST(System, ASuspendedDaemonCannotKeepTheShutterOpenBeyondItsLease) {
  const ScratchDirectory scratch;
  DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json");
  const ShutterLog log(daemon.pid());
  ASSERT_TRUE(start_series(daemon, "ink-trial.series.json").contains("session"));
  ASSERT_TRUE(until(seconds(15), [&] { return log.open(); }));
  const std::int64_t stopped = monotonic_ns();
  daemon.signal(SIGSTOP);
  ASSERT_TRUE(until(seconds(20), [&] { return !log.open(); })) << "the lease did not close it";
  std::printf("SIGSTOP of creeld -> shutter closed after %.0f ms\n",
              static_cast<double>(closed_after(log, stopped) - stopped) * 1e-6);
  daemon.signal(SIGCONT);
  // It notices, repeats the exposure, and goes on to the end.
  ASSERT_TRUE(until(
      seconds(60), [&] { return !daemon.call("daemon.status")["series"]["running"].get<bool>(); }));
  EXPECT_EQ(daemon.call("daemon.status")["series"]["last"]["outcome"], "complete");
}

TEST(System, AKilledShutterHostIsNoticedAndTheExposureRepeated) {
  const ScratchDirectory scratch;
  DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json");
  const ShutterLog log(daemon.pid());
  ASSERT_TRUE(start_series(daemon, "ink-trial.series.json").contains("session"));
  ASSERT_TRUE(until(seconds(15), [&] { return log.open(); }));
  for (const pid_t host : daemon.hosts()) {
    ::kill(host, SIGKILL);  // every device at once
  }
  ASSERT_TRUE(until(seconds(60), [&] {
    return !daemon.call("daemon.status")["series"]["running"].get<bool>();
  })) << daemon.call("daemon.status").dump(2);
  const json last = daemon.call("daemon.status")["series"]["last"];
  EXPECT_EQ(last["outcome"], "complete") << last;
}

TEST(System, CloseAllBreaksTheExposureAndHoldsUntilAPersonContinues) {
  const ScratchDirectory scratch;
  DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json");
  const ShutterLog log(daemon.pid());
  ASSERT_TRUE(start_series(daemon, "ink-trial.series.json").contains("session"));
  ASSERT_TRUE(until(seconds(15), [&] { return log.open(); }));
  const json closed = daemon.call("shutters.close_all");
  ASSERT_EQ(closed["shutters"].size(), 2U) << closed;
  for (const json& shutter : closed["shutters"]) {
    EXPECT_TRUE(shutter["closed"].get<bool>()) << shutter;
  }
  ASSERT_TRUE(until(
      seconds(10), [&] { return daemon.call("daemon.status")["series"].value("holding", false); }));
  EXPECT_FALSE(log.open());
  EXPECT_EQ(daemon.call("series.continue"), json::object());
  EXPECT_TRUE(until(
      seconds(60), [&] { return !daemon.call("daemon.status")["series"]["running"].get<bool>(); }));
}

TEST(System, SigtermClosesEverythingAndTheNextDaemonGoesOn) {
  const ScratchDirectory scratch;
  std::string session;
  {
    DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json");
    const ShutterLog log(daemon.pid());
    const json started = start_series(daemon, "ink-trial.series.json");
    ASSERT_TRUE(started.contains("session")) << started;
    session = started["session"];
    ASSERT_TRUE(until(seconds(15), [&] { return log.open(); }));
    daemon.signal(SIGTERM);
    EXPECT_EQ(daemon.wait(seconds(15)), 0);
    EXPECT_FALSE(log.open());
  }
  DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json");
  EXPECT_EQ(daemon.call("daemon.status")["series"]["session"], session);
}

}  // namespace
}  // namespace creel::system_test
