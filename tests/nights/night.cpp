#include "tests/nights/night.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <random>
#include <set>
#include <sstream>
#include <utility>

#include "daemon/store/disk_source.h"
#include "protocol/base/text.h"
#include "protocol/session/reader.h"
#include "protocol/session/verify.h"
#include "tests/fakes/disk.h"
#include "tests/nights/documents.h"
#include "tests/nights/life.h"

namespace creel::nights {

using nlohmann::json;

namespace {

constexpr const char* kSessions = "/state/sessions";
constexpr const char* kLedger = "/state/ledger.db";
constexpr std::uint64_t kMostSteps = 200'000;
constexpr std::uint64_t kMostHolds = 12;
constexpr std::size_t kMostUnstored = 384;  // three frames: a stream meets its back-pressure
constexpr std::int64_t kPersonWaits = 30'000'000'000;
constexpr double kTiny = 1e-9;

/// A ledger broken on purpose.
class SabotagedLedger : public Ledger {
 public:
  SabotagedLedger(std::unique_ptr<Ledger> real, Sabotage sabotage)
      : real_(std::move(real)), sabotage_(sabotage) {}
  Result<IntentId> intend(const IntentRequest& request) override {
    return sabotage_ == Sabotage::intents_not_written ? Result<IntentId>(IntentId{1'000'000})
                                                      : real_->intend(request);
  }
  Result<void> charge(IntentId id, Dose given, Dose sigma, std::string_view reason) override {
    if (sabotage_ == Sabotage::intents_not_written) {
      return {};
    }
    return real_->charge(id, sabotage_ == Sabotage::charges_halved ? Dose{given.value / 2} : given,
                         sigma, reason);
  }
  Result<void> enter_by_hand(const std::string& area, Dose dose, Dose sigma,
                             std::string_view reason, std::string_view by) override {
    return real_->enter_by_hand(area, dose, sigma, reason, by);
  }
  Result<Balance> balance(const std::string& area) override { return real_->balance(area); }
  Result<std::vector<OpenIntent>> open_intents() override { return real_->open_intents(); }
  Result<Dose> charged_in(const std::string& area, const std::string& session) override {
    return real_->charged_in(area, session);
  }
  Result<std::vector<json>> entries(const std::string& area) override {
    return real_->entries(area);
  }
  Result<std::vector<json>> entries_after(std::int64_t after, const std::string& area,
                                          std::size_t most) override {
    return real_->entries_after(after, area, most);
  }
  Result<std::map<std::string, Dose>> causes(const std::string& area) override {
    return real_->causes(area);
  }
  Result<std::vector<std::string>> areas() override { return real_->areas(); }
  Result<void> reopen() override { return real_->reopen(); }

 private:
  std::unique_ptr<Ledger> real_;
  Sabotage sabotage_;
};

class Night {
 public:
  explicit Night(const NightPlan& plan)
      : plan_(plan),
        series_(series_for(plan)),
        rig_(rig_document()),
        fake_rig_(timeline_, rig_, plan.seed, plan.faults),
        disk_(std::make_unique<fakes::FakeDisk>()) {
    rate_ = series_.beam.dose_rate.value;
    const RigDevice& shutter = *rig_.find(series_.shutter);
    bound_ = rate_ * in_seconds(seconds(2) + series_.gating_margin + series_.gating_margin +
                                shutter.lease + shutter.closing_time);
    fake_rig_.on_open = [this](const std::string&) { check_intent(); };
    fake_rig_.on_closed = [this] { check_ledger("after a closing"); };
    CREEL_INVARIANT(disk_->create_directories(kSessions).ok() &&
                        disk_->sync_directory("/state").ok() && disk_->sync_directory("/").ok(),
                    "an empty fake disk takes a directory");
  }

