// The engine alone: which command follows which, and what it does when one fails.

#include "daemon/series/engine.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <set>
#include <string>
#include <vector>

#include "daemon/guards/guards_for.h"
#include "tests/nights/documents.h"

namespace creel {
namespace {

using nights::NightPlan;

/// Executes commands by a script: everything succeeds unless `fails` says otherwise.
class Bench {
 public:
  explicit Bench(Gating gating = Gating::detector) : rig_(nights::rig_document()) {
    NightPlan plan;
    plan.seed = 4;
    plan.shutter_gating = gating == Gating::shutter;
    series_ = nights::series_for(plan);
  }
  Series& series() { return series_; }
  Rig& rig() { return rig_; }
  Engine& engine() { return *engine_; }
  std::map<std::string, Dose> charged;

  /// Runs until Finish, AwaitPerson or `most` commands; returns names, shutters named: "open
  /// beam_shutter".
  std::vector<std::string> run(std::size_t most = 1000, EngineStart start = {}) {
    if (engine_ == nullptr) {
      engine_ = std::make_unique<Engine>(series_, rig_, guards_for(series_), std::move(start));
      command_ = engine_->begin(now_);
    }
    std::vector<std::string> log;
    while (log.size() < most) {
      log.push_back(describe(command_));
      if (std::holds_alternative<command::Finish>(command_) ||
          std::holds_alternative<command::AwaitPerson>(command_)) {
        return log;
      }
      step(log.back());
    }
    return log;
  }
  /// Answers the command that run() ended with.
  void go_on() { command_ = engine_->next(outcome::Done{}, now_); }

  std::function<bool(const std::string& command)> fails = [](const std::string&) { return false; };
  /// What the gauges read at a time; what a frame counts.
  std::function<std::vector<Reading>(WorldTime)> readings = [](WorldTime) {
    return std::vector<Reading>{};
  };
  std::function<double(const PlannedExposure&)> counts = [](const PlannedExposure&) { return 0.0; };
  std::vector<session::Record> kept;
  std::vector<command::Stream> streamed;
  std::vector<std::pair<PlannedExposure, Duration>> armed;
  std::vector<nlohmann::json> notes;
  [[nodiscard]] std::string noted(const std::string& event) const {
    const auto found = std::find_if(notes.begin(), notes.end(),
                                    [&](const auto& note) { return note["event"] == event; });
    return found == notes.end() ? "" : found->value("text", "");
  }
  WorldTime now() const { return now_; }

 private:
  static std::string describe(const Command& command) {
    std::string name(command_name(command));
    if (const auto* open = std::get_if<command::Open>(&command)) {
      name += " " + open->shutter;
    } else if (const auto* close = std::get_if<command::Close>(&command)) {
      name += " " + close->shutter;
    } else if (const auto* apply = std::get_if<command::Apply>(&command)) {
      name += " " + apply->name + " " + apply->value.dump();
    } else if (const auto* move = std::get_if<command::Move>(&command)) {
      name += " " + move->axis + " " + nlohmann::json(move->position).dump();
    }
    return name;
  }

