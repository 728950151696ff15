// The calls of protocol/host/messages.h against a real creel-host and a real plugin.
#include <gtest/gtest.h>
#include <sys/wait.h>

#include <array>
#include <cstdio>

#include "protocol/host/messages.h"
#include "tests/drivers/host/host_under_test.h"

namespace creel::tests {
namespace {

using nlohmann::json;

std::string error_text(const Result<json>& result) {
  return result.ok() ? "" : result.error().text;
}

TEST(HostCalls, OpenDescribesThePluginTheDeviceAndItsSettings) {
  HostUnderTest host;
  const auto opened = host.open(plugin("obliging"), "gauge");
  ASSERT_TRUE(opened.ok()) << opened.error().text;
  EXPECT_EQ((*opened)["plugin"], "obliging");
  EXPECT_EQ((*opened)["version"], "1.2.3");
  EXPECT_EQ((*opened)["describe"]["identity"]["model"], "obliging");
  EXPECT_EQ((*opened)["settings"], json({{"gain", 1}}));
  EXPECT_EQ(host.event("log")["text"], "opened");
}

TEST(HostCalls, ASettingIsChangedAndReadBack) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge").ok());
  ASSERT_TRUE(host.call("set", {{"name", "gain"}, {"value", 4.5}}).ok());
  EXPECT_EQ(host.call("settings").value()["gain"], 4.5);

  const auto unknown = host.call("set", {{"name", "colour"}, {"value", 1}});
  ASSERT_FALSE(unknown.ok());
  EXPECT_EQ(unknown.error().code, ErrorCode::invalid_request);
  EXPECT_EQ(unknown.error().text, "subject: set colour: there is no such setting; allowed: gain");
}

TEST(HostCalls, AGaugeGivesItsReadingsWithWhatIsUnknownAsNull) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge").ok());
  const json readings = host.call("read").value()["readings"];
  ASSERT_EQ(readings.size(), 3U);
  EXPECT_EQ(readings[0]["value"], 21.5);
  EXPECT_EQ(readings[0]["uncertainty"], 0.1);
  EXPECT_EQ(readings[1]["uncertainty"], nullptr);
  EXPECT_EQ(readings[2]["valid"], false);
  EXPECT_EQ(readings[2]["value"], nullptr);
}

TEST(HostCalls, AStageMovesAndSaysWhereItStands) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "stage").ok());
  EXPECT_EQ(host.call("move", {{"axis", 0}, {"position", -12.25}}).value()["position"], -12.25);
  EXPECT_EQ(host.call("move", {{"axis", 1}, {"position", 0}}).error().code,
            ErrorCode::invalid_request);
  EXPECT_EQ(error_text(host.call("move", {{"axis", -1}, {"position", 0}})),
            "subject: move: axis: is -1; must be a whole number from 0 to 64");
}

