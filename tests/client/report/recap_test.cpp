// The recap of made-up nights on films of iron-gall ink.
#include "client/report/recap.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "daemon/store/disk_source.h"
#include "daemon/store/session.h"
#include "protocol/base/text.h"
#include "tests/daemon/store/sample_session.h"
#include "tests/fakes/disk.h"

namespace creel::report {
namespace {

using nlohmann::json;
using session::Record;
using testing::HasSubstr;
using testing::Not;

constexpr std::int64_t kSecond = 1'000'000'000;
constexpr std::int64_t kUtc = 1'770'924'000 * kSecond;  // 2026-02-12T19:20:00Z, as the sample says
constexpr std::int64_t kWorld = 5 * kSecond;

/// A session that is nowhere on a disk.
class MadeUp : public session::Reader {
 public:
  MadeUp() {
    documents_.name = "ink-a-20260212T192000";
    documents_.series_text = store::sample::kSeries;
    documents_.rig_text = store::sample::kRig;
    documents_.start_utc_ns = kUtc;
    documents_.start_world_ns = kWorld;
    documents_.area_dose_before = {1.5, 0.0};
  }
  [[nodiscard]] bool folded() const override { return folded_; }
  Result<void> read_frame(std::size_t, std::span<std::byte>) override { return Error{}; }
  Result<session::EventLog> each_event(const session::EventParser::Take& take,
                                       const session::EventParser::Words&) override {
    for (json event : log_.events) {
      take(std::move(event));
    }
    return session::EventLog{{}, log_.bad_lines, log_.torn, log_.good_bytes};
  }
  [[nodiscard]] bool proven(std::size_t) const override { return true; }
  [[nodiscard]] std::string place(std::size_t) const override { return "here"; }
  Result<void> refresh() override { return {}; }

  /// `at` in seconds since the session began; the clock of the computer says `utc_off` more.
  void event(double at, json body, double utc_off = 0) {
    const auto ns = static_cast<std::int64_t>(at * 1e9);
    body["world_ns"] = world_begin_ + ns - life_begin_;
    body["utc"] = utc_text(kUtc + ns + static_cast<std::int64_t>(utc_off * 1e9));
    log_.events.push_back(json::parse(body.dump()));  // as it comes out of a log
  }
  /// The daemon came back; its world clock begins anew at `world`.
  void resumed(double at, std::int64_t world, json more = json::object()) {
    life_begin_ = static_cast<std::int64_t>(at * 1e9);
    world_begin_ = world;
    more["event"] = "resumed";
    more["next_sequence"] = records_.empty() ? 0 : records_.back().sequence + 1;
    event(at, std::move(more));
  }
  Record& frame(double at, std::uint64_t exposure, double dose) {
    Record record;
    record.sequence = records_.empty() ? 0 : records_.back().sequence + 1;
    record.exposure = exposure;
    record.area = 0;
    record.start_ns = world_begin_ + static_cast<std::int64_t>(at * 1e9) - life_begin_;
    record.exposure_ns = kSecond;
    record.dose = dose;
    record.dose_errors = dose / 10;
    given_ += dose;
    record.area_dose = 1.5 + given_;
    records_.push_back(record);
    return records_.back();
  }
  void wait(double from, double until, double value) {
    event(from, {{"event", "guard"},
                 {"guard", "gauge"},
                 {"decision", "wait"},
                 {"device", "laser_power"},
                 {"channel", "power"},
                 {"least", 17.0},
                 {"text", "gauge guard: laser_power power is " + number(value)}});
    event(until, {{"event", "guard_satisfied"}, {"guard", "gauge"}, {"text", "going on"}});
  }
  void end(json summary) {
    folded_ = true;
    documents_.summary = std::move(summary);
  }
  void rig(const std::string& text) { documents_.rig_text = text; }
  void had_by_now(double more) { given_ += more; }

  [[nodiscard]] Recap recap(bool all = false) const { return compose_recap(*this, log_, all); }
  [[nodiscard]] std::string text(bool all = false) const { return recap_text(recap(all)); }

  session::EventLog log_;

