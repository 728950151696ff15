// A real creeld that tells the world by itself: a hook that is really run, a real broker. And what
// the night says of itself afterwards, by creel recap and creel ledger.
//
// Software shutter control is not a personnel-safety interlock.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <csignal>

#include "tests/daemon/alerts/broker.h"
#include "tests/system/daemon_process.h"

namespace creel::system_test {
namespace {

using nlohmann::json;
using test::until;
using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::Not;

/// Appends every alert to a file, one line each.
std::string hook_script(const test::Scratch& scratch) {
  return scratch.write("hook", "#!/bin/sh\ncat >> " + scratch.file("alerts") + "\n", 0700);
}

TEST(Alerts, AKilledNightIsToldByHookBrokerRecapAndLedger) {
  const test::Scratch files;
  const test::Broker broker(files);
  const test::Subscriber subscriber(files, broker);
  const ScratchDirectory scratch;
  const std::vector<std::string> alerts = {
      "--alert-hook", hook_script(files),
      "--mqtt",       "127.0.0.1:" + std::to_string(broker.port()),
      "--mqtt-name",  "bench"};
  const auto told = [&](const std::string& part) {
    return until([&] { return files.read("alerts").find(part) != std::string::npos; });
  };
  std::string session;
  {
    DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json", alerts);
    ASSERT_TRUE(subscriber.hears("creel/bench/online true"));
    const json started = daemon.start_series(read_scenario("ink-trial.series.json"));
    ASSERT_TRUE(started.contains("session")) << started;
    session = started["path"];
    const std::string area = "grid-07/film-a";
    daemon.call("ledger.enter", {{"area", area},
                                 {"dose_e_per_a2", 0.01},
                                 {"sigma_e_per_a2", 0.002},
                                 {"reason", "focusing, 3 s"}});
    const ShutterLog log(daemon.pid());
    ASSERT_TRUE(until([&] { return log.open(); }));
    daemon.kill();
  }
  EXPECT_TRUE(subscriber.hears("creel/bench/online false")) << "the broker's Will";
  const Ran killed = run_program("creel", {"recap", session});
  EXPECT_EQ(killed.exit, 0) << killed.said;
  EXPECT_THAT(killed.said, HasSubstr("how it ended: It has not ended"));
  DaemonProcess daemon(scratch.path(), "ink-lab-real-time.rig.json", alerts);
  EXPECT_TRUE(told(R"("kind":"session_taken_up")"));
  ASSERT_TRUE(
      until([&] { return !daemon.call("daemon.status")["series"]["running"].get<bool>(); }));
  EXPECT_TRUE(told(R"("kind":"series_ended")"));
  EXPECT_TRUE(subscriber.hears(R"("state":"idle")"));
  const std::string said = run_program("creel", {"recap", session + ".h5"}).said;
  EXPECT_THAT(said, HasSubstr("creeld ended without a word"));
  EXPECT_THAT(said, HasSubstr("alerts raised: session taken up"));
  EXPECT_THAT(said, HasSubstr("entered by hand for grid-07/film-a: 0.01 e/A^2 (focusing, 3 s)"));
  EXPECT_THAT(said, HasSubstr("charged after a crash"));
  EXPECT_THAT(said, HasSubstr("26 of 26 exposures"));
  EXPECT_THAT(said, Not(HasSubstr("shutter")));
  EXPECT_THAT(run_program("creel", {"recap", session + ".h5", "--all"}).said,
              AllOf(HasSubstr("every shutter is shown to be closed"),
                    HasSubstr("not a personnel-safety interlock")))
      << "said where the page speaks of shutters";
  EXPECT_THAT(said, Not(HasSubstr("not told by the session")));
  // What the recap adds up to is what the ledger has, by cause.
  const json ledger = daemon.call("ledger.balance")["areas"][0];
  json recap = json::parse(run_program("creel", {"recap", session + ".h5", "--json"}).said);
  EXPECT_NEAR(recap["areas"][0]["total_e_per_a2"].get<double>(),
              ledger["charged_e_per_a2"].get<double>(), 1e-9);
  EXPECT_NEAR(recap["areas"][0]["sigma_e_per_a2"].get<double>(),
              ledger["sigma_e_per_a2"].get<double>(), 1e-6);
  const json entries = daemon.call("ledger.entries", {{"most", 3}});
  EXPECT_EQ(entries["entries"].size(), 3U);
  EXPECT_EQ(entries["more"], true);
  daemon.signal(SIGTERM);
  EXPECT_EQ(daemon.wait(seconds(30)), 0);
  EXPECT_TRUE(told(R"("kind":"daemon_ending")"));
  EXPECT_TRUE(subscriber.hears(R"("state":"ending")"));
}

TEST(Alerts, WhatIsWrongOnTheCommandLineIsToldAtOnce) {
  const test::Scratch files;
  const std::string login = files.write("login", "ada\nsecret word\n", 0644);
  const std::string rig = files.write("rig.json", read_scenario("ink-lab.rig.json"));
  const auto run = [&](std::vector<std::string> words) {
    words.insert(words.end(),
                 {"--state", files.file("state"), "--socket", files.file("socket"), "--rig", rig});
    return run_program("creeld", words);
  };
  const Ran open = run({"--mqtt", "localhost", "--mqtt-login", login});
  EXPECT_EQ(open.exit, 2);
  EXPECT_THAT(open.said, HasSubstr("others may read this file, and it holds a password"));
  EXPECT_THAT(open.said, Not(HasSubstr("secret word")));
  const Ran broker = run({"--mqtt", "localhost:no"});
  EXPECT_EQ(broker.exit, 2);
  EXPECT_THAT(broker.said, HasSubstr("HOST:PORT"));
  EXPECT_NE(run({"--alert-hook", files.file("missing")}).exit, 0);
}

}  // namespace
}  // namespace creel::system_test