TEST(HostCalls, AShutterOpensClosesAndTellsItsState) {
  Notes notes;
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "shutter", {{"record", notes.path()}}).ok());
  EXPECT_EQ(host.call("state").value()["measured"], "closed");
  const auto opened = host.call("open_shutter", {{"open_for_ns", 60'000'000'000}});
  ASSERT_TRUE(opened.ok()) << opened.error().text;
  EXPECT_EQ((*opened)["measured"], "open");
  EXPECT_GT((*opened)["opened_ns"], 0);
  EXPECT_EQ(RECORD_GET(notes->open), 1);
  // The driver is given what is left of the lease, never more than was granted.
  EXPECT_GT(RECORD_GET(notes->open_for_ns), 0);
  EXPECT_LE(RECORD_GET(notes->open_for_ns), 60'000'000'000);
  EXPECT_GT(host.call("ping").value()["lease_left_ns"], 0);
  EXPECT_EQ(host.call("close_shutter").value()["commanded"], "closed");
  EXPECT_EQ(host.call("ping").value()["lease_left_ns"], 0);
  EXPECT_EQ(RECORD_GET(notes->safe), 0);
}

TEST(HostCalls, WhatAKindDoesNotHaveIsRefusedByName) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge").ok());
  EXPECT_EQ(error_text(host.call("arm", {{"frames", 1}, {"exposure_ns", 1}})),
            "subject is a gauge: it has no 'arm'");
  EXPECT_EQ(error_text(host.call("fly")), "subject: there is no call 'fly'");
  EXPECT_EQ(host.call("open").error().code, ErrorCode::refused);
}

TEST(HostCalls, AnOpenCallThatIsWrongIsAnsweredAndEndsTheHost) {
  HostUnderTest host;
  const auto opened = host.open(plugin("obliging"), "telescope");
  EXPECT_EQ(error_text(opened),
            "open: kind is 'telescope'; must be detector, shutter, stage or gauge");
  ASSERT_TRUE(host.run_until([&] { return !host.gone().empty(); }));
  EXPECT_EQ(host.gone(), "ended with exit code 2");

  HostUnderTest mistyped;
  EXPECT_EQ(
      error_text(mistyped.open(plugin("obliging"), "gauge", json::object(), {{"netwrk", true}})),
      "open: sandbox: there is no 'netwrk'; allowed are network, usb, tty, read_paths, "
      "write_paths, off");
}

TEST(HostCalls, ADriverThatCannotOpenItsDeviceSaysWhy) {
  HostUnderTest host;
  const auto opened = host.open(plugin("obliging"), "gauge", {{"fail_in", "open"}});
  ASSERT_FALSE(opened.ok());
  EXPECT_EQ(opened.error().code, ErrorCode::refused);
  EXPECT_EQ(opened.error().text, "subject: open: the interlock is open");
  EXPECT_EQ(error_text(host.call("read")), "subject: read: the device is not open");
}

TEST(HostCalls, APluginThatIsNotThereOrNoPluginIsNamed) {
  HostUnderTest absent;
  EXPECT_NE(error_text(absent.open("/nowhere/at-all.so", "gauge")).find("/nowhere/at-all.so"),
            std::string::npos);
  HostUnderTest no_plugin;
  const std::string text = error_text(no_plugin.open("libz.so.1", "gauge"));
  EXPECT_NE(text.find("does not export creel_plugin_entry"), std::string::npos) << text;
}

TEST(HostCalls, APluginOfAnotherAbiIsRefused) {
  HostUnderTest host;
  const std::string text = error_text(host.open(plugin("old_abi"), "gauge"));
  EXPECT_NE(text.find("was built for driver ABI 99; this host speaks ABI 0"), std::string::npos)
      << text;
}

TEST(HostCalls, WhatLiesBeyondAnOldDriversTableReadsAsNotOffered) {
  HostUnderTest host;
  EXPECT_EQ(error_text(host.open(plugin("incomplete"), "shutter")),
            "driver incomplete, shutter: lacks the required calls state");
}

TEST(HostCalls, MissingRequiredCallsAndKindsAreRefusedByName) {
  HostUnderTest gauge;
  EXPECT_EQ(error_text(gauge.open(plugin("incomplete"), "gauge")),
            "driver incomplete, gauge: lacks the required calls describe, read");
  HostUnderTest stage;
  EXPECT_EQ(error_text(stage.open(plugin("incomplete"), "stage")),
            "driver incomplete: offers no stage; it offers shutter, gauge");
}

TEST(HostCalls, BrokenTextOfADriverBecomesReadableText) {
  HostUnderTest host;
  const auto opened =
      host.open(plugin("obliging"), "gauge", {{"fail_in", "read"}, {"bad_text", true}});
  ASSERT_TRUE(opened.ok()) << opened.error().text;
  EXPECT_EQ(host.event("log")["text"], "opened \uFFFD(");
  EXPECT_EQ(error_text(host.call("read")), "subject: read: broken \uFFFD\uFFFD text");
}

TEST(HostCalls, AnAnswerLongerThanAMessageBecomesAnError) {
  HostUnderTest host;
  const auto opened = host.open(plugin("obliging"), "gauge", {{"huge", true}});
  ASSERT_FALSE(opened.ok());
  EXPECT_EQ(opened.error().code, ErrorCode::internal);
}

TEST(HostCalls, NonsenseOnTheSocketIsAnsweredAndTheHostGoesOn) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge").ok());
  ASSERT_TRUE(host.process().send("{\"id\":5,").ok());
  ASSERT_TRUE(host.process().send("[1,2]").ok());
  EXPECT_TRUE(host.call("read").ok());
  EXPECT_FALSE(host.answer(0).ok());
}

TEST(HostCalls, AFloodOfLogLinesIsCutAndCounted) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge", {{"flood", true}}).ok());
  const std::size_t lines = host.events.size();
  EXPECT_GE(lines, 10U);
  EXPECT_LE(lines, 1000U);
}

TEST(HostCalls, AllHostsOfASimulatedRigShareItsTime) {
  auto memory = platform::make_rig_memory(8192, true, 77);
  ASSERT_TRUE(memory.ok()) << memory.error().text;
  HostUnderTest host({creel_host(), memory->descriptor()});
  ASSERT_TRUE(host.open(plugin("obliging"), "stage").ok());
  const WorldTimeline timeline = memory->timeline();
  const WorldTime before = timeline.now();
  const std::uint64_t id = host.ask("move", {{"axis", 0}, {"position", 3}});
  WorldTime wake{};
  ASSERT_TRUE(host.run_until([&] { return timeline.earliest_wake(&wake); }));
  EXPECT_EQ((wake - before).value,
            1000);  // the driver waits on the rig's clock, which stands still
  timeline.advance_to(wake);
  EXPECT_EQ(host.answer(id).value()["position"], 3);
}

struct Output {
  int status = -1;
  std::string text;
};
Output run(const std::string& command) {
  Output output;
  FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
  std::array<char, 512> line{};
  while (std::fgets(line.data(), line.size(), pipe) != nullptr) {
    output.text += line.data();
  }
  output.status = WEXITSTATUS(::pclose(pipe));
  return output;
}

TEST(HostProgram, StartedByHandItSaysWhatItIs) {
  const Output output = run(creel_host() + " </dev/null 3<&-");
  EXPECT_EQ(output.status, 2);
  EXPECT_NE(output.text.find("creeld starts it"), std::string::npos) << output.text;
  EXPECT_NE(output.text.find("not a personnel-safety interlock"), std::string::npos);
}

TEST(HostProgram, DescribesWhatAPluginFillsAndWhatItLacks) {
  const Output whole = run(creel_host() + " --describe " + plugin("obliging"));
  EXPECT_EQ(whole.status, 0) << whole.text;
  EXPECT_NE(whole.text.find("obliging 1.2.3, driver ABI 0"), std::string::npos) << whole.text;
  EXPECT_NE(whole.text.find("shutter.renew            yes"), std::string::npos) << whole.text;
  const Output lacking = run(creel_host() + " --describe " + plugin("incomplete"));
  EXPECT_EQ(lacking.status, 1);
  EXPECT_NE(lacking.text.find("shutter.state            MISSING (required)"), std::string::npos)
      << lacking.text;
  EXPECT_NE(lacking.text.find("shutter.renew            not offered"), std::string::npos)
      << lacking.text;
}

}  // namespace
}  // namespace creel::tests