 private:
  bool folded_ = false;
  double given_ = 0;
  std::int64_t life_begin_ = 0, world_begin_ = kWorld;
};

std::vector<Moment> of_kind(const Recap& recap, const std::string& kind) {
  std::vector<Moment> found;
  std::copy_if(recap.timeline.begin(), recap.timeline.end(), std::back_inserter(found),
               [&](const Moment& one) { return one.kind == kind; });
  return found;
}

TEST(Recap, RepeatedWaitsShareOneLineWithTheirTimeInAll) {
  MadeUp night;
  for (int i = 0; i < 12; ++i) {
    night.wait(100.0 * i, 100.0 * i + (i == 7 ? 35 : 15), i);
  }
  const auto waits = of_kind(night.recap(), "wait");
  ASSERT_EQ(waits.size(), 1U);
  EXPECT_EQ(waits[0].count, 12U);
  EXPECT_NEAR(waits[0].seconds, 200, 1e-6);
  EXPECT_THAT(night.text(),
              HasSubstr("12 waits of the gauge guard (laser_power power), 3 min 20 s in all, the "
                        "longest 35 s; the last: gauge guard: laser_power power is 11"));
  EXPECT_EQ(of_kind(night.recap(true), "wait").size(), 12U);
}

TEST(Recap, TwoWaitsOfDifferentGaugesStayApart) {
  MadeUp night;
  night.wait(10, 20, 3);
  night.event(30,
              {{"event", "guard"}, {"guard", "low_counts"}, {"decision", "wait"}, {"text", "x"}});
  night.event(40, {{"event", "guard_satisfied"}, {"guard", "low_counts"}});
  EXPECT_EQ(of_kind(night.recap(), "wait").size(), 2U);
}

TEST(Recap, AHoldSaysWhyWithTheGuardsNumbersAndHowLong) {
  MadeUp night;
  night.event(60, {{"event", "guard"},
                   {"guard", "disk"},
                   {"decision", "hold"},
                   {"free_bytes", 2.5e9},
                   {"text", "disk guard: little room"}});
  night.event(60, {{"event", "hold"}, {"text", "disk guard: little room"}});
  night.event(3660, {{"event", "continue"}, {"text", "a person said continue"}});
  const auto holds = of_kind(night.recap(), "hold");
  ASSERT_EQ(holds.size(), 1U);
  EXPECT_EQ(holds[0].numbers["free_bytes"], 2.5e9);
  EXPECT_THAT(night.text(), HasSubstr("19:21:00-20:21:00  held for a person, shutter closed: disk "
                                      "guard: little room (1 h 0 min) [free 2.5 GB]"));
  EXPECT_TRUE(of_kind(night.recap(), "guard").empty()) << "told once, by the hold";
}

TEST(Recap, WhatRanIsALineABlock) {
  MadeUp night;
  night.frame(0, 0, 0.02);
  night.frame(2, 1, 0).kind = 1;
  night.frame(4, 2, 0.02);
  Record& broken = night.frame(6, 3, 0.02);
  broken.flags = session::kBroken;
  const auto ran = of_kind(night.recap(), "ran");
  ASSERT_EQ(ran.size(), 1U);
  EXPECT_EQ(ran[0].text, "block film: 3 exposures (2 specimen, 1 dark), 0.04 e/A^2");
  EXPECT_EQ(ran[0].utc_ns, kUtc);
  EXPECT_EQ(ran[0].until_ns, kUtc + 5 * kSecond);
  EXPECT_EQ(night.recap().broken, 1U);
  EXPECT_EQ(night.recap().exposures_done, 3U);
  EXPECT_EQ(night.recap().exposures_planned, 10U);
}

TEST(Recap, ManyFramesOfOneExposureCountItsDoseOnce) {
  MadeUp night;
  for (int i = 0; i < 3; ++i) {
    night.frame(i, 0, 0.3);
  }
  EXPECT_EQ(of_kind(night.recap(), "ran").at(0).text,
            "block film: 1 exposure (1 specimen), 3 frames, 0.3 e/A^2");
}

TEST(Recap, ADaemonThatWasKilledIsToldWithTheTimeItWasAwayAndWhatWasCharged) {
  MadeUp night;
  night.event(0, {{"event", "started"},
                  {"areas", {{{"area_sigma_e_per_a2", 0.3}}, {{"area_sigma_e_per_a2", 0.0}}}}});
  night.frame(10, 0, 0.02);  // until 11 s
  night.had_by_now(0.12);
  night.resumed(71, 2 * kSecond,  // after a reboot the world clock is younger than before
                {{"exposures_done", 1},
                 {"areas",
                  {{{"area", "g3/a1"}, {"series_e_per_a2", 0.14}, {"area_e_per_a2", 1.64}},
                   {{"area", "g3/a2"}, {"series_e_per_a2", 0.0}, {"area_e_per_a2", 0.0}}}},
                 {"charged_after_crash",
                  {{{"area", "g3/a1"}, {"dose_e_per_a2", 0.12}, {"sigma_e_per_a2", 0.035}}}}});
  night.frame(80, 1, 0.02);
  const Recap recap = night.recap();
  const auto restarts = of_kind(recap, "restart");
  ASSERT_EQ(restarts.size(), 1U);
  EXPECT_EQ(restarts[0].utc_ns, kUtc + 11 * kSecond) << "from the last sign of life";
  EXPECT_NEAR(restarts[0].seconds, 60, 1e-6);
  EXPECT_THAT(restarts[0].text, HasSubstr("went on at exposure 2"));
  EXPECT_EQ(of_kind(recap, "ran").at(0).until_ns, kUtc + 81 * kSecond);
  ASSERT_EQ(recap.areas.size(), 1U);
  const AreaAccount& account = recap.areas[0];
  ASSERT_EQ(account.dose.causes.size(), 2U);
  EXPECT_EQ(account.dose.causes[0].cause, "specimen");
  EXPECT_NEAR(account.dose.causes[0].dose, 0.04, 1e-12);
  EXPECT_EQ(account.dose.causes[1].cause, "after_crash");
  EXPECT_NEAR(account.dose.causes[1].dose, 0.12, 1e-12);
  EXPECT_NEAR(account.dose.total, 1.66, 1e-12);
  // The errors of one dose-rate measurement add linearly, what was before in quadrature.
  EXPECT_NEAR(account.sigma, std::hypot(0.3, 0.004 + 0.035), 1e-12);
  EXPECT_THAT(recap_text(recap), HasSubstr("charged after a crash"));
}

TEST(Recap, ADaemonThatEndedInOrderIsNotCalledKilled) {
  MadeUp night;
  night.event(5, {{"event", "close_all"}, {"text", "the daemon is ending"}});
  night.resumed(65, kWorld);
  EXPECT_THAT(night.text(), HasSubstr("creeld was ended in order and started again"));
  EXPECT_THAT(night.text(), Not(HasSubstr("killed, crashed")));
}

TEST(Recap, DoseByCauseHasByHandResidualAndBrokenApart) {
  MadeUp night;
  night.frame(0, 0, 0.02);
  night.event(3, {{"event", "exposure_broken"},
                  {"exposure", 1},
                  {"attempt", 0},
                  {"area", 0},
                  {"cause", "broken"},
                  {"dose_e_per_a2", 0.01},
                  {"sigma_e_per_a2", 0.001},
                  {"text", "exposure 1 failed: camera: no frame within 10 s of when it was due"}});
  for (const double sigma : {0.3, 0.4}) {
    night.event(4, {{"event", "entered_by_hand"},
                    {"exposure", 1},
                    {"attempt", 1},
                    {"area", 0},
                    {"dose_e_per_a2", 1.0},
                    {"sigma_e_per_a2", sigma},
                    {"text", "entered by hand for g3/a1: 1 e/A^2 (focusing)"}});
  }
  night.had_by_now(2.01);
  night.frame(6, 1, 0.02).attempt = 1;
  night.event(9, {{"event", "charged"},
                  {"exposure", 2},
                  {"attempt", 0},
                  {"area", 0},
                  {"cause", "residual"},
                  {"dose_e_per_a2", 0.005},
                  {"sigma_e_per_a2", 0.0005},
                  {"text", "residual beam: 0.005 e/A^2"}});
  const Recap recap = night.recap();
  ASSERT_EQ(recap.areas.size(), 1U);
  std::map<std::string, session::CauseDose> causes;
  for (const auto& part : recap.areas[0].dose.causes) {
    causes[part.cause] = part;
  }
  EXPECT_NEAR(causes["specimen"].dose, 0.04, 1e-12);
  EXPECT_EQ(causes["specimen"].exposures, 2U);
  EXPECT_NEAR(causes["broken"].dose, 0.01, 1e-12);
  EXPECT_NEAR(causes["by_hand"].dose, 2.0, 1e-12);
  EXPECT_NEAR(causes["by_hand"].sigma, 0.5, 1e-12) << "each entry is an estimate of its own";
  EXPECT_NEAR(causes["residual"].dose, 0.005, 1e-12);
  EXPECT_NEAR(recap.areas[0].dose.total, 1.5 + 0.04 + 0.01 + 2.0 + 0.005, 1e-12);
  const std::string text = recap_text(recap);
  EXPECT_THAT(text, Not(HasSubstr("not told by the session")));
  EXPECT_THAT(text, HasSubstr("limit 20, of this series 10"));
}

TEST(Recap, LostFramesAreGapsOfTheTimeline) {
  MadeUp night;
  night.frame(0, 0, 0.02).lost_before = 2;
  night.frame(2, 1, 0.02).sequence = 5;
  const Recap recap = night.recap();
  EXPECT_EQ(recap.lost, 2U + 4U);
  const auto gaps = of_kind(recap, "gap");
  ASSERT_EQ(gaps.size(), 2U);
  EXPECT_THAT(gaps[0].text, HasSubstr("the detector lost 2 frames before frame 0"));
  EXPECT_THAT(gaps[1].text, HasSubstr("4 frames are missing before frame 5"));
}

TEST(Recap, ADeviceThatWasLostAndCameBackIsOneThing) {
  MadeUp night;
  const auto state = [&](double at, const char* name) {
    night.event(at, {{"event", "device"},
                     {"device", {{"name", "camera"}, {"state", name}, {"last_trouble", "hung up"}}},
                     {"text", "camera is ..."}});
  };
  for (const double at : {10.0, 50.0}) {
    state(at, "stale");
    state(at + 0.1, "waiting to restart");
    state(at + 1, "starting");
    state(at + 2, "ready");
  }
  const auto devices = of_kind(night.recap(), "device");
  ASSERT_EQ(devices.size(), 1U);
  EXPECT_EQ(devices[0].count, 2U);
  EXPECT_EQ(devices[0].text,
            "2 times lost: camera, 4 s in all, the longest 2 s; the last: hung up");
}

TEST(Recap, WhatTheNumbersTellAnywayIsNoLineOfTheTimeline) {
  MadeUp night;
  for (const char* routine : {"gauges", "measures", "charged", "shutter_times"}) {
    night.event(10, {{"event", routine}, {"text", "not to be told"}});
  }
  night.event(20, {{"event", "alarm"}, {"text", "to be told"}});
  const Recap recap = night.recap();
  EXPECT_EQ(of_kind(recap, "alarm").size(), 1U);
  for (const auto& moment : recap.timeline) {
    EXPECT_THAT(moment.text, Not(HasSubstr("not to be told")));
  }
}

TEST(Recap, AStepOfTheComputersClockIsToldAndMovesNothing) {
  for (const bool real : {true, false}) {
    MadeUp night;
    night.rig(real ? R"({"accelerated": false})" : R"({"accelerated": true})");
    night.event(10, {{"event", "gauges"}});
    night.event(20, {{"event", "alarm"}, {"text", "first"}}, 3600);
    night.event(30, {{"event", "alarm"}, {"text", "second"}}, 3600);
    const Recap recap = night.recap();
    const auto steps = of_kind(recap, "clock");
    EXPECT_EQ(steps.size(), real ? 1U : 0U) << "a simulated clock is no clock of the computer";
    EXPECT_EQ(of_kind(recap, "alarm").at(1).utc_ns, kUtc + 30 * kSecond);
    EXPECT_EQ(recap.simulated, !real);
    if (real) {
      EXPECT_THAT(steps[0].text, HasSubstr("forward by 1 h 0 min"));
    }
  }
}

TEST(Recap, AlertsAreOneLineAndTheirTextIsNotRepeated) {
  MadeUp night;
  for (const char* kind : {"hold", "long_wait", "hold"}) {
    night.event(10, {{"event", "alert"}, {"alert", kind}, {"text", "in full"}});
  }
  const auto alerts = of_kind(night.recap(), "alert");
  ASSERT_EQ(alerts.size(), 1U);
  EXPECT_EQ(alerts[0].text, "3 alerts raised: hold (2), long wait");
  EXPECT_EQ(of_kind(night.recap(true), "alert").at(1).text, "alert raised: long wait: in full");
}

TEST(Recap, AHoldThatIsNotOverSaysWhatToDo) {
  MadeUp night;
  night.event(60, {{"event", "hold"}, {"text", "refilling the cold trap"}});
  const Recap recap = night.recap();
  EXPECT_EQ(recap.outcome, "");
  EXPECT_THAT(recap.ended, HasSubstr("holds for a person: refilling the cold trap"));
  EXPECT_THAT(recap.next, HasSubstr("creel continue"));
}

TEST(Recap, AShutterThatWasNotShownToCloseComesFirst) {
  MadeUp night;
  night.event(60, {{"event", "alarm"}, {"text", "shutter beam_shutter was not shown to close"}});
  EXPECT_THAT(night.recap().safe,
              testing::StartsWith("NOT SHOWN TO BE SAFE: shutter beam_shutter"));
  EXPECT_THAT(night.recap().next, HasSubstr("look at the instrument"));
  night.event(70, {{"event", "ended"}, {"outcome", "stopped"}, {"reason", "a person asked"}});
  EXPECT_THAT(night.recap().safe, Not(HasSubstr("NOT SHOWN")));
}

TEST(Recap, TheSummaryOfAFoldedSessionSaysHowItEnded) {
  MadeUp night;
  night.frame(0, 0, 0.02);
  night.event(5, {{"event", "ended"}, {"outcome", "dose"}, {"reason", "dose guard: at its limit"}});
  EXPECT_EQ(night.recap().outcome, "dose");
  night.end({{"outcome", "dose"}, {"reason", "dose guard: at its limit"}});
  EXPECT_EQ(night.recap().ended, "dose: dose guard: at its limit.");
  EXPECT_THAT(night.recap().next, HasSubstr("choose a fresh one"));
}

TEST(Recap, ANightOfManyDifferentTroublesStaysAPage) {
  MadeUp night;
  for (int i = 0; i < 500; ++i) {
    night.event(i, {{"event", "alarm"},
                    {"text", std::string("trouble ") + char('a' + i % 26) + char('a' + i / 26)}});
    night.event(i, {{"event", "new_thing"},
                    {"text", std::string("what ") + char('a' + i % 26) + char('a' + i / 26)}});
  }
  const std::string text = night.text();
  EXPECT_LT(std::count(text.begin(), text.end(), '\n'), 60);
  EXPECT_THAT(text, HasSubstr("500 times; the last: ALARM: trouble"));
  EXPECT_EQ(night.recap(true).timeline.size(), 1000U);
}

// Whatever stands in the events, a recap is made of it.
TEST(Recap, HostileEventsDoNoHarm) {
  MadeUp night;
  for (const char* hostile :
       {R"({})", R"({"event": 3})", R"({"event": "guard", "decision": ["wait"]})",
        R"({"event": "device", "device": "camera"})", R"({"event": "device"})",
        R"({"event": "resumed", "next_sequence": -7, "world_ns": "x", "areas": {}})",
        R"({"event": "resumed", "next_sequence": 18446744073709551615})",
        R"({"event": "started", "areas": 3})", R"({"event": "ended"})",
        R"({"event": "hold", "utc": "2026-99-99T99:99:99.999Z", "world_ns": 9223372036854775807})",
        R"({"event": "exposure_broken", "text": ": "})", R"({"event": "exposure_broken"})",
        R"({"event": "alarm", "text": "bell \u0007 and line\u001b[2J"})"}) {
    night.log_.events.push_back(json::parse(hostile));
  }
  night.frame(1, 0, std::nan(""));
  for (const bool all : {false, true}) {
    const std::string text = night.text(all);
    EXPECT_EQ(text.find('\x1b'), std::string::npos);
    EXPECT_FALSE(to_json(night.recap(all)).dump().empty());
  }
}

// The same night from the folder that is still written and from the one file that it becomes.
TEST(Recap, ReadsALiveFolderAndTheFoldedFileAlike) {
  fakes::FakeDisk disk;
  constexpr store::FrameShape kShape{1, 16, session::Pixel::u16};
  auto made = store::create_session(disk, store::sample::start("/s", "ink", kShape, 8));
  ASSERT_TRUE(made.ok()) << made.error().text;
  for (std::uint64_t i = 0; i < 4; ++i) {
    ASSERT_TRUE((*made)->append(store::sample::record(i), store::sample::frame(kShape, i)).ok());
  }
  ASSERT_TRUE((*made)->commit().ok());
  ASSERT_TRUE(
      (*made)->event({{"event", "frame_left_out"}, {"text", "exposure 2 is marked: x"}}).ok());
  const auto look = [&](const std::string& path) {
    const auto source = store::disk_source(disk);
    auto reader = session::Reader::open(*source, path);
    EXPECT_TRUE(reader.ok()) << reader.error().text;
    auto log = (*reader)->events();
    EXPECT_TRUE(log.ok());
    return to_json(compose_recap(**reader, *log, false));
  };
  const json live = look("/s/ink");
  EXPECT_EQ(live["closed"], false);
  EXPECT_EQ(live["frames"], 4);
  ASSERT_TRUE((*made)->fold(store::sample::summary(4), {}).ok());
  const json file = look("/s/ink.h5");
  EXPECT_EQ(file["closed"], true);
  EXPECT_EQ(file["timeline"], live["timeline"]);
  EXPECT_EQ(file["areas"][0]["total_e_per_a2"], live["areas"][0]["total_e_per_a2"]);
  EXPECT_EQ(file["outcome"], "finished");
}

}  // namespace
}  // namespace creel::report