  NightReport run() {
    start_daemon();
    std::size_t next_kill = 0;
    std::uint64_t life_began = 0;
    while (report_.failure.empty() && !ended_ && timeline_.steps() < kMostSteps) {
      if (next_kill < plan_.kills.size() &&
          timeline_.steps() - life_began >= plan_.kills[next_kill]) {
        kill(next_kill++);
        life_began = timeline_.steps();
        continue;
      }
      trouble_the_disk();
      if (std::exchange(want_start_, false)) {
        life_.reset();
        start_daemon();
      }
      if (!timeline_.step()) {
        fail("nothing is left to happen, and the night has not ended");
      }
      if (report_.kills == 0) {
        report_.first_life_steps = timeline_.steps();
      }
    }
    if (!ended_) {
      fail("the night did not end within " + std::to_string(kMostSteps) +
           " steps: " + (life_ != nullptr ? life_->conductor->status().dump() : ""));
    }
    finish();
    return report_;
  }

 private:
  void fail(const std::string& what) {
    if (report_.failure.empty()) {
      report_.failure =
          what + " (step " + std::to_string(timeline_.steps()) + ", " + describe(plan_) + ")";
    }
  }

  void trouble_the_disk() {
    if (report_.disk_troubles == plan_.disk.size() ||
        timeline_.steps() < plan_.disk[report_.disk_troubles].at_step) {
      return;
    }
    const DiskTrouble& trouble = plan_.disk[report_.disk_troubles++];
    disk_->reset_counts();
    if (trouble.what == DiskTrouble::What::writes) {
      disk_->fail_writes(0, trouble.times);
    } else if (trouble.what == DiskTrouble::What::syncs) {
      disk_->fail_syncs(0, trouble.times);
    } else if (trouble.what == DiskTrouble::What::stall) {
      if (life_ != nullptr) {
        life_->worker.stall(timeline_.now() +
                            static_cast<std::int64_t>(trouble.times) * 1'000'000'000);
      }
    } else {
      constexpr std::uint64_t kAll = 1ULL << 40;
      disk_->set_capacity(kAll - *disk_->free_bytes("/"));
      timeline_.add(1, timeline_.now() + static_cast<std::int64_t>(trouble.times) * 1'000'000'000,
                    [this] { disk_->set_capacity(kAll); });
    }
  }

  double true_dose() const { return rate_ * fake_rig_.lit_seconds(); }

  // The shutter is never open without a committed intent.
  void check_intent() {
    if (life_ == nullptr) {
      fail("the beam came on while no daemon lives");
      return;
    }
    auto open = life_->ledger->open_intents();
    if (open.ok() && open->empty()) {
      fail("the beam is on and no intent is committed");
    }
  }

  // The ledger never under-states.
  void check_ledger(const std::string& when) {
    if (life_ == nullptr) {
      return;
    }
    auto balance = life_->ledger->balance(series_.areas[0].key());
    if (balance.ok() && balance->upper().value < true_dose() * (1 - kTiny) - kTiny) {
      fail("the ledger says " + number(balance->upper().value, 9) + " e/A^2 at most " + when +
           ", the specimen has had " + number(true_dose(), 9));
    }
  }

  void start_daemon() {
    life_ = std::make_unique<Life>(timeline_, fake_rig_, next_owner_++);
    Life& life = *life_;
    auto ledger = open_ledger(*disk_, timeline_, kLedger);
    if (!ledger.ok() && ledger.error().code == ErrorCode::storage_failed && may_start_again()) {
      return;
    }
    if (!ledger.ok()) {
      fail("the ledger does not open: " + ledger.error().text);
      ended_ = true;
      return;
    }
    if (plan_.sabotage != Sabotage::none) {
      *ledger = std::make_unique<SabotagedLedger>(std::move(*ledger), plan_.sabotage);
    }
    life.put_together(rig_, *disk_, std::move(*ledger),
                      {.sessions = kSessions,
                       .software = json{{"name", "creel"}, {"version", "night"}},
                       .devices_limit = seconds(120),
                       .most_unstored_bytes = kMostUnstored});
    life.conductor->listen([this](const json& event) { on_event(event); });
    life.supervisor->start();
    life.conductor->take_up([this](const Result<json>& taken) {
      if (!taken.ok() && taken.error().code == ErrorCode::storage_failed && may_start_again()) {
        return;
      }
      if (!taken.ok()) {
        fail("the daemon could not take up where it was: " + taken.error().text);
      } else if ((*taken)["resumed"].is_null() && finished_session().empty()) {
        start_series();
      } else if ((*taken)["resumed"].is_null()) {
        ended_ = true;  // the session was complete before the kill, and nobody heard how it ended
        const auto source = store::disk_source(*disk_);
        const auto reader = session::Reader::open(*source, finished_session());
        report_.ending = reader.ok() ? (*reader)->documents().summary.value("outcome", "") : "";
      }
    });
  }

  // A daemon that the disk refuses is started again by a person, a little later; not for ever.
  bool may_start_again() {
    if (report_.disk_troubles == 0 || ++started_again_ > 20) {
      return false;
    }
    timeline_.add(1, timeline_.now() + kPersonWaits, [this] { want_start_ = true; });
    return true;
  }

  void start_series() {
    if (!life_->supervisor->ready({"camera", "beam_shutter", "cathode_shutter", "laser_power"})) {
      life_->scheduler.at(timeline_.safety_now() + milliseconds(300), [this] { start_series(); });
      return;
    }
    life_->conductor->start(series_for(plan_), [this](const Result<json>& started) {
      if (!started.ok()) {  // a device failed meanwhile: she tries again
        life_->scheduler.at(timeline_.safety_now() + seconds(2), [this] { start_series(); });
      }
    });
  }

  void on_event(const json& event) {
    const std::string what = event.value("event", "");
    if (std::getenv("CREEL_NIGHT_TRACE") != nullptr) {  // to read a failing night
      std::fprintf(stderr, "%9.3f s  true %.4f  %s: %s\n",
                   static_cast<double>(timeline_.now()) * 1e-9, true_dose(), what.c_str(),
                   event.value("text", "").c_str());
    }
    if (what == "stored") {
      report_.acknowledged =
          std::max(report_.acknowledged, event.value("frames", std::uint64_t{0}));
    } else if (what == "session_closed") {
      session_path_ = event.value("path", "");
      report_.ending = event.value("outcome", "");
      ended_ = true;
    } else if (what == "hold") {
      ++report_.holds;
      const bool give_up = report_.holds > kMostHolds;
      life_->scheduler.at(timeline_.safety_now() + Duration{kPersonWaits},
                          [this, give_up] { person(give_up); });
    }
  }

  void person(bool give_up) {
    Result<void> said =
        give_up ? life_->conductor->stop("she has had enough") : life_->conductor->go_on();
    if (!said.ok() && !ended_ && life_->conductor->running()) {
      life_->scheduler.at(timeline_.safety_now() + Duration{kPersonWaits},
                          [this, give_up] { person(give_up); });
    }
  }

  void kill(std::size_t which) {
    ++report_.kills;
    auto after = std::make_unique<fakes::FakeDisk>(
        plan_.power_cuts ? disk_->after_power_cut(plan_.seed * 1000 + which) : disk_->after_kill());
    auto dead = std::move(life_);
    dead.reset();
    disk_ = std::move(after);
    if (!hosts_close(timeline_, fake_rig_)) {
      fail("the beam is still on after the daemon died");
    }
    start_daemon();
  }

  void finish() {
    report_.steps = timeline_.steps();
    report_.faults = fake_rig_.faults_drawn();
    report_.true_dose = true_dose();
    if (!report_.failure.empty() || life_ == nullptr) {
      return;
    }
    check_ledger("at the end");
    auto balance = life_->ledger->balance(series_.areas[0].key());
    if (!balance.ok()) {
      fail("the ledger cannot be read at the end: " + balance.error().text);
      return;
    }
    report_.ledger_dose = balance->upper().value;
    const double allowed =
        true_dose() * 1.01 + bound_ * (0.1 + static_cast<double>(report_.kills + report_.faults +
                                                                 report_.disk_troubles));
    if (report_.ledger_dose > allowed) {
      fail("the ledger over-states: " + number(report_.ledger_dose) +
           " e/A^2, the specimen has had " + number(true_dose()) + ", at most " + number(allowed) +
           " is explained");
    }
    if (true_dose() > series_.guards.dose.value + bound_) {
      fail("the limit was passed: " + number(true_dose()) + " e/A^2 of " +
           number(series_.guards.dose.value));
    }
    if (fake_rig_.lit()) {
      fail("the beam is on at the end");
    }
    check_session();
  }

  // The session's file, also of one whose end the daemon could not tell before it was killed; "" =
  // there is none.
  std::string finished_session() {
    auto names = disk_->list(kSessions);
    for (const std::string& name : names.ok() ? *names : std::vector<std::string>{}) {
      if (session_path_.empty() && name.ends_with(".h5")) {
        session_path_ = std::string(kSessions) + "/" + name;
      }
    }
    return session_path_;
  }

  void check_session() {
    const auto source = store::disk_source(*disk_);
    (void)finished_session();
    auto reader = session::Reader::open(*source, session_path_);
    if (!reader.ok()) {
      fail("the session does not open: " + reader.error().text);
      return;
    }
    report_.frames = (*reader)->records().size();
    if (report_.frames < report_.acknowledged) {
      fail(std::to_string(report_.acknowledged) + " frames were acknowledged, " +
           std::to_string(report_.frames) + " are there");
    }
    std::vector<std::byte> frame((*reader)->documents().shape.bytes());
    std::set<std::uint64_t> done;
    double dose = 0;
    for (std::size_t i = 0; i < report_.frames; ++i) {
      if (auto read = (*reader)->read_frame(i, frame); !read.ok()) {
        fail("frame " + std::to_string(i) + ": " + read.error().text);
        return;
      }
      const session::Record& record = (*reader)->records()[i];
      dose += record.dose;
      if ((record.flags & session::kBroken) == 0) {
        done.insert(record.exposure);
        check_light(record, fakes::frame_lit_seconds(frame));
      }
    }
    if (report_.ending == "complete" && done.size() != Plan(series_).size()) {
      fail("the session says complete, and " + std::to_string(done.size()) + " of " +
           std::to_string(Plan(series_).size()) + " exposures are there");
    }
    // Frames of a stream are on the disk before its dose is measured: they say what was planned,
    // and the session's events the rest, which verify adds up.
    if (plan_.stream_frames == 1 && dose > report_.ledger_dose * (1 + kTiny) + kTiny) {
      fail("the records say more dose than the ledger: " + number(dose, 9) + " and " +
           number(report_.ledger_dose, 9) + " e/A^2");
    }
    // Verifying takes longer than the night itself: one night in eight, by seed and first kill.
    const auto which = plan_.seed + (plan_.kills.empty() ? 0 : plan_.kills.front());
    if (which % 8 == 0) {
      check_verified(*source);
    }
  }

  // What verify makes of the session alone is what the ledger has.
  void check_verified(session::FileSource& source) {
    auto report = session::verify(source, session_path_);
    if (!report.ok()) {
      fail("the session cannot be verified: " + report.error().text);
      return;
    }
    for (const auto& finding : report->findings) {
      if (finding.severity != session::Severity::note) {
        fail("verify: " + finding.place + ": " + finding.sentence);
      }
    }
    double total = 0;
    for (const auto& area : report->doses) {
      total += area.total;
    }
    const double tiny = 1e-6 * report_.ledger_dose + kTiny;
    if (report->folded && std::abs(total - report_.ledger_dose) > tiny) {
      fail("verify makes the dose " + number(total, 9) + " e/A^2 of the session, the ledger has " +
           number(report_.ledger_dose, 9));
    }
  }

  // A frame that counts had the beam that it says it had.
  void check_light(const session::Record& record, double lit_s) {
    const bool dark = record.kind == static_cast<std::uint8_t>(ExposureKind::dark);
    const double asked_s = static_cast<double>(record.exposure_set_ns) * 1e-9;
    if (dark ? lit_s > 0 : lit_s < 0.98 * asked_s) {
      fail("frame " + std::to_string(record.sequence) + " (" + (dark ? "dark" : "lit") + ", " +
           number(asked_s) + " s) had the beam for " + number(lit_s) + " s");
    }
  }

  NightPlan plan_;
  NightReport report_;
  fakes::Timeline timeline_;
  Series series_;
  Rig rig_;
  fakes::FakeRig fake_rig_;
  std::unique_ptr<fakes::FakeDisk> disk_;
  std::unique_ptr<Life> life_;
  fakes::Timeline::Owner next_owner_ = 100;
  double rate_ = 0;
  double bound_ = 0;
  std::string session_path_;
  bool ended_ = false;
  bool want_start_ = false;
  std::uint64_t started_again_ = 0;
};

}  // namespace

NightReport run_night(const NightPlan& plan) {
  return Night(plan).run();
}

NightPlan plan_for_seed(std::uint64_t seed) {
  std::mt19937_64 random(seed);
  const auto uniform = [&random] { return std::uniform_real_distribution<double>(0, 1)(random); };
  NightPlan plan;
  plan.seed = seed;
  plan.power_cuts = uniform() < 0.5;
  plan.shutter_gating = uniform() < 0.5;
  const auto kills = static_cast<std::size_t>(uniform() * 4);
  for (std::size_t i = 0; i < kills; ++i) {
    plan.kills.push_back(static_cast<std::uint64_t>(uniform() * 600));
  }
  const double level = uniform() < 0.3 ? 0 : 0.02 * uniform();
  plan.faults.crash = level * uniform();
  plan.faults.hang = level * uniform();
  plan.faults.refuse = level * uniform();
  plan.faults.lose_frame = level * uniform();
  plan.faults.torn_frame = level * uniform();
  plan.faults.stuck = level * uniform();
  plan.faults.drop_out = uniform() < 0.3 ? 0.2 * uniform() : 0;
  const auto troubles = uniform() < 0.4 ? static_cast<std::size_t>(1 + uniform() * 3) : 0;
  std::uint64_t step = 0;
  for (std::size_t i = 0; i < troubles; ++i) {
    step += static_cast<std::uint64_t>(uniform() * 500);
    const auto what = static_cast<DiskTrouble::What>(random() % 3);
    plan.disk.push_back({what, step, 1 + random() % 6});
  }
  if (uniform() < 0.3) {  // beyond the ten seconds for which a frame is waited for, too
    step += static_cast<std::uint64_t>(uniform() * 500);
    plan.disk.push_back({DiskTrouble::What::stall, step, 1 + random() % 25});
  }
  plan.stream_frames = !plan.shutter_gating && uniform() < 0.6 ? 8 : 1;
  return plan;
}

std::string describe(const NightPlan& plan) {
  std::ostringstream text;
  text << "seed " << plan.seed << ": " << plan.kills.size()
       << (plan.power_cuts ? " power cuts" : " kills") << " at";
  for (const std::uint64_t kill : plan.kills) {
    text << ' ' << kill;
  }
  text << ", faults crash " << number(plan.faults.crash) << " hang " << number(plan.faults.hang)
       << " refuse " << number(plan.faults.refuse) << " lose " << number(plan.faults.lose_frame)
       << " torn " << number(plan.faults.torn_frame) << " stuck " << number(plan.faults.stuck)
       << " drop-out " << number(plan.faults.drop_out)
       << (plan.shutter_gating ? ", shutter gating" : ", detector gating") << ", "
       << plan.stream_frames << " frames an exposure";
  for (const DiskTrouble& trouble : plan.disk) {
    static constexpr std::string_view kWhat[] = {"writes", "syncs", "full", "stall"};
    text << ", disk " << kWhat[static_cast<std::size_t>(trouble.what)] << ' ' << trouble.times
         << " at " << trouble.at_step;
  }
  return text.str();
}

}  // namespace creel::nights
