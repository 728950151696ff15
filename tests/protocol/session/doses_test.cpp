// What verify says of the dose: records against the ledger as the session was told of it.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "daemon/store/disk_source.h"
#include "daemon/store/session.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel::session {
namespace {

using nlohmann::json;
using testing::AllOf;
using testing::Contains;
using testing::Field;
using testing::HasSubstr;
using testing::IsEmpty;
namespace sample = store::sample;

constexpr FrameShape kShape{1, 16, Pixel::u16};
constexpr double kBefore = 1.5;  // of area 0, as the sample says

auto found(Severity severity, const std::string& sentence) {
  return Contains(
      AllOf(Field(&Finding::severity, severity), Field(&Finding::sentence, HasSubstr(sentence))));
}

class Doses : public testing::Test {
 protected:
  void SetUp() override {
    auto made = store::create_session(disk_, sample::start("/s", "ink", kShape, 50));
    ASSERT_TRUE(made.ok()) << made.error().text;
    session_ = std::move(made).value();
  }

  void frame(std::uint64_t exposure, std::uint64_t attempt, double dose, double area_dose,
             std::uint32_t flags = 0) {
    Record record = sample::record(0);
    record.exposure = exposure;
    record.attempt = attempt;
    record.dose = dose;
    record.area_dose = area_dose;
    record.flags = flags;
    ASSERT_TRUE(session_->append(record, sample::frame(kShape, exposure)).ok());
    ASSERT_TRUE(session_->commit().ok());
  }
  void event(const json& event) { ASSERT_TRUE(session_->event(event).ok()); }
  void charged(const char* what, std::uint64_t exposure, std::uint64_t attempt, double dose) {
    event({{"event", what},
           {"exposure", exposure},
           {"attempt", attempt},
           {"area", 0},
           {"dose_e_per_a2", dose}});
  }
  void resumed(std::uint64_t next, double series, double area) {
    event({{"event", "resumed"},
           {"next_sequence", next},
           {"areas",
            {{{"area", "g3/a1"}, {"series_e_per_a2", series}, {"area_e_per_a2", area}},
             {{"area", "g3/a2"}, {"series_e_per_a2", 0.0}, {"area_e_per_a2", 0.0}}}}});
  }
  Report look(const std::string& path = "/s/ink") {
    const auto source = store::disk_source(disk_);
    auto report = verify(*source, path);
    EXPECT_TRUE(report.ok());
    return report.ok() ? *report : Report{};
  }
  Report ended_with(double series) {
    EXPECT_TRUE(session_
                    ->fold({{"dose",
                             {{"g3/a1", {{"series_e_per_a2", series}}},
                              {"g3/a2", {{"series_e_per_a2", 0.0}}}}}},
                           {})
                    .ok());
    return look("/s/ink.h5");
  }

