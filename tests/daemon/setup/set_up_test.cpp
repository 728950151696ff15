// Live set-up on a fake clock, disk and rig, with the production engine, conductor, supervisor and
// ledger: what holds for whole nights holds for it, too.

#include "daemon/setup/set_up.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <memory>
#include <optional>
#include <string>

#include "tests/fakes/disk.h"
#include "tests/nights/documents.h"
#include "tests/nights/life.h"

namespace creel {
namespace {

using nlohmann::json;
using testing::HasSubstr;

#ifdef CREEL_SANITIZED
constexpr std::uint64_t kStride = 9;
constexpr std::uint64_t kSeeds = 20;
#else
constexpr std::uint64_t kStride = 1;
constexpr std::uint64_t kSeeds = 150;
#endif
constexpr double kTiny = 1e-9;

/// An evening: one daemon after another on one rig.
class Evening {
 public:
  explicit Evening(bool shutter_gating = false, std::uint64_t seed = 2,
                   fakes::FaultRates faults = {})
      : rig_(nights::rig_document()),
        series_(series_with(shutter_gating)),
        fake_rig_(timeline_, rig_, seed, faults),
        disk_(std::make_unique<fakes::FakeDisk>()) {
    order.area = "A1";
    order.exposure = seconds(1);
    order.limit = seconds(20);
    fake_rig_.on_open = [this](const std::string&) {
      auto open = daemon_ == nullptr ? Result<std::vector<OpenIntent>>(std::vector<OpenIntent>())
                                     : daemon_->ledger->open_intents();
      if (open.ok() && open->empty()) {
        fail("the beam is on and no intent is committed");
      }
    };
    fake_rig_.on_closed = [this] {
      const bool readable = daemon_ != nullptr && daemon_->ledger->open_intents().ok();
      if (readable && ledger_dose() < true_dose() * (1 - kTiny) - kTiny) {
        fail("the ledger says less than the specimen has had");
      }
    };
    EXPECT_TRUE(disk_->create_directories("/state/sessions").ok());
    EXPECT_TRUE(disk_->sync_directory("/state").ok() && disk_->sync_directory("/").ok());
    bound = bound_of_opening(*set_up_series(series_, order), rig_).value;
  }

  void start_daemon() {
    daemon_ = std::make_unique<Daemon>(timeline_, fake_rig_, next_owner_++);
    Daemon& daemon = *daemon_;
    daemon.put_together(rig_, *disk_,
                        std::move(*open_ledger(*disk_, timeline_, "/state/ledger.db")),
                        {"/state/sessions", json::object()});
    auto made = SetUp::make({daemon.scheduler, timeline_, *daemon.supervisor, *daemon.ledger,
                             *daemon.conductor, *disk_},
                            rig_, "/state/set-ups", [this](const json& status) { told = status; });
    ASSERT_TRUE(made.ok()) << made.error().text;
    daemon.set_up = std::move(*made);
    daemon.conductor->listen([&daemon](const json& event) { daemon.set_up->event(event); });
    daemon.supervisor->start();
    ready_ = false;
    daemon.conductor->take_up([this](const Result<json>& taken) {
      EXPECT_TRUE(taken.ok()) << taken.error().text;
      resumed = taken.ok() ? (*taken)["resumed"] : json();
      ready_ = true;
    });
    EXPECT_TRUE(step_until([&] {
      return ready_ && daemon.supervisor->ready({"camera", "beam_shutter", "cathode_shutter"});
    }));
  }

