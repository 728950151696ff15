// Sessions that a crash left: which one is taken up, what is said of the others, and how one is
// finished by hand.
#include "daemon/series/unfinished.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "daemon/series/recover.h"
#include "daemon/store/piece.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel {
namespace {

using nlohmann::json;
using ::testing::HasSubstr;
using ::testing::SizeIs;
namespace sample = store::sample;

constexpr store::FrameShape kShape{1, 64, store::Pixel::u16};
constexpr std::int64_t kNow = 1'770'930'000'000'000'000;  // 2026-02-12T21:00:00Z

class UnfinishedSessions : public testing::Test {
 protected:
  /// A session that began `later_ns` after the sample and has five frames; its daemon is gone.
  void leave(const std::string& name, std::int64_t later_ns = 0, const json& last_event = nullptr) {
    auto start = sample::start("/s", name, kShape, 10);
    start.start_utc_ns += later_ns;
    auto session = store::create_session(disk_, start);
    ASSERT_TRUE(session.ok()) << session.error().text;
    for (std::uint64_t number = 0; number < 5; ++number) {
      ASSERT_TRUE((*session)->append(sample::record(number), sample::frame(kShape, number)).ok());
    }
    ASSERT_TRUE((*session)->commit().ok());
    if (!last_event.is_null()) {
      ASSERT_TRUE((*session)->event(last_event).ok());
    }
  }
  Unfinished find() {
    auto found = find_unfinished(disk_, "/s");
    EXPECT_TRUE(found.ok());
    return found.ok() ? std::move(*found) : Unfinished{};
  }
  Result<Recovered> recover(const std::string& path) {
    return recover_session(disk_, path, kNow, {});
  }
  void expect_refused(const std::string& path, ErrorCode code, const std::string& text) {
    const auto recovered = recover(path);
    ASSERT_FALSE(recovered.ok());
    EXPECT_EQ(recovered.error().code, code) << recovered.error().text;
    EXPECT_THAT(recovered.error().text, HasSubstr(text));
  }