  void step(const std::string& name) {
    Outcome outcome = outcome::Done{};
    now_ = now_ + milliseconds(1);
    if (fails(name)) {
      outcome = Error{ErrorCode::device_lost, name + " failed on purpose"};
    } else if (std::holds_alternative<command::Intend>(command_)) {
      outcome = outcome::Intended{++intents_};
    } else if (const auto* arm = std::get_if<command::Arm>(&command_)) {
      armed.emplace_back(engine_->plan().at(engine_->exposures_done()), arm->exposure);
      outcome = outcome::Armed{arm->exposure, milliseconds(2)};
    } else if (std::holds_alternative<command::Open>(command_)) {
      opened_ = now_;
      outcome = outcome::ShutterAt{true, opened_, WorldTime{}};
    } else if (std::holds_alternative<command::Close>(command_)) {
      outcome = outcome::ShutterAt{true, opened_, now_};
    } else if (std::holds_alternative<command::Start>(command_)) {
      outcome = outcome::Started{now_};
    } else if (const auto* wait = std::get_if<command::Wait>(&command_)) {
      now_ = std::max(now_, wait->until);
    } else if (const auto* stream = std::get_if<command::Stream>(&command_)) {
      streamed.push_back(*stream);
      now_ = std::max(now_, stream->until);
    } else if (const auto* drain = std::get_if<command::Drain>(&command_)) {
      now_ = std::max(now_, drain->due);
    } else if (const auto* take = std::get_if<command::Take>(&command_)) {
      now_ = std::max(now_, take->due);
      outcome = outcome::Taken{0, 0, counts(engine_->plan().at(engine_->exposures_done()))};
    } else if (std::holds_alternative<command::ReadGauges>(command_)) {
      outcome = outcome::GaugesRead{readings(now_)};
    } else if (const auto* keep = std::get_if<command::Keep>(&command_)) {
      kept.push_back(keep->record);
    } else if (const auto* charge = std::get_if<command::Charge>(&command_)) {
      charged["all"] += charge->given;
    }
    command_ = engine_->next(outcome, now_);
    for (auto& note : engine_->take_notes()) {
      notes.push_back(std::move(note));
    }
  }