  /// Asks for a set-up; why it was refused, or "".
  std::string ask() {
    std::optional<std::string> answer;
    daemon_->set_up->start(
        series_, order, [this] { return watched; },
        [&answer](const Result<json>& started) {
          answer = started.ok() ? "" : started.error().text;
        });
    step_until([&] { return answer.has_value(); });
    return answer.value_or("no answer");
  }
  /// One step of time; the daemon dies at this one when `kill_at` is reached.
  bool step() { return failure.empty() && timeline_.step(); }
  template <class Condition>
  bool step_until(Condition&& condition) {
    for (int i = 0; i < 50'000 && !condition(); ++i) {
      if (!step()) {
        return false;
      }
    }
    return condition();
  }
  void kill(bool power_cut) {
    auto after = std::make_unique<fakes::FakeDisk>(power_cut ? disk_->after_power_cut(7)
                                                             : disk_->after_kill());
    daemon_.reset();
    disk_ = std::move(after);
    if (!nights::hosts_close(timeline_, fake_rig_)) {
      fail("the beam is on after the daemon died");
    }
  }
  void fail(const std::string& what) {
    failure += failure.empty() ? what + " at step " + std::to_string(timeline_.steps()) : "";
  }

  SetUp& set_up() { return *daemon_->set_up; }
  Conductor& conductor() { return *daemon_->conductor; }
  Ledger& ledger() { return *daemon_->ledger; }
  bool over() { return !set_up().running(); }
  double true_dose() const { return series_.beam.dose_rate.value * fake_rig_.lit_seconds(); }
  double ledger_dose() { return ledger().balance("G1/A1")->upper().value - before; }
  bool lit() const { return fake_rig_.lit(); }
  void fail_a_sync_soon() {
    disk_->reset_counts();
    disk_->fail_syncs(0, 1);
  }
  double now_s() const { return static_cast<double>(timeline_.now()) * 1e-9; }
  std::uint64_t steps() const { return timeline_.steps(); }
  std::uint64_t faults() const { return fake_rig_.faults_drawn(); }
  const Series& series() const { return series_; }

  SetUpOrder order;
  bool watched = true;
  double bound = 0;
  double before = 0;  ///< entered by hand
  std::string failure;
  json told, resumed;

 private:
  struct Daemon : nights::Life {
    using Life::Life;
    std::unique_ptr<SetUp> set_up;
  };
  static Series series_with(bool shutter_gating) {
    nights::NightPlan plan;
    plan.seed = 2;
    plan.shutter_gating = shutter_gating;
    return nights::series_for(plan);
  }

