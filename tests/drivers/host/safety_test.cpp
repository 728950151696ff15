// What closes a shutter when something else has failed. Real processes, real signals, real time;
// the only upper bounds are hang guards of many seconds.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>

#include "tests/drivers/host/host_under_test.h"

namespace creel::tests {
namespace {

using nlohmann::json;

std::int64_t monotonic_ns() {
  timespec now{};
  ::clock_gettime(CLOCK_MONOTONIC, &now);
  return static_cast<std::int64_t>(now.tv_sec) * 1'000'000'000 + now.tv_nsec;
}

constexpr std::int64_t kShort = 150'000'000;     // a lease that a test waits out
constexpr std::int64_t kLong = 300'000'000'000;  // one that must not be what closes the shutter

class Safety : public ::testing::Test {
 protected:
  void open(json config = json::object()) {
    config["record"] = notes.path();
    const auto opened = host.open(plugin("obliging"), "shutter", std::move(config));
    ASSERT_TRUE(opened.ok()) << opened.error().text;
  }
  void open_shutter(std::int64_t open_for_ns) {
    const auto opened = host.call("open_shutter", {{"open_for_ns", open_for_ns}});
    ASSERT_TRUE(opened.ok()) << opened.error().text;
    ASSERT_EQ(RECORD_GET(notes->open), 1);
  }
  bool closed() { return RECORD_GET(notes->open) == 0; }
  bool ended() {
    return host.run_until([&] { return !host.gone().empty(); });
  }
  // The process that is the host of this test: the only child of ours.
  pid_t host_pid() {
    std::ifstream children("/proc/self/task/" + std::to_string(::getpid()) + "/children");
    pid_t pid = 0;
    children >> pid;
    return pid;
  }