  Rig rig_;
  Series series_;
  std::unique_ptr<Engine> engine_;
  Command command_;
  WorldTime now_{1'000'000'000};
  WorldTime opened_;
  IntentId intents_ = 0;
};

using Names = std::vector<std::string>;

Names slice(const Names& log, const std::string& from, std::size_t count) {
  const auto at = std::find(log.begin(), log.end(), from);
  return {at, at + static_cast<std::ptrdiff_t>(
                       std::min<std::size_t>(count, static_cast<std::size_t>(log.end() - at)))};
}

TEST(Engine, ProvesTheShutterClosedBeforeAnythingElse) {
  Bench bench;
  const Names log = bench.run();
  EXPECT_EQ(log[0], "close beam_shutter");
  EXPECT_EQ(log[1], "open cathode_shutter");
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(log[log.size() - 2], "close cathode_shutter");
}

TEST(Engine, DetectorGatingRunsTheCycleInOrder) {
  Bench bench;
  EXPECT_EQ(slice(bench.run(), "intend", 9),
            (Names{"intend", "open beam_shutter", "start", "wait", "close beam_shutter", "take",
                   "charge", "keep", "arm"}));
}

TEST(Engine, ShutterGatingRunsTheCycleInOrder) {
  Bench bench(Gating::shutter);
  EXPECT_EQ(slice(bench.run(), "intend", 9),
            (Names{"intend", "start", "open beam_shutter", "wait", "close beam_shutter", "take",
                   "charge", "keep", "arm"}));
}

// Darks that integrate as short as asked leave the dark counts of the margins in every lit frame:
// 0.17 ms of beam on the simulated rig.
TEST(Engine, ShutterGatedFramesAndTheirDarksIntegrateAlike) {
  Bench bench(Gating::shutter);
  const Duration margins{2 * bench.series().gating_margin.value};
  ASSERT_GT(margins.value, 0);
  bench.run();
  std::set<ExposureKind> kinds;
  for (const auto& [exposure, integrated] : bench.armed) {
    EXPECT_EQ(integrated.value, (exposure.exposure + margins).value);
    kinds.insert(exposure.kind);
  }
  EXPECT_TRUE(kinds.contains(ExposureKind::dark) && kinds.contains(ExposureKind::specimen));
}

TEST(Engine, ADarkNeverOpensTheDoseShutter) {
  Bench bench;
  bench.series().blocks.resize(1);  // the darks only
  const Names log = bench.run();
  EXPECT_EQ(std::count(log.begin(), log.end(), "open beam_shutter"), 0);
  EXPECT_EQ(std::count(log.begin(), log.end(), "intend"), 0);
  EXPECT_EQ(slice(log, "arm", 4), (Names{"arm", "start", "take", "keep"}));
}

TEST(Engine, ABackgroundExposureBlocksTheCathodeLaserAndLetsItInAgain) {
  Bench bench;
  bench.series().blocks.resize(1);
  bench.series().blocks[0].kind = ExposureKind::background;
  bench.series().blocks[0].area = "A1";
  EXPECT_EQ(slice(bench.run(), "intend", 10),
            (Names{"intend", "close cathode_shutter", "open beam_shutter", "start", "wait",
                   "close beam_shutter", "take", "charge", "open cathode_shutter", "keep"}));
}

TEST(Engine, AnExposureOfManyFramesStreamsThemWhileTheShutterStaysOpen) {
  Bench bench;
  bench.series().blocks[1].frames = 100;
  bench.series().guards.dose = bench.series().areas[0].dose_limit = Dose{1e6};
  const Names log = bench.run();
  EXPECT_EQ(slice(log, "stream", 4), (Names{"stream", "close beam_shutter", "drain", "charge"}));
  ASSERT_EQ(bench.streamed.size(), 8U) << "the darks and references have one frame each";
  const command::Stream& first = bench.streamed.front();
  // 100 frames of 2 s with 2 ms of readout between them, 0.5 e/A^2/s.
  EXPECT_NEAR(first.dose_a_frame.value, 0.5 * 2.002, 1e-9);
  EXPECT_NEAR(first.record.dose, 0.5 * (100 * 2 + 99 * 0.002), 1e-6);
  EXPECT_NEAR(bench.charged["all"].value, 0.5 * (8 * (100 * 2 + 99 * 0.002) + 2 * 0.5), 0.05);
  EXPECT_EQ(log.back(), "finish");
}

TEST(Engine, ADarkOfManyFramesOpensNothing) {
  Bench bench;
  bench.series().blocks.resize(1);
  bench.series().blocks[0].frames = 50;
  const Names log = bench.run();
  EXPECT_EQ(std::count(log.begin(), log.end(), "open beam_shutter"), 0);
  EXPECT_EQ(slice(log, "arm", 4), (Names{"arm", "start", "stream", "drain"}));
}

TEST(Engine, AStreamThatBreaksIsClosedChargedAndRepeated) {
  for (const char* where : {"stream", "drain"}) {
    Bench bench;
    bench.series().blocks[1].frames = 10;
    bench.series().guards.dose = bench.series().areas[0].dose_limit = Dose{1e6};
    int failures = 0;
    bench.fails = [&](const std::string& command) { return command == where && failures++ == 0; };
    const Names log = bench.run();
    const auto broken = std::find(log.begin(), log.end(), "stop detector");
    ASSERT_NE(broken, log.end()) << where;
    EXPECT_NE(std::find(broken, log.end(), "charge"), log.end());
    EXPECT_EQ(std::count(log.begin(), log.end(), "stream"), 9) << "once more";
    EXPECT_EQ(log.back(), "finish");
  }
}

TEST(Engine, ChargesTheMeasuredOpening) {
  Bench bench;
  bench.run();
  // 8 exposures of 2 s and 2 references of 0.5 s, each open 1 or 2 ms longer than exposed, 0.5
  // e/A^2/s.
  EXPECT_NEAR(bench.charged["all"].value, 0.5 * (8 * 2 + 2 * 0.5), 0.5 * 10 * 0.003);
}

/// Whatever fails, wherever: closure is established before the next intent, and no open goes
/// without one.
class FailsAt : public testing::TestWithParam<std::tuple<std::string, Gating>> {};

TEST_P(FailsAt, ClosureIsEstablishedAndTheIntentChargedBeforeGoingOn) {
  const auto& [what, gating] = GetParam();
  Bench bench(gating);
  int failures = 0;
  bench.fails = [&, what = what](const std::string& command) {
    return command.rfind(what, 0) == 0 && bench.now() > WorldTime{8'000'000'000} && failures++ == 0;
  };
  const Names log = bench.run();
  ASSERT_EQ(failures > 0, true) << what;
  bool open = false;
  int intents = 0;
  for (const std::string& command : log) {
    if (command == "intend") {
      EXPECT_FALSE(open) << "an intent while the shutter may be open, after " << what;
      ++intents;
    } else if (command == "open beam_shutter") {
      EXPECT_GT(intents, 0) << "open without an intent, after " << what;
      open = true;
    } else if (command == "close beam_shutter" || command == "close cathode_shutter") {
      open = false;
    } else if (command == "charge") {
      EXPECT_FALSE(open) << "charged before closing, after " << what;
      intents = 0;
    }
  }
  EXPECT_EQ(log.back(), "finish") << "one failure of " << what << " must not end the series";
}
INSTANTIATE_TEST_SUITE_P(EveryStep, FailsAt,
                         testing::Combine(testing::Values("arm", "open beam", "start", "take",
                                                          "close beam", "read"),
                                          testing::Values(Gating::detector, Gating::shutter)));

TEST(Engine, AShutterThatDoesNotCloseIsReplacedByItsFallback) {
  Bench bench;
  int failures = 0;
  bench.fails = [&](const std::string& command) {
    return command == "close beam_shutter" && bench.now() > WorldTime{8'000'000'000} &&
           failures++ == 0;
  };
  const Names log = bench.run();
  const auto fallback = std::find(log.begin(), log.end(), "close cathode_shutter");
  ASSERT_NE(fallback, log.end());
  EXPECT_EQ(*(fallback - 1), "close beam_shutter");
  EXPECT_EQ(*(fallback + 1), "stop detector");
  EXPECT_EQ(*(fallback + 2), "charge");
  // Later the shutter itself is proven closed, and only then is the beam let in again.
  const auto proven = std::find(fallback, log.end(), "close beam_shutter");
  EXPECT_LT(proven, std::find(fallback, log.end(), "open cathode_shutter"));
}

TEST(Engine, WithoutAFallbackTheDoseKeepsBeingCoveredByIntents) {
  Bench bench;
  for (RigDevice& device : bench.rig().devices) {
    device.fallback.clear();
  }
  int failures = 0;
  bench.fails = [&](const std::string& command) {
    return command == "close beam_shutter" && bench.now() > WorldTime{8'000'000'000} &&
           failures < 100 && ++failures > 0;
  };
  const Names log = bench.run();
  EXPECT_EQ(failures, 100);
  // The exposure that could not be closed: from its intent to its charge.
  std::ptrdiff_t most_intents = 0;
  for (auto intend = log.begin(); intend != log.end();
       intend = std::find(intend + 1, log.end(), "intend")) {
    most_intents = std::max(most_intents,
                            std::count(intend, std::find(intend, log.end(), "charge"), "intend"));
  }
  EXPECT_GE(most_intents, 3) << "its own, and two more for 100 s at a minute each";
  EXPECT_GT(bench.charged["all"].value, 0.5 * 100) << "the 100 s are charged";
}

TEST(Engine, DoseThatNoIntentCoversIsChargedAllTheSameAndToldOnce) {
  Bench bench;
  for (RigDevice& device : bench.rig().devices) {
    device.fallback.clear();
  }
  int failures = 0;
  bench.fails = [&](const std::string& command) {
    if (failures > 0 && failures < 100 && command == "intend") {
      return true;  // the disk is gone, too
    }
    return command == "close beam_shutter" && bench.now() > WorldTime{8'000'000'000} &&
           failures < 100 && ++failures > 0;
  };
  bench.run();
  EXPECT_EQ(failures, 100);
  EXPECT_GT(bench.charged["all"].value, 0.5 * 100) << "the 100 s were given, intended or not";
  const auto told = std::count_if(bench.notes.begin(), bench.notes.end(), [](const auto& note) {
    return note["text"].template get<std::string>().find("charged when it is closed") !=
           std::string::npos;
  });
  EXPECT_EQ(told, 1) << "not every second";
}

TEST(Engine, ALedgerThatCannotBeWrittenOpensNothing) {
  Bench bench;
  bench.fails = [](const std::string& command) { return command == "intend"; };
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "await person");
  EXPECT_EQ(std::count(log.begin(), log.end(), "open beam_shutter"), 0);
}

TEST(Engine, HoldWaitsForThePersonAndProvesClosureAgain) {
  Bench bench;
  bench.run(30);
  bench.engine().request_hold("coffee");
  Names log = bench.run();
  ASSERT_EQ(log.back(), "await person");
  bench.go_on();
  log = bench.run();
  EXPECT_EQ(log[0], "await devices");
  EXPECT_EQ(log[1], "close beam_shutter");
  EXPECT_EQ(log.back(), "finish");
}

TEST(Engine, StopEndsAfterTheRunningExposure) {
  Bench bench;
  bench.run(30);
  bench.engine().request_stop("enough");
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(std::count(log.begin(), log.end(), "intend"), 0);
}

TEST(Engine, AStoppedSeriesSaysWhereItLeftWhatItVaried) {
  for (const bool stops : {true, false}) {
    Bench bench;
    bench.series().blocks.resize(1);
    bench.series().blocks[0].vary = Vary{"stage", "attenuator", {100, 50}};
    bench.series().blocks[0].count = 3;
    bench.run(30);
    if (stops) bench.engine().request_stop("enough");
    bench.run();
    EXPECT_EQ(bench.noted("left_varied").empty(), !stops) << "complete is as planned";
    if (stops) {
      EXPECT_EQ(bench.noted("left_varied"),
                "stage attenuator was left at 50, where the last exposure had it; set it back "
                "before the next series");
    }
  }
}

TEST(Engine, TheSameTroubleThreeTimesHoldsForAPerson) {
  Bench bench;
  bench.fails = [](const std::string& command) { return command == "take"; };
  EXPECT_EQ(bench.run().back(), "await person");
}

TEST(Engine, MovingToVacuumAsksAPerson) {
  Bench bench;
  Block vacuum = bench.series().blocks[1];
  vacuum.kind = ExposureKind::zero_loss;
  vacuum.where = Where::vacuum;
  vacuum.area.clear();
  vacuum.interleave.clear();
  vacuum.count = 1;
  bench.series().blocks.push_back(vacuum);
  EXPECT_EQ(bench.run().back(), "await person");
  bench.go_on();
  const Names log = bench.run();
  EXPECT_EQ(std::count(log.begin(), log.end(), "intend"), 0) << "vacuum gives no dose";
  EXPECT_EQ(std::count(log.begin(), log.end(), "open beam_shutter"), 1);
}

TEST(Engine, AStageMovesToTheAreaAndToVacuumWithoutAPerson) {
  Bench bench;
  bench.series().stage = "stage";
  bench.series().areas[0].position = {{"x", 12.5}, {"y", -3}};
  bench.series().vacuum = {{"x", 600}, {"y", 0}};
  Block vacuum = bench.series().blocks[1];
  vacuum.kind = ExposureKind::zero_loss;
  vacuum.where = Where::vacuum;
  vacuum.area.clear();
  vacuum.interleave.clear();
  vacuum.count = 1;
  bench.series().blocks.push_back(vacuum);
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(std::count(log.begin(), log.end(), "await person"), 0);
  EXPECT_EQ(slice(log, "move x 12.5", 2), (Names{"move x 12.5", "move y -3.0"}));
  EXPECT_EQ(slice(log, "move x 600.0", 2), (Names{"move x 600.0", "move y 0.0"}));
  EXPECT_EQ(std::count(log.begin(), log.end(), "move x 12.5"), 1) << "once is enough";
  bool open = false;
  for (const std::string& command : log) {
    open = command == "open beam_shutter" || (open && command != "close beam_shutter");
    EXPECT_FALSE(open && command.rfind("move", 0) == 0) << "moved with the shutter open";
  }
}

TEST(Engine, InterleavedFramesHaveSettingsOfTheirOwnAndTheBlocksComeBack) {
  Bench bench;
  Block& film = bench.series().blocks[1];  // zero loss before every 4th of 8 exposures
  film.settings = {{"camera", "energy_offset_ev", 224}};
  for (Interleave& one : film.interleave) {
    if (one.kind == ExposureKind::zero_loss) one.settings = {{"camera", "energy_offset_ev", 0}};
  }
  std::vector<std::string> changes;
  for (const std::string& command : bench.run()) {
    if (command.rfind("apply energy_offset_ev ", 0) == 0) changes.push_back(command.substr(23));
  }
  EXPECT_EQ(changes, (Names{"224", "0", "224", "0", "224"}));
}

TEST(Engine, AfterTroubleEverythingIsSetAgain) {
  Bench bench;
  bench.series().blocks[1].settings = {{"camera", "energy_offset_ev", 224}};
  int failures = 0;
  bench.fails = [&](const std::string& command) {
    return command == "take" && bench.now() > WorldTime{8'000'000'000} && failures++ == 0;
  };
  const Names log = bench.run();
  EXPECT_EQ(std::count(log.begin(), log.end(), "apply energy_offset_ev 224"), 2);
}

TEST(Engine, ADropOutOfTheLaserMarksItsFrameWaitsAndGoesOn) {
  Bench bench;
  bench.series().guards.gauges = {
      {"laser_power", "power", 18.0, std::nullopt, {seconds(5), seconds(600)}}};
  const auto out = [](WorldTime now) {
    return now > WorldTime{12'000'000'000} && now < WorldTime{40'000'000'000};
  };
  bench.readings = [&](WorldTime now) {
    return std::vector<Reading>{{"laser_power", "power", out(now) ? 0.0 : 20.0}};
  };
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  std::size_t marked = 0;
  for (const session::Record& record : bench.kept) {
    marked += (record.flags & session::kTouchedByHold) != 0 ? 1U : 0U;
    if ((record.flags & session::kTouchedByHold) == 0) {
      EXPECT_FALSE(out(WorldTime{record.opened_ns}) || out(WorldTime{record.closed_ns}));
    }
  }
  EXPECT_EQ(marked, 1U) << "the frame during which it went out";
  EXPECT_EQ(bench.kept.size(), bench.engine().plan().size());
  EXPECT_EQ(bench.noted("guard"), "gauge guard: laser_power power is 0; its band is at least 18");
  EXPECT_NE(bench.noted("guard_satisfied"), "");
  EXPECT_EQ(std::count_if(bench.notes.begin(), bench.notes.end(),
                          [](const auto& note) { return note["event"] == "guard"; }),
            1)
      << "a wait is recorded once";
}

TEST(Engine, StopIsObeyedWhileAGuardWaits) {
  Bench bench;
  bench.series().guards.gauges = {
      {"laser_power", "power", 18.0, std::nullopt, {seconds(5), seconds(100000)}}};
  bench.readings = [&](WorldTime now) {
    return std::vector<Reading>{
        {"laser_power", "power", now > WorldTime{12'000'000'000} ? 0.0 : 20.0}};
  };
  bench.run(400);  // far into the wait
  bench.engine().request_stop("enough");
  EXPECT_EQ(bench.run().back(), "finish");
}

TEST(Engine, ElectronsThatStayAwayMakeItWaitAndItsFramesAreMarked) {
  Bench bench;
  bench.series().guards.low_counts = CountsLimit{0.5, 2, {seconds(30), seconds(600)}};
  bench.counts = [&](const PlannedExposure& exposure) {
    if (exposure.kind == ExposureKind::dark) return 100.0;
    const bool away =
        bench.now() > WorldTime{18'000'000'000} && bench.now() < WorldTime{60'000'000'000};
    return away ? 110.0 : 1100.0;
  };
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_NE(bench.noted("guard").find("low counts guard"), std::string::npos);
  const auto marked = std::count_if(bench.kept.begin(), bench.kept.end(), [](const auto& record) {
    return (record.flags & session::kTouchedByHold) != 0;
  });
  EXPECT_GE(marked, 2);
  EXPECT_LE(marked, 4);
}

TEST(Engine, APreciseAnswerEndsTheSeriesAndSparesTheSpecimen) {
  Bench bench;
  bench.series().guards.precision = PrecisionLimit{0.02, 8};
  bench.run(60);
  bench.engine().answer_now({4.0, 0.05, 9});
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(std::count(log.begin(), log.end(), "intend"), 0);
  EXPECT_EQ(bench.engine().status()["white_line_ratio"], 4.0);
}

TEST(Engine, DoseEnteredByHandWhileItRunsCountsFromTheNextExposureOn) {
  Bench bench;
  bench.run(60);
  const Area area = bench.series().areas[0];
  bench.engine().dose_entered("another grid/a1", area.dose_limit, Dose{0.1}, "not of this series");
  bench.engine().dose_entered(area.key(), area.dose_limit, Dose{0.1}, "focusing");
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(std::count(log.begin(), log.end(), "intend"), 0) << "the limit is reached";
  EXPECT_NE(bench.noted("guard").find("dose guard"), std::string::npos) << bench.noted("guard");
  EXPECT_NE(bench.noted("entered_by_hand").find("focusing"), std::string::npos);
  EXPECT_EQ(bench.noted("entered_by_hand").find("another"), std::string::npos);
}

TEST(Engine, TheTailOfTheBeamOnANeighbourIsNotEnteredByHand) {
  Bench bench;
  bench.run(60);
  const Area area = bench.series().areas[0];
  bench.engine().dose_entered(area.key(), area.dose_limit, Dose{0.1}, "tail of the beam on g/b",
                              true);
  const Names log = bench.run();
  EXPECT_EQ(std::count(log.begin(), log.end(), "intend"), 0) << "the limit is reached";
  EXPECT_NE(bench.noted("entered_by_hand").find("charged to "), std::string::npos)
      << bench.noted("entered_by_hand");
}

TEST(Engine, ForcedShuttersBreakTheExposureAndHold) {
  Bench bench;
  Names log = bench.run(1);
  while (log.back() != "wait") {
    log = bench.run(1);
    if (log.back() != "wait") {
      continue;
    }
  }
  bench.engine().shutters_forced("close-all");
  log = bench.run();
  EXPECT_EQ(log.back(), "await person");
  EXPECT_EQ(std::count(log.begin(), log.end(), "keep"), 0);
  EXPECT_EQ(std::count(log.begin(), log.end(), "charge"), 1);
}

FrameMeasures zero_loss_at(double ev) {
  FrameMeasures made;
  made.kind = ExposureKind::zero_loss;
  made.measures = {{MeasureKind::zero_loss_ev, ev, 0.01}};
  return made;
}

TEST(Engine, EndsByTheClockBeforeAnExposureThatCouldNotBeFinished) {
  Bench bench;
  bench.series().guards.clock = ClockLimit{{}, seconds(10)};
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(bench.noted("guard").substr(0, 12), "clock guard:");
  EXPECT_LT(bench.kept.size(), bench.engine().plan().size());
  EXPECT_LE(bench.now(), WorldTime{} + seconds(1) + seconds(10));
}

TEST(Engine, MovesTheEnergyAxisBackAndRecordsItAsItIsThenSet) {
  Bench bench;
  Series& series = bench.series();
  series.guards.zero_loss_drift = DriftLimit{0.5, "camera", "energy_offset_ev", 8};
  series.energy_offset_ev = -20;
  series.blocks[1].settings = {{"camera", "energy_offset_ev", 100}};
  bench.fails = [&](const std::string& command) {
    if (command == "keep" &&
        bench.kept.size() == 4) {  // with the fifth frame come three references
      for (const double ev : {0.1, 0.8, 0.9}) {
        bench.engine().measured(zero_loss_at(ev));
      }
    }
    return false;
  };
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(std::count(log.begin(), log.end(), "apply energy_offset_ev 100"), 1);
  EXPECT_EQ(std::count(log.begin(), log.end(), "apply energy_offset_ev 100.8"), 1);
  EXPECT_NE(bench.noted("guard").find("The energy axis is moved back"), std::string::npos);
  EXPECT_EQ(bench.kept[3].first_channel_ev, -20);
  EXPECT_NEAR(bench.kept.back().first_channel_ev, -19.2, 1e-12);
  EXPECT_NEAR(bench.engine().status()["axis_offset_ev"].get<double>(), 0.8, 1e-12);
  EXPECT_EQ(bench.engine().status()["measures"]["zero_loss_ev"]["value"], 0.9);
}

TEST(Engine, AMovedAxisStaysMovedAfterARestart) {
  Bench bench;
  Series& series = bench.series();
  series.guards.zero_loss_drift = DriftLimit{0.5, "camera", "energy_offset_ev", 8};
  series.energy_offset_ev = -20;
  series.blocks[1].settings = {{"camera", "energy_offset_ev", 100}};
  EngineStart start;
  start.axis_offset_ev = 0.8;
  for (const double ev : {0.1, 0.8, 0.9}) {
    start.past.push_back({GuardPast::What::measured, zero_loss_at(ev)});
  }
  const Names log = bench.run(1000, std::move(start));
  EXPECT_EQ(std::count(log.begin(), log.end(), "apply energy_offset_ev 100.8"), 1);
  EXPECT_EQ(bench.noted("guard"), "") << "it stands where it stood first, with the axis moved";
  EXPECT_NEAR(bench.kept.back().first_channel_ev, -19.2, 1e-12);
}

TEST(Engine, LetsTheCathodeSettleBeforeAnythingThatGivesDose) {
  Bench bench;
  EmissionLimit emission;
  emission.below = 0.5;
  emission.settle = seconds(60);
  bench.series().guards.emission = emission;
  const Names log = bench.run();
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(bench.noted("guard"), "emission guard: the cathode settles after its laser was let in");
  EXPECT_EQ(std::count_if(bench.notes.begin(), bench.notes.end(),
                          [](const auto& note) { return note["event"] == "guard"; }),
            1);
  EXPECT_EQ(bench.noted("frame_left_out"), "");
  const auto first = std::find_if(bench.kept.begin(), bench.kept.end(), [](const auto& record) {
    return record.kind != static_cast<std::uint8_t>(ExposureKind::dark);
  });
  ASSERT_NE(first, bench.kept.end());
  EXPECT_GE(first->opened_ns, 60'000'000'000);
}

TEST(Engine, NotesDamageOnASacrificialAreaAndGoesOn) {
  Bench bench;
  DamageLimit damage;
  damage.then = OnDamage::note;
  bench.series().guards.damage = damage;
  bench.series().blocks[1].count = 40;
  bench.series().guards.dose = bench.series().areas[0].dose_limit = Dose{1e6};
  bench.fails = [&](const std::string& command) {
    if (command == "keep") {
      FrameMeasures made;
      const auto n = static_cast<double>(bench.kept.size());
      made.measures = {{MeasureKind::oxygen_carbon, (n < 20 ? 5 : 7) + 0.01 * std::sin(n), 0.01}};
      bench.engine().measured(made);
    }
    return false;
  };
  const Names log = bench.run(3000);
  EXPECT_EQ(log.back(), "finish");
  EXPECT_EQ(bench.kept.size(), bench.engine().plan().size());
  EXPECT_NE(bench.noted("guard").find("damage guard (lagging)"), std::string::npos);
}

// A stopped series whose daemon was killed before its session was closed: nothing is opened again.
TEST(Engine, ASeriesThatHadEndedOnlyFinishes) {
  Bench bench;
  EngineStart start;
  start.first_exposure = 2;
  start.ended_outcome = "stopped";
  start.ended_reason = "a person asked";
  Engine engine(bench.series(), bench.rig(), guards_for(bench.series()), std::move(start));
  const Command first = engine.begin(WorldTime{1});
  ASSERT_TRUE(std::holds_alternative<command::Finish>(first)) << command_name(first);
  EXPECT_EQ(std::get<command::Finish>(first).outcome, "stopped");
  EXPECT_EQ(std::get<command::Finish>(first).reason, "a person asked");
}

}  // namespace
}  // namespace creel