  fakes::Timeline timeline_;
  Rig rig_;
  Series series_;
  fakes::FakeRig fake_rig_;
  std::unique_ptr<fakes::FakeDisk> disk_;
  std::unique_ptr<Daemon> daemon_;
  fakes::Timeline::Owner next_owner_ = 100;
  bool ready_ = false;
};

void expect_charged(Evening& evening, double faults) {
  EXPECT_EQ(evening.failure, "");
  EXPECT_FALSE(evening.lit());
  EXPECT_GE(evening.ledger_dose(), evening.true_dose() * (1 - kTiny));
  EXPECT_LE(evening.ledger_dose(), evening.true_dose() * 1.01 + evening.bound * (0.1 + faults));
  EXPECT_TRUE(evening.ledger().open_intents()->empty());
}

TEST(SetUp, ClosesByItselfWhenItsTimeIsOverAndChargesItsArea) {
  Evening evening;
  evening.start_daemon();
  const double began_s = evening.now_s();
  ASSERT_EQ(evening.ask(), "");
  ASSERT_TRUE(evening.step_until([&] { return evening.over(); }));
  EXPECT_LE(evening.now_s() - began_s, 21);
  EXPECT_GT(evening.true_dose(), 4.0);  // of 20 s at 0.5 e/A^2/s, darks and pauses taken off
  expect_charged(evening, 0);
  const json last = evening.set_up().status()["last"];
  EXPECT_EQ(last["outcome"], "clock");
  EXPECT_NEAR(last["dose"]["series_e_per_a2"], evening.ledger_dose(), 1e-9);
  EXPECT_GT(last["live"]["frames"], 5);
  EXPECT_FALSE(evening.told["running"]);
  EXPECT_EQ(evening.ledger().causes("G1/A1")->begin()->first, "set_up");
}

TEST(SetUp, ShowsWhatTheGaugesRead) {
  Evening evening;
  evening.start_daemon();
  ASSERT_EQ(evening.ask(), "");
  ASSERT_TRUE(evening.step_until([&] { return evening.true_dose() > 0.7; }));
  const json gauges = evening.set_up().status()["gauges"];
  ASSERT_EQ(gauges.size(), 1U) << gauges;
  EXPECT_EQ(gauges[0]["gauge"], "laser_power");
  EXPECT_TRUE(gauges[0]["value"].is_number()) << gauges;
  EXPECT_FALSE(gauges[0]["channel"].get<std::string>().empty());
}

TEST(SetUp, EndsWhenSomebodySaysStopAndWhenItsWatcherIsGone) {
  for (const bool says_stop : {true, false}) {
    Evening evening;
    evening.start_daemon();
    ASSERT_EQ(evening.ask(), "");
    ASSERT_TRUE(evening.step_until([&] { return evening.true_dose() > 0.7; }));
    if (says_stop) {
      EXPECT_TRUE(evening.set_up().stop("a person asked").ok());
    }
    evening.watched = says_stop;
    ASSERT_TRUE(evening.step_until([&] { return evening.over(); }));
    EXPECT_LT(evening.true_dose(), 2.1);
    expect_charged(evening, 0);
    EXPECT_THAT(evening.set_up().status()["last"]["reason"],
                HasSubstr(says_stop ? "a person asked" : "went away"));
  }
}

TEST(SetUp, EndsAtItsOwnDoseAndNeverPassesTheAreasLimit) {
  Evening own;
  own.order.dose = Dose{3};
  own.start_daemon();
  ASSERT_EQ(own.ask(), "");
  ASSERT_TRUE(own.step_until([&] { return own.over(); }));
  EXPECT_EQ(own.set_up().status()["last"]["outcome"], "dose");
  EXPECT_GT(own.true_dose(), 1.0);
  EXPECT_LE(own.true_dose(), 3.0);

  Evening area;
  area.before = area.series().areas[0].dose_limit.value - 4;
  area.start_daemon();
  ASSERT_TRUE(area.ledger().enter_by_hand("G1/A1", Dose{area.before}, Dose{1}, "test", "").ok());
  ASSERT_EQ(area.ask(), "");
  ASSERT_TRUE(area.step_until([&] { return area.over(); }));
  EXPECT_EQ(area.set_up().status()["last"]["outcome"], "dose");
  EXPECT_LE(area.true_dose(), 4.0);
  const double had = area.true_dose();
  EXPECT_THAT(area.ask(), HasSubstr("Set up on another area"));
  EXPECT_EQ(area.true_dose(), had);
  expect_charged(area, 0);
}

TEST(SetUp, RefusesWhatItCannotDoAndSaysWhatIsAllowed) {
  Evening evening;
  evening.start_daemon();
  evening.order.area = "A7";
  EXPECT_THAT(evening.ask(), HasSubstr("it has A1"));
  evening.order.area = "A1";
  evening.order.limit = seconds(7201);
  EXPECT_THAT(evening.ask(), HasSubstr("10 s to 2 h"));
  evening.order.limit = seconds(20);
  evening.order.exposure = seconds(11);
  EXPECT_THAT(evening.ask(), HasSubstr("1 ms to 10 s"));
  evening.order.exposure = seconds(1);
  EXPECT_FALSE(evening.set_up().stop("nothing runs").ok());
  ASSERT_EQ(evening.ask(), "");
  EXPECT_THAT(evening.ask(), HasSubstr("running already"));
  // Nor does a series begin while it runs.
  std::string answer;
  evening.conductor().start(evening.series(), [&answer](const Result<json>& started) {
    answer = started.ok() ? "started" : started.error().text;
  });
  EXPECT_THAT(answer, HasSubstr("stop it first"));
}

class SetUpKilledAt : public testing::TestWithParam<bool> {};

// The kill moves on until the set-up is over: as the cycles do not begin alike, every step is met.
TEST_P(SetUpKilledAt, EveryStepClosesChargesAndIsNeverTakenUpAgain) {
  std::uint64_t kills = 0;
  for (std::uint64_t kill = 0;; kill += (GetParam() ? 3 : 2) * kStride) {
    SCOPED_TRACE("killed " + std::to_string(kill) + " steps after it began");
    Evening evening(GetParam());
    evening.order.limit = seconds(10);
    evening.start_daemon();
    std::optional<bool> begun;
    evening.set_up().start(evening.series(), evening.order, {},
                           [&begun](const Result<json>& started) { begun = started.ok(); });
    for (std::uint64_t i = 0; i < kill && !evening.over(); ++i) {
      evening.step();
    }
    if (evening.over() && kill > 0) {
      break;
    }
    evening.kill(kill % 4 >= 2);
    ++kills;
    const double had = evening.true_dose();
    evening.start_daemon();
    EXPECT_TRUE(evening.resumed.is_null());
    const double until_s = evening.now_s() + 30;
    evening.step_until([&] { return evening.now_s() > until_s; });
    EXPECT_EQ(evening.true_dose(), had) << "the beam came on again";
    expect_charged(evening, 1);
    EXPECT_EQ(evening.set_up().status()["last"]["outcome"], "cut short");
    ASSERT_FALSE(HasFailure());
  }
  EXPECT_GT(kills, 60U / kStride);
}
INSTANTIATE_TEST_SUITE_P(BothGatings, SetUpKilledAt, testing::Bool());

TEST(SetUp, CloseAllEndsIt) {
  Evening evening;
  evening.start_daemon();
  ASSERT_EQ(evening.ask(), "");
  ASSERT_TRUE(evening.step_until([&] { return evening.lit(); }));
  evening.conductor().shutters_forced("a person ordered close-all");
  ASSERT_TRUE(evening.step_until([&] { return evening.over(); }));
  EXPECT_EQ(evening.set_up().status()["last"]["outcome"], "stopped");
  EXPECT_THAT(evening.set_up().status()["last"]["reason"], HasSubstr("close-all"));
  expect_charged(evening, 1);
}

// The disk fails once, at any step: it ends closed, and the next one finds everything in order.
TEST(SetUp, ALedgerThatFailsEndsItAndTheNextOneChargesTheRest) {
  for (std::uint64_t at = 1; at < 1000; at += 3 * kStride) {
    SCOPED_TRACE("a sync fails after step " + std::to_string(at));
    Evening evening(at % 2 == 0);
    evening.order.limit = seconds(10);
    evening.start_daemon();
    if (!evening.ask().empty()) {
      continue;
    }
    for (std::uint64_t i = 0; i < at && !evening.over(); ++i) {
      evening.step();
    }
    if (evening.over()) {
      EXPECT_GT(at, 100U);
      break;
    }
    evening.fail_a_sync_soon();
    ASSERT_TRUE(evening.step_until([&] { return evening.over(); }));
    EXPECT_FALSE(evening.lit());
    ASSERT_EQ(evening.ask(), "");
    ASSERT_TRUE(evening.step_until([&] { return evening.over(); }));
    expect_charged(evening, 1);
    ASSERT_FALSE(HasFailure());
  }
}

TEST(SetUp, ADeviceThatFailsEndsItWithEverythingCharged) {
  std::uint64_t faults = 0;
  std::uint64_t failed = 0;
  for (std::uint64_t seed = 1; seed <= kSeeds; ++seed) {
    SCOPED_TRACE("seed " + std::to_string(seed));
    Evening evening(seed % 2 == 0, seed, {0.004, 0.004, 0.008, 0.004, 0.004, 0.004, 0});
    evening.start_daemon();
    if (!evening.ask().empty()) {
      continue;  // a device failed before anything was opened
    }
    ASSERT_TRUE(evening.step_until([&] { return evening.over(); }));
    expect_charged(evening, static_cast<double>(evening.faults()));
    const json last = evening.set_up().status()["last"];
    EXPECT_TRUE(last["outcome"] == "clock" || last["outcome"] == "failed") << last;
    faults += evening.faults();
    failed += last["outcome"] == "failed" ? 1 : 0;
    ASSERT_FALSE(HasFailure());
  }
  EXPECT_GT(faults, kSeeds / 4);
  EXPECT_GT(failed, kSeeds / 10);
}

}  // namespace
}  // namespace creel
