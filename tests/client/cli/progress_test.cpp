#include "client/cli/progress.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "client/cli/answer.h"

namespace creel::cli {
namespace {

using nlohmann::json;
using ::testing::HasSubstr;
using ::testing::Not;

json running(double done) {
  return {{"running", true},
          {"session", "film-1"},
          {"exposures_done", done},
          {"exposures", 80},
          {"kind", "specimen"},
          {"holding", false},
          {"frames_safe", done},
          {"shutter_may_be_open", false},
          {"dose",
           {{"g7/a1",
             {{"series_e_per_a2", 3.0},
              {"series_limit_e_per_a2", 15.0},
              {"area_e_per_a2", 35.0},
              {"area_limit_e_per_a2", 40.0}}},
            {"g7/a2",
             {{"series_e_per_a2", 1.0},
              {"series_limit_e_per_a2", 15.0},
              {"area_e_per_a2", 1.0},
              {"area_limit_e_per_a2", 40.0}}}}}};
}

TEST(Progress, ShowsExposureKindDoseFramesAndTimeLeft) {
  Progress progress;
  progress.take_status(running(20), 100);
  EXPECT_EQ(progress.line(200), "exposure 21/80 specimen, dose 35/40 e/A^2, 20 frames safe")
      << "no pace is known yet; the dose is that nearest to its limit";
  progress.take_status(running(40), 110);  // 20 exposures in 10 s, 40 left
  EXPECT_THAT(progress.line(200), HasSubstr("exposure 41/80"));
  EXPECT_THAT(progress.line(200), HasSubstr("about 20 s left"));
}

TEST(Progress, AHoldIsSaidFirstAndIsNoMeasureOfThePace) {
  Progress progress;
  progress.take_status(running(20), 0);
  json held = running(20);
  held["holding"] = true;
  progress.take_status(held, 1000);
  EXPECT_THAT(progress.line(200), ::testing::StartsWith("HOLDING, shutter closed"));
  EXPECT_THAT(progress.line(200), Not(HasSubstr("left")));
  held["shutter_may_be_open"] = true;
  progress.take_status(held, 1001);
  EXPECT_THAT(progress.line(200), HasSubstr("MAY BE OPEN"));
  progress.take_status(running(40), 1011);  // 20 in the 10 s since the hold
  EXPECT_THAT(progress.line(200), HasSubstr("about 20 s left"));
}

TEST(Progress, TheLastExposureIsNotCountedBeyondTheEnd) {
  Progress progress;
  progress.take_status(running(80), 0);
  EXPECT_THAT(progress.line(200), HasSubstr("exposure 80/80"));
}

TEST(Progress, IsCutToTheWidthByCharacters) {
  Progress progress;
  json status = running(1);
  status["kind"] = "ÄÖÜ";
  progress.take_status(status, 0);
  EXPECT_EQ(progress.line(16), "exposure 2/80 ÄÖ");
}

TEST(Progress, OnlyEventsThatMatterBecomeLines) {
  Progress progress;
  EXPECT_FALSE(
      progress.take_event({{"event", "stored"}, {"frames", 3}, {"text", "3 frames safe"}}));
  EXPECT_FALSE(progress.take_event({{"event", "gauges"}, {"text", "gauges read"}}));
  EXPECT_FALSE(progress.take_event({{"text", "no name"}}));
  EXPECT_EQ(
      progress.take_event(
          {{"event", "guard"}, {"text", "dose reached"}, {"utc", "2026-11-25T03:10:07.250Z"}}),
      "03:10:07Z guard: dose reached");
  EXPECT_THAT(*progress.take_event({{"event", "alarm"}, {"text", "shutter b does not close"}}),
              ::testing::StartsWith("ALARM: "));
  EXPECT_THAT(*progress.take_event({{"event", "hold"}, {"text", "laser"}}),
              HasSubstr("creel continue"));
}

TEST(Progress, TextsOfDevicesCannotDriveTheTerminal) {
  Progress progress;
  EXPECT_EQ(progress.take_event({{"event", "device_log"}, {"text", "\x1b[2J\rbad\n"}}),
            "device_log:  [2J bad ");
}

TEST(Progress, PlainLinesComeEveryTenthAndWhenAHoldBeginsOrEnds) {
  Progress progress;
  int lines = 0;
  for (int done = 0; done <= 80; ++done) {
    progress.take_status(running(done), done);
    lines += progress.plain_line_due() ? 1 : 0;
  }
  EXPECT_EQ(lines, 11);
  json held = running(80);
  held["holding"] = true;
  progress.take_status(held, 90);
  EXPECT_TRUE(progress.plain_line_due());
  EXPECT_FALSE(progress.plain_line_due());
}

TEST(Progress, SurvivesAStatusOfAnotherShape) {
  Progress progress;
  for (const json& odd : {json(), json("x"), json::array({1}), json{{"running", "yes"}},
                          json{{"running", true}, {"dose", 7}, {"exposures", "many"}, {"kind", 3}},
                          json{{"running", true}, {"dose", {{"a", 1}}}}}) {
    progress.take_status(odd, 1);
    EXPECT_FALSE(progress.line(80).empty());
    progress.plain_line_due();
    progress.take_event(odd);
  }
}

TEST(Text, TablesCountCharactersNotBytes) {
  EXPECT_EQ(table({{"Å", "b"}, {"cc", "d"}}), "Å   b\ncc  d");
}

}  // namespace
}  // namespace creel::cli
