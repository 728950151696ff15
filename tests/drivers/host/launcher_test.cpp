// The daemon's end: processes that end, hang, flood or talk nonsense, and what the daemon keeps of
// them.
#include <gtest/gtest.h>
#include <sys/mman.h>
#include <sys/wait.h>

#include <boost/asio/post.hpp>
#include <cerrno>
#include <filesystem>
#include <iterator>

#include "protocol/host/messages.h"
#include "tests/drivers/host/host_under_test.h"

namespace creel::tests {
namespace {

using nlohmann::json;

std::ptrdiff_t open_descriptors() {
  return std::distance(std::filesystem::directory_iterator("/proc/self/fd"), {});
}
bool no_child_left() {
  return ::waitpid(-1, nullptr, WNOHANG) == -1 && errno == ECHILD;
}

TEST(Launcher, AProgramThatIsNotThereIsAnErrorAndNothingIsLeft) {
  const auto before = open_descriptors();
  {
    HostUnderTest host({"/nowhere/creel-host", -1});
    const auto opened = host.open(plugin("obliging"), "gauge");
    ASSERT_FALSE(opened.ok());
    EXPECT_EQ(opened.error().code, ErrorCode::device_lost);
    EXPECT_NE(opened.error().text.find("/nowhere/creel-host"), std::string::npos);
  }
  EXPECT_EQ(open_descriptors(), before);
  EXPECT_TRUE(no_child_left());
}

TEST(Launcher, TwentyHostsLeaveNoProcessAndNoDescriptorBehind) {
  const auto before = open_descriptors();
  for (int i = 0; i < 20; ++i) {
    HostUnderTest host;
    ASSERT_TRUE(host.open(plugin("obliging"), "detector").ok());
    ASSERT_TRUE(host.give_ring({3, 4096}).ok());
    ASSERT_TRUE(host.give_ring({3, 8192}).ok());
  }
  EXPECT_EQ(open_descriptors(), before);
  EXPECT_TRUE(no_child_left());
}

TEST(Launcher, TheLastWordsOfAHostArriveBeforeItsEnd) {
  HostUnderTest host({rogue_host(), -1});
  EXPECT_FALSE(host.open("none", "gauge", {{"behave", "say goodbye and end"}}).ok());
  EXPECT_EQ(host.gone(), "ended with exit code 7");
  ASSERT_EQ(host.events.size(), 1U);
  EXPECT_EQ(host.events[0]["event"], "goodbye");
}

TEST(Launcher, AKilledHostIsGoneByItsSignalAndNothingComesAfterIt) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge").ok());
  host.process().kill();
  EXPECT_EQ(host.call("read").error().code, ErrorCode::device_lost);
  ASSERT_TRUE(host.run_until([&] { return !host.gone().empty(); }));
  EXPECT_EQ(host.gone(), "killed by signal 9 (Killed)");
  EXPECT_EQ(host.process().send(host::make_call(9, "ping", {})).error().code,
            ErrorCode::device_lost);
}

TEST(Launcher, AHostThatHangsUpWithoutEndingIsGoneAndIsKilledInTheEnd) {
  HostUnderTest host({rogue_host(), -1});
  EXPECT_FALSE(host.open("none", "gauge", {{"behave", "close"}}).ok());
  EXPECT_EQ(host.gone(), "closed its control socket without ending");
  EXPECT_EQ(host.launcher.running(), 1U);
  host.hang_up();
  EXPECT_EQ(host.launcher.running(), 0U);
  EXPECT_TRUE(no_child_left());
}

TEST(Launcher, AHostThatIgnoresTheHangUpIsKilled) {
  HostUnderTest host({rogue_host(), -1});
  ASSERT_TRUE(host.open("none", "gauge", {{"behave", "open and stay"}}).ok());
  host.hang_up();
  EXPECT_TRUE(no_child_left());
}

TEST(Launcher, AHostThatDoesNotReadIsDeviceLostAndNeverBlocks) {
  HostUnderTest host({rogue_host(), -1});
  ASSERT_TRUE(host.open("none", "gauge", {{"behave", "open and stay"}}).ok());
  const std::string call =
      host::make_call(2, "set", {{"name", "x"}, {"value", std::string(60'000, 'x')}});
  Result<void> sent;
  for (int i = 0; i < 1000 && sent.ok(); ++i) {
    sent = host.process().send(call);
  }
  ASSERT_FALSE(sent.ok());
  EXPECT_EQ(sent.error().code, ErrorCode::device_lost);
}

TEST(Launcher, AFloodingHostDoesNotKeepTheLoopFromItsOtherWork) {
  HostUnderTest host({rogue_host(), -1});
  ASSERT_TRUE(host.open("none", "gauge", {{"behave", "open and flood"}}).ok());
  // Another handler that puts itself back each time: between two of its turns the host gets one
  // turn.
  int turns = 0;
  std::uint64_t last = host.messages;
  std::uint64_t most = 0;
  std::function<void()> other = [&] {
    most = std::max(most, host.messages - last);
    last = host.messages;
    if (++turns < 1000) {
      boost::asio::post(host.loop, other);
    }
  };
  boost::asio::post(host.loop, other);
  ASSERT_TRUE(host.run_until([&] { return turns == 1000; }));
  EXPECT_LE(most, static_cast<std::uint64_t>(platform::PosixLauncher::kMessagesPerTurn));
  EXPECT_TRUE(host.run_until([&] { return host.messages > 1000; }));
}

TEST(Launcher, NonsenseReachesTheReaderWholeOrTooLongAndIsRefusedThere) {
  HostUnderTest host({rogue_host(), -1});
  EXPECT_FALSE(host.open("none", "gauge", {{"behave", "speak nonsense and close"}}).ok());
  ASSERT_EQ(host.events.size(), 3U);
  for (const json& event : host.events) {
    EXPECT_EQ(event["event"], "unreadable");
  }
}

TEST(Launcher, AProcessMayBeDestroyedFromWithinItsOwnCallback) {
  boost::asio::io_context loop;
  platform::PosixLauncher launcher(rogue_host(), loop);
  std::unique_ptr<HostProcess> process;
  int calls = 0;
  HostListener listener;
  listener.on_message = [&](std::string_view) {
    ++calls;
    process.reset();
  };
  listener.on_gone = [&](const std::string&) { ++calls; };
  auto launched =
      launcher.launch("subject", R"({"id":1,"behave":"open and flood"})", std::move(listener));
  ASSERT_TRUE(launched.ok());
  process = std::move(*launched);
  loop.run();  // until nothing of it is left
  EXPECT_EQ(calls, 1);
  EXPECT_EQ(launcher.running(), 0U);
}

TEST(RigMemory, CannotBeResizedNorWrittenByHostsOfARealRig) {
  const auto real = platform::make_rig_memory(0, false, 1);
  ASSERT_TRUE(real.ok()) << real.error().text;
  EXPECT_FALSE(real->timeline().accelerated());
  EXPECT_NE(::ftruncate(real->descriptor(), 0), 0);
  constexpr int kReadWrite = PROT_READ | PROT_WRITE;
  EXPECT_EQ(::mmap(nullptr, 4096, kReadWrite, MAP_SHARED, real->descriptor(), 0), MAP_FAILED);

  const auto simulated = platform::make_rig_memory(100, true, 42);
  ASSERT_TRUE(simulated.ok());
  EXPECT_TRUE(simulated->timeline().accelerated());
  EXPECT_EQ(simulated->timeline().seed(), 42U);
  void* place = ::mmap(nullptr, 4196, kReadWrite, MAP_SHARED, simulated->descriptor(), 0);
  ASSERT_NE(place, MAP_FAILED);
  ::munmap(place, 4196);
}

TEST(RigMemory, AHostOfARealRigSharesTheDaemonsTime) {
  const auto real = platform::make_rig_memory(0, false, 1);
  ASSERT_TRUE(real.ok());
  HostUnderTest host({creel_host(), real->descriptor()});
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge").ok());
  const WorldTime before = real->timeline().now();
  const std::int64_t taken = host.call("read").value()["readings"][0]["taken_ns"];
  EXPECT_LE(before.ns, taken);
  EXPECT_LE(taken, real->timeline().now().ns);
}

}  // namespace
}  // namespace creel::tests