  Notes notes;
  HostUnderTest host;
};

TEST_F(Safety, TheEndOfTheLeaseClosesTheShutterAndTheHostGoesOn) {
  open();
  const std::int64_t before = monotonic_ns();
  open_shutter(kShort);
  const json safe = host.event("safe");
  EXPECT_EQ(safe["why"], "lease ended");
  EXPECT_EQ(safe["state"]["measured"], "closed");
  EXPECT_TRUE(closed());
  EXPECT_GE(RECORD_GET(notes->safe_ns) - before, kShort);  // not before its time either
  EXPECT_TRUE(host.call("state").ok());
  open_shutter(kLong);  // and it may be opened again
}

TEST_F(Safety, RenewingKeepsTheShutterOpenPastTheFirstLease) {
  open();
  const std::int64_t before = monotonic_ns();
  open_shutter(4 * kShort);
  while (monotonic_ns() - before < 8 * kShort) {
    ASSERT_TRUE(host.call("renew", {{"open_for_ns", kLong}}).ok());
    ::usleep(10'000);
  }
  EXPECT_FALSE(closed());
  EXPECT_EQ(RECORD_GET(notes->safe), 0);
  EXPECT_GT(RECORD_GET(notes->renewed), 0);  // the device's own timer was extended too
}

TEST_F(Safety, ALeaseThatHasEndedCannotBeRenewed) {
  open();
  EXPECT_EQ(host.call("renew", {{"open_for_ns", kLong}}).error().code, ErrorCode::refused);
  open_shutter(kShort);
  EXPECT_EQ(host.event("safe")["why"], "lease ended");
  EXPECT_EQ(host.call("renew", {{"open_for_ns", kLong}}).error().code, ErrorCode::refused);
  EXPECT_TRUE(closed());
}

TEST_F(Safety, AClosedShutterHasNoLeaseThatCouldEnd) {
  open();
  open_shutter(kShort);
  ASSERT_TRUE(host.call("close_shutter").ok());
  ::usleep(static_cast<useconds_t>(2 * kShort / 1000));
  EXPECT_TRUE(host.call("ping").ok());
  EXPECT_EQ(RECORD_GET(notes->safe), 0);
}

TEST_F(Safety, ALeaseWithoutALengthOpensNothing) {
  open();
  EXPECT_EQ(host.call("open_shutter").error().code, ErrorCode::invalid_request);
  EXPECT_EQ(host.call("open_shutter", {{"open_for_ns", 0}}).error().code,
            ErrorCode::invalid_request);
  EXPECT_EQ(RECORD_GET(notes->opened), 0);
}

TEST_F(Safety, HangingUpClosesTheShutterFreesTheDeviceAndEndsTheHost) {
  open();
  open_shutter(kLong);
  host.hang_up();
  EXPECT_TRUE(closed());
  EXPECT_EQ(RECORD_GET(notes->freed), 1);
  EXPECT_EQ(host.launcher.running(), 0U);
}

TEST_F(Safety, TerminationClosesTheShutterAndEndsTheHost) {
  for (const int signal : {SIGTERM, SIGINT}) {
    Notes own;
    HostUnderTest subject;
    ASSERT_TRUE(subject.open(plugin("obliging"), "shutter", {{"record", own.path()}}).ok());
    ASSERT_TRUE(subject.call("open_shutter", {{"open_for_ns", kLong}}).ok());
    ASSERT_EQ(::kill(host_pid(), signal), 0);
    ASSERT_TRUE(subject.run_until([&] { return !subject.gone().empty(); }));
    EXPECT_EQ(subject.gone(), "ended with exit code 0");
    EXPECT_EQ(subject.event("safe")["why"], "signal");
    EXPECT_EQ(RECORD_GET(own->open), 0);
  }
}

TEST_F(Safety, AHangingCallIsNamedByPingAndMakeSafeStillCloses) {
  open({{"hang_in", "state"}});
  open_shutter(kLong);
  host.ask("state");
  json ping;
  ASSERT_TRUE(host.run_until([&] {
    ping = host.call("ping").value();
    return ping["busy"] == "state";
  }));
  EXPECT_GE(ping["busy_ns"], 0);
  EXPECT_GT(ping["lease_left_ns"], 0);
  EXPECT_TRUE(host.call("renew", {{"open_for_ns", kLong}}).ok());
  EXPECT_TRUE(host.call("make_safe").ok());
  EXPECT_TRUE(closed());
}

TEST_F(Safety, TheLeaseEndsEvenWhileACallHangs) {
  open({{"hang_in", "open_shutter"}});
  host.ask("open_shutter", {{"open_for_ns", kShort}});
  const json safe = host.event("safe");
  EXPECT_EQ(safe["why"], "lease ended");
  EXPECT_EQ(safe["state"], nullptr);  // nobody could ask the driver
  EXPECT_TRUE(closed());
}

TEST_F(Safety, HangingUpClosesEvenWhileACallHangs) {
  open({{"hang_in", "close_shutter"}});
  open_shutter(kLong);
  host.ask("close_shutter");
  host.hang_up();
  EXPECT_TRUE(closed());
}

TEST_F(Safety, MakeSafeEndsWaitsAndCallsThatWereQueuedBeforeIt) {
  open({{"wait_in", "state"}});
  const std::uint64_t waiting = host.ask("state");
  const std::uint64_t queued = host.ask("open_shutter", {{"open_for_ns", kLong}});
  ASSERT_TRUE(host.run_until([&] { return host.call("ping").value()["busy"] == "state"; }));
  ASSERT_TRUE(host.call("make_safe").ok());
  EXPECT_EQ(host.answer(waiting).error().code, ErrorCode::cancelled);
  const auto late = host.answer(queued);
  ASSERT_FALSE(late.ok());
  EXPECT_EQ(late.error().text, "subject: open_shutter: the device was made safe before it began");
  EXPECT_EQ(RECORD_GET(notes->opened), 0);
  open_shutter(kLong);  // one that was asked for after it is another matter
}

// The driver opens after make_safe went by: its own call was on the way there.
TEST_F(Safety, AShutterThatOpensWhileItIsMadeSafeIsClosedAgain) {
  open({{"wait_in", "open_shutter"}});
  const std::uint64_t opening = host.ask("open_shutter", {{"open_for_ns", kLong}});
  ASSERT_TRUE(host.run_until([&] { return host.call("ping").value()["busy"] == "open_shutter"; }));
  ASSERT_TRUE(host.call("make_safe").ok());
  EXPECT_FALSE(host.answer(opening).ok());
  EXPECT_NE(host.event("safe")["why"].get<std::string>().find("still running"), std::string::npos);
  EXPECT_TRUE(closed());
  EXPECT_GE(RECORD_GET(notes->safe), 2);
}

TEST_F(Safety, AFailedOpeningIsMadeSafe) {
  open({{"fail_in", "open_shutter"}});
  EXPECT_EQ(host.call("open_shutter", {{"open_for_ns", kLong}}).error().code, ErrorCode::refused);
  EXPECT_EQ(host.event("safe")["why"], "open_shutter failed");
  EXPECT_TRUE(closed());
  EXPECT_EQ(host.call("ping").value()["lease_left_ns"], 0);
}

TEST_F(Safety, AHangingMakeSafeEndsTheHost) {
  open({{"hang_in", "make_safe"}});
  open_shutter(kLong);
  EXPECT_EQ(host.call("make_safe").error().code, ErrorCode::device_lost);
  EXPECT_EQ(host.gone(), "ended with exit code 3");
  (void)host.event("log");  // "opened"
  EXPECT_NE(host.event("log")["text"].get<std::string>().find("make_safe did not return"),
            std::string::npos);
}

TEST_F(Safety, AFailingMakeSafeEndsTheHostWithItsReason) {
  open({{"fail_in", "make_safe"}});
  open_shutter(kLong);
  EXPECT_EQ(host.call("make_safe").error().text, "subject: make_safe: the interlock is open");
  ASSERT_TRUE(ended());
  EXPECT_EQ(host.gone(), "ended with exit code 3");
}

TEST_F(Safety, ACrashInACallIsReportedByItsSignal) {
  open({{"crash_in", "state"}});
  open_shutter(kLong);
  EXPECT_EQ(host.call("state").error().code, ErrorCode::device_lost);
#ifndef CREEL_SANITIZED  // sanitizers catch the crash themselves and end the process with their
                         // report
  EXPECT_EQ(host.gone(), "killed by signal 11 (Segmentation fault)");
  EXPECT_TRUE(closed()) << "the other threads made the device safe before the process died";
  (void)host.event("log");  // "opened"
  EXPECT_NE(host.event("log")["text"].get<std::string>().find("crashed (signal 11) in 'state'"),
            std::string::npos);
#endif
}

TEST_F(Safety, ACrashInMakeSafeItselfStillEndsTheHost) {
  open({{"crash_in", "make_safe"}});
  EXPECT_EQ(host.call("make_safe").error().code, ErrorCode::device_lost);
}

// ---- the death and the stop of a daemon
// -----------------------------------------------------------------

// A process that stands in for creeld, with a host of its own. Killed and reaped at the end.
class StandInDaemon {
 public:
  StandInDaemon(const Notes& notes, int lease_ms) {
    int ends[2];
    EXPECT_EQ(::pipe2(ends, O_CLOEXEC), 0);
    pid_ = ::fork();
    if (pid_ == 0) {
      ::dup2(ends[1], STDOUT_FILENO);
      const std::string lease = std::to_string(lease_ms);
      ::execl(stand_in_daemon().c_str(), "stand_in_daemon", creel_host().c_str(),
              plugin("obliging").c_str(), notes.path().c_str(), lease.c_str(), nullptr);
      ::_exit(127);
    }
    ::close(ends[1]);
    std::array<char, 16> said{};
    const auto got = ::read(ends[0], said.data(), said.size());
    ::close(ends[0]);
    EXPECT_EQ(std::string(said.data(), got > 0 ? static_cast<std::size_t>(got) : 0), "open\n");
  }
  ~StandInDaemon() {
    ::kill(pid_, SIGKILL);
    ::waitpid(pid_, nullptr, 0);
  }
  StandInDaemon(const StandInDaemon&) = delete;
  StandInDaemon& operator=(const StandInDaemon&) = delete;
  void signal(int number) const { ASSERT_EQ(::kill(pid_, number), 0); }

 private:
  pid_t pid_ = -1;
};

TEST(DaemonDeath, KillMinusNineOfTheDaemonClosesTheShutter) {
  constexpr int kTimes = 10;
  double longest_ms = 0;
  for (int time = 0; time < kTimes; ++time) {
    Notes notes;
    const StandInDaemon daemon(notes, 300'000);  // only the hang-up can close it
    ASSERT_EQ(RECORD_GET(notes->open), 1);
    const std::int64_t killed_ns = monotonic_ns();
    daemon.signal(SIGKILL);
    ASSERT_TRUE(eventually([&] { return RECORD_GET(notes->open) == 0; }));
    const double taken_ms = static_cast<double>(RECORD_GET(notes->safe_ns) - killed_ns) * 1e-6;
    longest_ms = std::max(longest_ms, taken_ms);
    ASSERT_TRUE(eventually([&] { return RECORD_GET(notes->freed) == 1; }))
        << "the host must end by itself";
  }
  std::printf("from kill -9 of the daemon to make_safe: at most %.2f ms in %d kills\n", longest_ms,
              kTimes);
}

TEST(DaemonDeath, AStoppedDaemonsShutterClosesAtTheEndOfTheLease) {
  Notes notes;
  const StandInDaemon daemon(notes, 400);
  ::usleep(600'000);
  ASSERT_EQ(RECORD_GET(notes->open), 1) << "its renewals keep it open";
  const std::int64_t stopped_ns = monotonic_ns();
  daemon.signal(SIGSTOP);
  ASSERT_TRUE(eventually([&] { return RECORD_GET(notes->open) == 0; }));
  std::printf("from SIGSTOP of the daemon to make_safe: %.1f ms, with a lease of 400 ms\n",
              static_cast<double>(RECORD_GET(notes->safe_ns) - stopped_ns) * 1e-6);
}

}  // namespace
}  // namespace creel::tests