  fakes::FakeDisk disk_;
  std::unique_ptr<store::Session> session_;
};

TEST_F(Doses, AddUpToWhatTheLedgerHas) {
  frame(0, 0, 0.1, kBefore + 0.1);
  frame(1, 0, 0.2, kBefore + 0.3);
  const auto live = look();
  EXPECT_THAT(live.findings, IsEmpty()) << to_json(live).dump(1);
  EXPECT_FALSE(live.doses[0].told_to_the_end);
  const auto file = ended_with(0.3);
  EXPECT_THAT(file.findings, IsEmpty()) << to_json(file).dump(1);
  EXPECT_EQ(file.doses[0].name, "g3/a1");
  EXPECT_DOUBLE_EQ(file.doses[0].before, kBefore);
  EXPECT_DOUBLE_EQ(file.doses[0].total, kBefore + 0.3);
  EXPECT_TRUE(file.doses[0].told_to_the_end);
}

TEST_F(Doses, ALedgerThatHasLessThanTheFramesIsAWarning) {
  frame(0, 0, 0.1, kBefore + 0.1);
  frame(1, 0, 0.2, kBefore + 0.1);  // not charged
  const auto report = look();
  EXPECT_THAT(report.findings,
              found(Severity::warning, "area g3/a1: the ledger had 0.2 e/A^2 less"));
  EXPECT_TRUE(report.intact()) << "no data are lost";
}

TEST_F(Doses, ALedgerThatHasMoreMeansLostFrames) {
  frame(0, 0, 0.1, kBefore + 0.1);
  frame(2, 0, 0.1, kBefore + 0.5);
  EXPECT_THAT(look().findings, found(Severity::note, "0.3 e/A^2 more"));
}

TEST_F(Doses, ChargesOfExposuresWithoutAFrameComeFromTheEvents) {
  frame(0, 0, 0.1, kBefore + 0.1);
  charged("exposure_broken", 1, 0, 0.05);
  frame(1, 1, 0.1, kBefore + 0.25);
  charged("charged", 2, 0, 0.01);  // the residual beam at the end
  const auto report = ended_with(0.26);
  EXPECT_THAT(report.findings, IsEmpty()) << to_json(report).dump(1);
  EXPECT_NEAR(report.doses[0].dose, 0.2, 1e-12);
  EXPECT_NEAR(report.doses[0].lost, 0.06, 1e-12);
  EXPECT_NEAR(report.doses[0].total, kBefore + 0.26, 1e-12);
}

TEST_F(Doses, ABrokenExposureWithAFrameCountsOnce) {
  frame(0, 0, 0.1, kBefore + 0.1, kBroken);
  charged("exposure_broken", 0, 0, 0.1);
  const auto report = ended_with(0.1);
  EXPECT_THAT(report.findings, IsEmpty()) << to_json(report).dump(1);
  EXPECT_NEAR(report.doses[0].dose, 0.1, 1e-12);
  EXPECT_EQ(report.doses[0].lost, 0);
}

TEST_F(Doses, OfManyFramesComesFromTheCharge) {
  // Each frame carries what was planned; the charge is what was measured.
  for (int i = 1; i <= 3; ++i) {
    frame(0, 0, 0.3, kBefore + 0.1 * i, i < 3 ? kMoreToCome : 0U);
  }
  charged("charged", 0, 0, 0.31);
  frame(1, 0, 0.1, kBefore + 0.41);
  const auto report = ended_with(0.41);
  EXPECT_THAT(report.findings, IsEmpty()) << to_json(report).dump(1);
  EXPECT_NEAR(report.doses[0].dose, 0.41, 1e-12);
  EXPECT_EQ(report.doses[0].exposures, 2U);
}

TEST_F(Doses, ARestartTellsWhatWasChargedForLostFrames) {
  frame(0, 0, 0.1, kBefore + 0.1);
  resumed(1, 0.5, kBefore + 0.5);  // the bound of an opening that nobody measured
  frame(1, 0, 0.1, kBefore + 0.6);
  const auto report = ended_with(0.6);
  EXPECT_THAT(report.findings,
              found(Severity::note, "0.4 e/A^2 were charged for exposures whose frames were lost"));
  EXPECT_EQ(report.findings.size(), 1U) << to_json(report).dump(1);
  EXPECT_NEAR(report.doses[0].lost, 0.4, 1e-12);
  EXPECT_NEAR(report.doses[0].dose, 0.2, 1e-12);
}

TEST_F(Doses, ARestartTellsDoseEnteredByHandApart) {
  frame(0, 0, 0.1, kBefore + 0.1);
  resumed(1, 0.1, kBefore + 2.1);
  const auto report = look();
  EXPECT_THAT(report.findings, found(Severity::note, "2 e/A^2 were entered by hand"));
  EXPECT_EQ(report.findings.size(), 1U);
  EXPECT_EQ(report.doses[0].lost, 0);
  EXPECT_NEAR(report.doses[0].total, kBefore + 2.1, 1e-12);
}

TEST_F(Doses, EnteredByHandBetweenTwoLivesHasItsError) {
  const auto areas = [](double series, double area, double by_hand, double sigma) {
    return json::array({{{"area", "g3/a1"},
                         {"series_e_per_a2", series},
                         {"area_e_per_a2", area},
                         {"by_hand_e_per_a2", by_hand},
                         {"by_hand_sigma_e_per_a2", sigma}}});
  };
  event({{"event", "started"}, {"areas", areas(0, kBefore, 1.0, 0.3)}});
  frame(0, 0, 0.1, kBefore + 0.1);
  event({{"event", "entered_by_hand"},
         {"exposure", 1},
         {"attempt", 0},
         {"area", 0},
         {"dose_e_per_a2", 0.5},
         {"sigma_e_per_a2", 0.4}});
  frame(1, 0, 0.1, kBefore + 0.7);
  // 2 +- 1.2 more: 0.09 + 0.16 + 1.44 of variance, and 0.4 by another session.
  event({{"event", "resumed"},
         {"next_sequence", 2},
         {"areas", areas(0.2, kBefore + 3.1, 3.5, std::sqrt(1.69))}});
  const auto report = look();
  EXPECT_THAT(report.findings, found(Severity::note, "2 e/A^2 were entered by hand meanwhile"));
  EXPECT_THAT(report.findings, found(Severity::note, "0.4 e/A^2 were given by other sessions"));
  EXPECT_EQ(report.findings.size(), 2U);
  ASSERT_EQ(report.doses[0].causes.size(), 3U);
  EXPECT_EQ(report.doses[0].causes[1].cause, "by_hand");
  EXPECT_NEAR(report.doses[0].causes[1].dose, 2.5, 1e-9);
  EXPECT_NEAR(report.doses[0].causes[1].sigma, std::hypot(0.4, 1.2), 1e-9);
  EXPECT_NEAR(report.doses[0].total, kBefore + 3.1, 1e-12);
}

TEST_F(Doses, EnteredByHandWhileItRunsCountsFromTheAttemptItNames) {
  frame(0, 0, 0.1, kBefore + 0.1);
  event({{"event", "entered_by_hand"},
         {"exposure", 1},
         {"attempt", 0},
         {"area", 0},
         {"dose_e_per_a2", 2.0},
         {"sigma_e_per_a2", 0.5}});
  frame(1, 0, 0.1, kBefore + 2.2);
  event({{"event", "entered_by_hand"},
         {"exposure", 2},
         {"attempt", 0},
         {"area", 0},
         {"dose_e_per_a2", -1.0},
         {"sigma_e_per_a2", 0.5}});
  const auto report = ended_with(0.2);
  EXPECT_THAT(report.findings, IsEmpty()) << to_json(report).dump(1);
  EXPECT_NEAR(report.doses[0].dose, 0.2, 1e-12);
  EXPECT_NEAR(report.doses[0].total, kBefore + 1.2, 1e-12);
  ASSERT_EQ(report.doses[0].causes.size(), 2U);
  EXPECT_EQ(report.doses[0].causes[1].cause, "by_hand");
  EXPECT_NEAR(report.doses[0].causes[1].dose, 1.0, 1e-12);
  EXPECT_NEAR(report.doses[0].causes[1].sigma, std::sqrt(0.5), 1e-12);
}

TEST_F(Doses, WhatANeighbourGaveStandsApartFromWhatWasEnteredByHand) {
  event({{"event", "entered_by_hand"},
         {"cause", "neighbour"},
         {"exposure", 0},
         {"attempt", 0},
         {"area", 0},
         {"dose_e_per_a2", 0.3},
         {"sigma_e_per_a2", 0.1}});
  frame(0, 0, 0.1, kBefore + 0.4);
  const auto report = ended_with(0.1);
  EXPECT_THAT(report.findings, IsEmpty()) << to_json(report).dump(1);
  EXPECT_EQ(report.doses[0].causes[0].cause, "neighbour");
  EXPECT_NEAR(report.doses[0].causes[0].dose, 0.3, 1e-12);
}

TEST_F(Doses, TheSameAttemptOnBothSidesOfARestartIsTwo) {
  charged("exposure_broken", 0, 0, 0.05);
  resumed(0, 0.05, kBefore + 0.05);
  frame(0, 0, 0.1, kBefore + 0.15);
  const auto report = ended_with(0.15);
  EXPECT_THAT(report.findings, IsEmpty()) << to_json(report).dump(1);
  EXPECT_NEAR(report.doses[0].lost, 0.05, 1e-12);
}

TEST_F(Doses, ALedgerThatForgotIsAWarning) {
  frame(0, 0, 0.1, kBefore + 0.1);
  resumed(1, 0.02, kBefore + 0.02);
  EXPECT_THAT(look().findings,
              found(Severity::warning, "0.08 e/A^2 less than the frames and events before"));
}

TEST_F(Doses, ASummaryThatSaysOtherwiseIsAWarning) {
  frame(0, 0, 0.1, kBefore + 0.1);
  EXPECT_THAT(
      ended_with(0.2).findings,
      found(Severity::warning,
            "it says that the session gave 0.2 e/A^2; its frames and events account for 0.1"));
}

TEST_F(Doses, WithoutTheLedgersWordItSaysSo) {
  frame(0, 0, 0.1, kBefore + 0.1);
  ASSERT_TRUE(
      session_
          ->fold({{"outcome", "recovered"}, {"dose", {{"g3/a1", {{"records_e_per_a2", 0.3}}}}}}, {})
          .ok());
  const auto report = look("/s/ink.h5");
  EXPECT_THAT(report.findings, found(Severity::note, "cannot be told from the session"));
  EXPECT_THAT(report.findings,
              found(Severity::warning, "the frames have 0.3 e/A^2; they have 0.1"));
  EXPECT_FALSE(report.doses[0].told_to_the_end);
}

TEST_F(Doses, NumbersThatAreNoneAreFound) {
  frame(0, 0, std::numeric_limits<double>::quiet_NaN(), kBefore);
  frame(1, 0, 0.1, std::numeric_limits<double>::infinity());
  const auto report = look();
  EXPECT_THAT(report.findings, found(Severity::warning, "no number"));
  EXPECT_THAT(to_json(report).dump(), testing::Not(HasSubstr("nan")));
}

// Whatever stands in the events, verify ends and says what it can.
TEST_F(Doses, HostileEventsDoNoHarm) {
  frame(0, 0, 0.1, kBefore + 0.1);
  for (
      const char* hostile :
      {R"({"event": "resumed"})", R"({"event": "resumed", "next_sequence": -1, "areas": []})",
       R"({"event": "resumed", "next_sequence": 1, "areas": 7})",
       R"({"event": "resumed", "next_sequence": 0, "areas": [null, 3, {"series_e_per_a2": "x"}]})",
       R"({"event": "resumed", "next_sequence": 18446744073709551615, "areas": [[], {}]})",
       R"({"event": "resumed", "next_sequence": 2, "areas": [{"series_e_per_a2": 9}]})",
       R"({"event": "charged", "exposure": 1, "attempt": 0, "area": 65535, "dose_e_per_a2": 1})",
       R"({"event": "charged", "exposure": 1, "attempt": 0, "area": 99999999999, "dose_e_per_a2": 1})",
       R"({"event": "charged", "exposure": "1", "attempt": [], "area": {}, "dose_e_per_a2": null})",
       R"({"event": ["charged"]})", R"({})"}) {
    event(json::parse(hostile));
  }
  const auto report = look();
  EXPECT_TRUE(report.intact()) << to_json(report).dump(1);
  ASSERT_EQ(report.doses.size(), 1U);
  EXPECT_NEAR(report.doses[0].dose, 0.1, 1e-12);
}

}  // namespace
}  // namespace creel::session
