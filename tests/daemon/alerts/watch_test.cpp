// What is worth an alert.
#include "daemon/alerts/watch.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/fakes/timeline.h"

namespace creel {
namespace {

using nlohmann::json;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

class Ear : public AlertChannel {
 public:
  void raise(const Alert& alert) override {
    kinds.push_back(alert.kind);
    last = alert;
  }
  void state(const json& state) override { states.push_back(state); }
  void devices(const json& now) override { known = now; }
  std::vector<std::string> kinds;
  std::vector<json> states;
  Alert last;
  json known;
};

class Watch : public testing::Test {
 protected:
  Watch() {
    watch.add(ear);
    watch.record([this](json event) { recorded.push_back(std::move(event)); });
  }
  void event(json body) {
    body["session"] = "ink-a";
    watch.event(body);
  }
  void pass(Duration time) {
    const std::int64_t until = timeline.now() + time.value;
    bool over = false;
    timeline.add(2, until, [&over] { over = true; });
    while (!over && timeline.step()) {
    }
  }
  fakes::Timeline timeline;
  fakes::TimelineScheduler scheduler{timeline, 1};
  Ear ear;
  std::vector<json> recorded;
  AlertWatch watch{scheduler, timeline, AlertWatch::Limits{}};
};

TEST_F(Watch, AHoldSaysWhatToDoAndIsRecorded) {
  event({{"event", "hold"}, {"text", "the camera does not come back"}});
  EXPECT_THAT(ear.kinds, ElementsAre("hold"));
  EXPECT_TRUE(ear.last.urgent);
  EXPECT_EQ(ear.last.session, "ink-a");
  EXPECT_THAT(ear.last.text, HasSubstr("creel continue"));
  ASSERT_EQ(recorded.size(), 1U);
  EXPECT_EQ(recorded[0]["event"], "alert");
  EXPECT_EQ(recorded[0]["alert"], "hold");
}

TEST_F(Watch, OnlyAWaitThatIsLongIsWorthOne) {
  const json wait = {
      {"event", "guard"}, {"guard", "gauge"}, {"decision", "wait"}, {"text", "laser"}};
  event(wait);
  pass(seconds(500));
  event({{"event", "guard_satisfied"}, {"guard", "gauge"}});
  pass(seconds(500));
  EXPECT_THAT(ear.kinds, IsEmpty());
  event(wait);
  pass(seconds(601));
  EXPECT_THAT(ear.kinds, ElementsAre("long_wait"));
  EXPECT_THAT(ear.last.text, HasSubstr("more than 10 min"));
  for (const char* over : {"hold", "ended"}) {
    event(wait);
    event({{"event", over}, {"text", over}});
    ear.kinds.clear();
    pass(seconds(700));
    EXPECT_THAT(ear.kinds, IsEmpty()) << over;
  }
}

TEST_F(Watch, AShutterThatDoesNotCloseIsNotToldEverySecond) {
  for (int i = 0; i < 100; ++i) {
    event({{"event", "alarm"},
           {"alarm", "shutter"},
           {"text", "shutter beam was not shown to close"}});
    pass(seconds(1));
  }
  EXPECT_THAT(ear.kinds, ElementsAre("shutter_not_closed"));
  EXPECT_THAT(ear.last.text, HasSubstr("close the beam by hand"));
  pass(seconds(600));
  event(
      {{"event", "alarm"}, {"alarm", "shutter"}, {"text", "shutter beam was not shown to close"}});
  EXPECT_THAT(ear.kinds, ElementsAre("shutter_not_closed", "shutter_not_closed"));
  event({{"event", "alarm"}, {"text", "the residual dose could not be written"}});
  EXPECT_EQ(ear.kinds.back(), "alarm");
}

TEST_F(Watch, ShuttersNotShownClosedAtTheStartAreTold) {
  watch.starting();
  pass(seconds(14));
  watch.started("");
  pass(seconds(60));
  EXPECT_THAT(ear.kinds, ElementsAre("daemon_started"));
  EXPECT_THAT(recorded, IsEmpty()) << "no session runs";
  watch.starting();
  pass(seconds(16));
  EXPECT_EQ(ear.kinds.back(), "shutter_not_closed");
}

TEST_F(Watch, ADeviceIsToldWhenItIsStaleOrDoesNotComeBack) {
  watch.device("camera", "waiting to restart", "hung up");
  watch.device("camera", "starting", "");
  pass(seconds(2));
  watch.device("camera", "ready", "");
  pass(seconds(100));
  EXPECT_THAT(ear.kinds, IsEmpty()) << "it came back";
  watch.device("camera", "stale", "no answer to 'ping'");
  EXPECT_THAT(ear.kinds, ElementsAre("device_lost"));
  EXPECT_THAT(ear.last.text, HasSubstr("camera does not answer (no answer to 'ping')"));
  watch.device("camera", "waiting to restart", "no answer to 'ping'");
  EXPECT_EQ(ear.known, json({{"camera", "waiting to restart"}}));
  pass(seconds(61));
  EXPECT_THAT(ear.kinds, ElementsAre("device_lost", "device_lost"));
  EXPECT_THAT(ear.last.text, HasSubstr("has not come back for 1 min"));
}

TEST_F(Watch, ADeviceThatNeverWorksForAMinuteHasFailedForGood) {
  for (int life = 0; life < 14; ++life) {  // comes back every time, and soon fails again
    watch.device("camera", "waiting to restart", "hung up");
    pass(seconds(20));
    watch.device("camera", "ready", "");
    pass(seconds(25));
  }
  EXPECT_THAT(ear.kinds, ElementsAre("device_failed"));
  EXPECT_TRUE(ear.last.urgent);
  EXPECT_THAT(ear.last.text, HasSubstr("camera has failed for good: for 10 min 0 s it never worked "
                                       "for 1 min 0 s at a stretch (hung up)"));
  ear.kinds.clear();
  pass(seconds(61));  // ready since the last life
  for (int life = 0; life < 5; ++life) {
    watch.device("camera", "waiting to restart", "hung up");
    pass(seconds(20));
    watch.device("camera", "ready", "");
    pass(seconds(300));
  }
  EXPECT_THAT(ear.kinds, IsEmpty()) << "it works between its troubles";
}

TEST_F(Watch, DevicesThatStopBecauseTheDaemonEndsAreNoTrouble) {
  watch.ending("signal 15");
  EXPECT_THAT(ear.kinds, ElementsAre("daemon_ending"));
  EXPECT_EQ(ear.states.back()["state"], "ending");
  watch.device("camera", "stopped", "");
  watch.device("stage", "waiting to restart", "hung up");
  pass(seconds(100));
  EXPECT_THAT(ear.kinds, ElementsAre("daemon_ending"));
}

TEST_F(Watch, TheDiskTheEndAndATakenUpSessionAreTold) {
  event({{"event", "resumed"}, {"text", "took up session ink-a"}});
  event({{"event", "disk_short"}, {"text", "2 GB are free"}});
  event(
      {{"event", "guard"}, {"guard", "disk"}, {"decision", "wait"}, {"text", "disk guard: 1 GB"}});
  event({{"event", "ended"}, {"text", "complete: all 26 exposures are taken"}});
  EXPECT_THAT(ear.kinds,
              ElementsAre("session_taken_up", "disk_short", "disk_short", "series_ended"));
}

TEST_F(Watch, AStateIsToldOnlyWhenItChanged) {
  json series = {
      {"running", true}, {"doing", "exposing"}, {"session", "ink-a"}, {"exposures_done", 1}};
  watch.state(series);
  watch.state(series);
  EXPECT_EQ(ear.states.size(), 1U);
  EXPECT_EQ(ear.states[0]["state"], "running");
  series["doing"] = "waiting with the shutter closed: gauge guard: laser";
  watch.state(series);
  series["holding"] = true;
  watch.state(series);
  watch.state({{"running", false}, {"preparing", false}});
  ASSERT_EQ(ear.states.size(), 4U);
  EXPECT_EQ(ear.states[1]["state"], "waiting");
  EXPECT_EQ(ear.states[2]["state"], "holding");
  EXPECT_EQ(ear.states[3]["state"], "idle");
}

TEST_F(Watch, OddEventsDoNoHarm) {
  for (const char* odd : {R"({})", R"([])", R"(3)", R"({"event": 7, "text": []})",
                          R"({"event": "hold"})", R"({"event": "alert", "text": "x"})"}) {
    watch.event(json::parse(odd));
  }
  EXPECT_THAT(ear.kinds, ElementsAre("hold"));
}

}  // namespace
}  // namespace creel
