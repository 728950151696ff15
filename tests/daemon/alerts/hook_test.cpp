// The alert hook: bounded, and with real programs.
#include "daemon/alerts/hook.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <condition_variable>
#include <deque>
#include <fstream>
#include <mutex>
#include <optional>

#include "daemon/platform/programs.h"
#include "tests/daemon/alerts/broker.h"

namespace creel {
namespace {

using nlohmann::json;
using testing::HasSubstr;

Alert an_alert(const std::string& text) {
  return {"hold", true, text, "ink-a", "2026-11-27T03:00:00.000Z"};
}

/// Programs that end when the test says so.
class FakePrograms : public Programs {
 public:
  [[nodiscard]] std::size_t at_once() const override { return 2; }
  void run(ProgramJob job, std::function<void(ProgramEnd)> done) override {
    jobs.push_back(std::move(job));
    running.push_back(std::move(done));
  }
  void end_one(const ProgramEnd& end) {
    const auto done = std::move(running.front());
    running.pop_front();
    done(end);
  }
  std::vector<ProgramJob> jobs;
  std::deque<std::function<void(ProgramEnd)>> running;
};

TEST(Hook, TwoRunAtOnceSixteenWaitAndTheOldestAreDropped) {
  FakePrograms programs;
  std::vector<std::string> log;
  HookChannel hook(programs, "/lab/hook", [&](const std::string& line) { log.push_back(line); });
  for (int i = 0; i < 20; ++i) {
    hook.raise(an_alert("alert " + std::to_string(i)));
  }
  EXPECT_EQ(programs.jobs.size(), 2U);
  ASSERT_EQ(log.size(), 2U);
  EXPECT_THAT(log[0], HasSubstr("dropped: alert 2"));
  EXPECT_THAT(log[1], HasSubstr("dropped: alert 3"));
  while (!programs.running.empty()) {
    programs.end_one({true, "", ""});
    EXPECT_LE(programs.running.size(), 2U);
  }
  EXPECT_EQ(programs.jobs.size(), 18U);
  EXPECT_THAT(programs.jobs.back().input, HasSubstr("alert 19"));
  EXPECT_EQ(log.size(), 2U);
}

TEST(Hook, OneThatFailsIsToldWithItsWordsOnOneLine) {
  FakePrograms programs;
  std::vector<std::string> log;
  HookChannel hook(programs, "/lab/hook", [&](const std::string& line) { log.push_back(line); });
  hook.raise(an_alert("x"));
  programs.end_one({false, "ended with exit code 3", "no\nphone\x1b[2J\n"});
  ASSERT_EQ(log.size(), 1U);
  EXPECT_EQ(log[0], "alert hook for 'hold' ended with exit code 3: no phone [2J");
}

TEST(Hook, WhatEndsAfterItIsGoneDoesNoHarm) {
  FakePrograms programs;
  {
    HookChannel hook(programs, "/lab/hook", [](const std::string&) {});
    hook.raise(an_alert("x"));
  }
  programs.end_one({false, "late", ""});
}

/// The control thread's queue, run by the test.
class Queue : public Scheduler {
 public:
  void post(std::function<void()> job) override {
    const std::lock_guard lock(mutex_);
    jobs_.push_back(std::move(job));
    came_.notify_one();
  }
  TimerId at(WorldTime, std::function<void()>) override { return 0; }
  TimerId at(SafetyTime, std::function<void()>) override { return 0; }
  void cancel(TimerId) override {}
  void run_one() {
    std::unique_lock lock(mutex_);
    came_.wait(lock, [this] { return !jobs_.empty(); });
    const auto job = std::move(jobs_.front());
    jobs_.pop_front();
    lock.unlock();
    job();
  }