  fakes::FakeDisk disk_;
};

TEST_F(UnfinishedSessions, WhatWasMeasuredAndEveryFrameAreFoundAgain) {
  FrameMeasures made;
  made.exposure = 3;
  made.kind = ExposureKind::zero_loss;
  made.area = 1;
  made.dose = 2.5;
  made.measures = {{MeasureKind::t_over_lambda, 0.45, 0.002},
                   {MeasureKind::rate, 1e6, std::numeric_limits<double>::quiet_NaN()}};
  json event = measures_to_json(made);
  event["event"] = "measures";
  leave("night", 0, event);
  const Earlier earlier = look_back(disk_, "/s", "night");
  ASSERT_EQ(earlier.past.size(), 1U);
  EXPECT_EQ(earlier.past[0].what, GuardPast::What::measured);
  const FrameMeasures& found = earlier.past[0].measures;
  EXPECT_EQ(found.exposure, 3U);
  EXPECT_EQ(found.kind, ExposureKind::zero_loss);
  EXPECT_EQ(found.area, 1);
  EXPECT_EQ(found.dose, 2.5);
  EXPECT_EQ(found.find(MeasureKind::t_over_lambda)->value, 0.45);
  EXPECT_TRUE(std::isnan(found.find(MeasureKind::rate)->sigma));
  std::uint64_t frames = 0;
  const auto read = each_frame_of(disk_, "/s", "night", [&](const auto& record, auto frame) {
    EXPECT_EQ(record.sequence, frames);
    const auto made_of = sample::frame(kShape, frames++);
    EXPECT_TRUE(std::equal(frame.begin(), frame.end(), made_of.begin(), made_of.end()));
  });
  EXPECT_TRUE(read.ok());
  EXPECT_EQ(frames, 5U);
  EXPECT_FALSE(each_frame_of(disk_, "/s", "none", [](const auto&, auto) {}).ok());
}

TEST_F(UnfinishedSessions, TheLastMoveOfTheEnergyAxisCounts) {
  Earlier earlier;
  for (const json& event :
       {json{{"event", "guard"}, {"decision", "recentre"}, {"axis_offset_ev", 0.8}},
        json{{"event", "guard"}, {"decision", "wait"}}, json{{"event", "continue"}},
        json{{"event", "measures"}, {"exposure", "no number"}}, json::array(), json(3)}) {
    earlier.take(event);
  }
  EXPECT_EQ(earlier.axis_offset_ev, 0.8);
  ASSERT_EQ(earlier.past.size(), 2U);
  EXPECT_EQ(earlier.past[0].what, GuardPast::What::recentred);
  EXPECT_EQ(earlier.past[1].what, GuardPast::What::went_on) << "a person looked: guards began anew";
}

TEST_F(UnfinishedSessions, NothingIsFoundWhereNothingIs) {
  const auto found = find();
  EXPECT_FALSE(found.latest);
  EXPECT_THAT(found.others, SizeIs(0));
}

TEST_F(UnfinishedSessions, TheOneThatBeganLastIsTakenUpAndTheOthersAreNamed) {
  leave("b", 5);
  leave("a", 9);
  leave("c", 7);
  const auto found = find();
  ASSERT_TRUE(found.latest);
  EXPECT_EQ(found.latest->name, "a") << "not the last by name";
  EXPECT_FALSE(found.latest->ended);
  EXPECT_EQ(found.latest->start.series_text, sample::kSeries);
  ASSERT_THAT(found.others, SizeIs(2));
  for (const auto& left : found.others) {
    EXPECT_EQ(left.path, "/s/" + left.name);
    EXPECT_THAT(left.text, HasSubstr("creel recover " + left.path));
    EXPECT_NE(left.name, "a");
  }
}

TEST_F(UnfinishedSessions, OneThatCannotBeReadDoesNotKeepTheOthersFromBeingTakenUp) {
  leave("good");
  leave("zz", 9);
  disk_.truncate("/s/zz/whole.h5", 700);
  const auto found = find();
  ASSERT_TRUE(found.latest);
  EXPECT_EQ(found.latest->name, "good");
  ASSERT_THAT(found.others, SizeIs(1));
  EXPECT_THAT(found.others[0].text, HasSubstr("session zz stays unfinished"));
}

TEST_F(UnfinishedSessions, OneWhoseSeriesHadEndedSaysHow) {
  leave("ink", 0, {{"event", "ended"}, {"outcome", "stopped"}, {"reason", "a person asked"}});
  const auto found = find();
  ASSERT_TRUE(found.latest && found.latest->ended);
  EXPECT_EQ(found.latest->ended->outcome, "stopped");
  EXPECT_EQ(found.latest->ended->reason, "a person asked");
}

TEST(Ending, IsReadFromWhateverTheLogHolds) {
  std::optional<Ending> ending;
  for (const char* text : {R"({"event": 7})", R"({"outcome": "complete"})", "{}", "[]"}) {
    look_for_ending(json::parse(text), ending);
  }
  EXPECT_FALSE(ending);
  look_for_ending(json::parse(R"({"event": "ended", "outcome": null, "reason": []})"), ending);
  ASSERT_TRUE(ending);
  EXPECT_EQ(ending->outcome, "ended");
  look_for_ending(json::parse(R"({"event": "resumed"})"), ending);
  EXPECT_TRUE(ending) << "a daemon took it up to close it, and was killed once more";
}

TEST_F(UnfinishedSessions, RecoveringMakesOneIntactFile) {
  leave("ink");
  std::vector<std::string> steps;
  auto recovered = recover_session(disk_, "/s/ink/", kNow,
                                   [&](const char* step, std::uint64_t done, std::uint64_t total) {
                                     EXPECT_LE(done, total);
                                     if (steps.empty() || steps.back() != step) {
                                       steps.emplace_back(step);
                                     }
                                   });
  ASSERT_TRUE(recovered.ok()) << recovered.error().text;
  EXPECT_EQ(recovered->path, "/s/ink.h5");
  EXPECT_EQ(steps, (std::vector<std::string>{"fold", "verify"}));
  EXPECT_EQ(recovered->summary["outcome"], "recovered");
  // The sample's series has ten exposures.
  EXPECT_EQ(recovered->summary["reason"], "recovered after a crash; 5 of 10 exposures");
  EXPECT_EQ(recovered->summary["recovered_utc"], "2026-02-12T21:00:00.000Z");
  EXPECT_NEAR(recovered->summary["dose"]["g3/a1"]["records_e_per_a2"].get<double>(), 0.06, 1e-12);
  EXPECT_EQ(recovered->report["intact"], true) << recovered->report.dump(1);
  EXPECT_FALSE(disk_.exists("/s/ink/whole.h5"));
  store::expect_frames(disk_, "/s/ink.h5", 5);
}

TEST_F(UnfinishedSessions, RecoveringKeepsHowTheSeriesEnded) {
  leave("ink", 0, {{"event", "ended"}, {"outcome", "complete"}, {"reason", "all are taken"}});
  auto recovered = recover("/s/ink/whole.h5");
  ASSERT_TRUE(recovered.ok()) << recovered.error().text;
  EXPECT_EQ(recovered->summary["outcome"], "complete");
  EXPECT_EQ(recovered->summary["reason"],
            "all are taken; recovered after a crash; 5 of 10 exposures");
}

TEST_F(UnfinishedSessions, WhatADaemonHasIsRefused) {
  auto held = store::create_session(disk_, sample::start("/s", "ink", kShape, 10));
  ASSERT_TRUE(held.ok());
  expect_refused("/s/ink", ErrorCode::refused, "a running creeld has this session");
  EXPECT_TRUE((*held)->append(sample::record(0), sample::frame(kShape, 0)).ok());
  EXPECT_TRUE((*held)->commit().ok());
}

TEST_F(UnfinishedSessions, WhatIsNoSessionIsRefused) {
  leave("ink");
  for (const char* path : {"/s/none", "/s", "/", "", "ink/..", "/s/ink/piece-0.h5x"}) {
    expect_refused(path, ErrorCode::invalid_request, "no unfinished session");
  }
  expect_refused("/s/ink.h5", ErrorCode::invalid_request, "nothing to recover");
  EXPECT_TRUE(disk_.exists("/s/ink/whole.h5"));
}

TEST_F(UnfinishedSessions, ADamagedFrameKeepsTheFolder) {
  leave("ink");
  const auto layout = store::lay_out_piece(kShape, 10)->layout;
  disk_.flip_bit("/s/ink/piece-0.h5", layout.frames_offset + 2 * kShape.bytes() + 9, 3);
  const auto recovered = recover("/s/ink");
  ASSERT_FALSE(recovered.ok());
  EXPECT_FALSE(disk_.exists("/s/ink.h5"));
  EXPECT_TRUE(disk_.exists("/s/ink/piece-0.h5"));
}

TEST_F(UnfinishedSessions, AFileThatIsThereAlreadyIsNotMadeAgain) {
  leave("ink");
  auto after = disk_.after_kill();
  ASSERT_TRUE(recover("/s/ink").ok());
  // As if the folder had not been removed any more.
  const auto file = *read_all(disk_, "/s/ink.h5");
  auto copy = after.open("/s/ink.h5", OpenMode::create_new);
  ASSERT_TRUE(copy.ok() && (*copy)->write_at(0, std::as_bytes(std::span(file))).ok());
  const auto recovered = recover_session(after, "/s/ink", kNow, {});
  ASSERT_TRUE(recovered.ok()) << recovered.error().text;
  EXPECT_FALSE(after.exists("/s/ink/whole.h5"));
  store::expect_frames(after, "/s/ink.h5", 5);
}

TEST_F(UnfinishedSessions, AnotherFileInTheWayIsNotTouched) {
  leave("ink");
  auto other = disk_.open("/s/ink.h5", OpenMode::create_new);
  ASSERT_TRUE(other.ok() && (*other)->write_at(0, std::as_bytes(std::span("shopping list"))).ok());
  expect_refused("/s/ink", ErrorCode::refused, "is in the way");
  EXPECT_TRUE(disk_.exists("/s/ink/whole.h5"));
  EXPECT_THAT(*read_all(disk_, "/s/ink.h5"), HasSubstr("shopping list"));
}

}  // namespace
}  // namespace creel