 private:
  std::mutex mutex_;
  std::condition_variable came_;
  std::deque<std::function<void()>> jobs_;
};

class RealHook : public testing::Test {
 protected:
  ProgramEnd run(const std::string& script, Duration limit, const std::string& input = "") {
    ProgramJob job;
    job.words = {scratch.write("hook", "#!/bin/sh\n" + script, 0700)};
    job.environment = {{"CREEL_ALERT", "hold"},
                       {"CREEL_TEXT", "$(touch " + scratch.file("no") + ")"}};
    job.input = input;
    job.limit = limit;
    return run(std::move(job));
  }
  ProgramEnd run(ProgramJob job) {
    platform::PosixPrograms programs(queue);
    std::optional<ProgramEnd> ended;
    programs.run(std::move(job), [&](ProgramEnd end) { ended = std::move(end); });
    while (!ended) {
      queue.run_one();
    }
    return *ended;
  }
  test::Scratch scratch;
  Queue queue;
};

TEST_F(RealHook, GetsTheAlertOnItsStandardInputAndInItsEnvironment) {
  platform::PosixPrograms programs(queue);
  const std::string out = scratch.file("out");
  const std::string program = scratch.write(
      "hook",
      "#!/bin/sh\n{ cat; echo \"$CREEL_ALERT|$CREEL_URGENT|$CREEL_TEXT|$CREEL_SESSION\"; } > " +
          out + ".new && mv " + out + ".new " + out + "\n",
      0700);
  std::vector<std::string> log;
  HookChannel hook(programs, program, [&](const std::string& line) { log.push_back(line); });
  const std::string text = "holds: `id` $(id) \"quoted\" \xC3\xA4\nsecond line";
  hook.raise(an_alert(text));
  queue.run_one();
  const std::string got = scratch.read("out");
  const auto end = got.find('\n');
  const json object = json::parse(got.substr(0, end));
  EXPECT_EQ(object["text"], text);
  EXPECT_EQ(object["kind"], "hold");
  EXPECT_EQ(object["urgent"], true);
  EXPECT_EQ(got.substr(end + 1), "hold|yes|" + text + "|ink-a\n");
  EXPECT_TRUE(log.empty());
}

TEST_F(RealHook, OneThatHangsIsKilledWithAllItStarted) {
  const auto end =
      run("sleep 1000 & echo $! > " + scratch.file("pid") + "\nwait\n", milliseconds(300));
  EXPECT_FALSE(end.well);
  EXPECT_THAT(end.how, HasSubstr("it was killed"));
  const int child = std::stoi(scratch.read("pid"));
  EXPECT_TRUE(test::until([&] {  // gone, or a zombie that nobody has waited for yet
    std::string status;
    std::getline(std::ifstream("/proc/" + std::to_string(child) + "/stat"), status);
    return status.empty() || status.find(") Z ") != std::string::npos;
  }));
}

TEST_F(RealHook, OneThatIgnoresItsInputOrTalksWithoutEndIsNoTrouble) {
  const auto end =
      run("head -c 3000000 /dev/zero | tr '\\0' x >&2; head -c 3000000 /dev/zero\nexit 7\n",
          seconds(30), std::string(300'000, 'i'));
  EXPECT_EQ(end.how, "ended with exit code 7");
  EXPECT_EQ(end.said, std::string(kProgramSaid, 'x'));
}

TEST_F(RealHook, HasOnlyTheThreeUsualDescriptorsAndAFewVariables) {
  ASSERT_EQ(::setenv("CREEL_TEST_SECRET", "x", 1), 0);
  const auto end = run("ls /proc/$$/fd >&2; env >&2\n", seconds(30));
  EXPECT_TRUE(end.well) << end.how;
  EXPECT_EQ(end.said.find("SECRET"), std::string::npos);
  EXPECT_THAT(end.said, HasSubstr("CREEL_TEXT=$(touch "));
  EXPECT_EQ(scratch.read("no"), "") << "no shell has seen it";
  const std::string descriptors = end.said.substr(0, end.said.find('='));
  for (const char* more : {"\n3\n", "\n4\n", "\n5\n", "\n6\n"}) {
    // 10 is the shell's own, for its script.
    EXPECT_EQ(descriptors.find(more), std::string::npos) << end.said;
  }
}

TEST_F(RealHook, OneThatIsNotThereIsToldByName) {
  ProgramJob job;
  job.words = {scratch.file("missing")};
  job.limit = seconds(30);
  const auto end = run(std::move(job));
  EXPECT_FALSE(end.well);
  EXPECT_THAT(end.how, HasSubstr("missing: No such file or directory"));
}

}  // namespace
}  // namespace creel
