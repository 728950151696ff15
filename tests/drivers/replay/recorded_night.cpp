#include "tests/drivers/replay/recorded_night.h"

#include <memory>
#include <utility>

#include "daemon/platform/disk.h"
#include "tests/nights/documents.h"
#include "tests/nights/life.h"

namespace creel::replay_test {
namespace {

using nlohmann::json;

constexpr std::uint64_t kMostSteps = 200'000;
constexpr fakes::Timeline::Owner kDaemon = 7;

class Recorder {
 public:
  Recorder(const std::string& directory, const nights::NightPlan& plan)
      : plan_(plan),
        series_(nights::series_for(plan)),
        rig_(nights::rig_document()),
        fake_rig_(timeline_, rig_, plan.seed, plan.faults),
        disk_(make_posix_disk()),
        sessions_(directory + "/sessions") {
    CREEL_INVARIANT(disk_->create_directories(sessions_).ok(), "no directory for the session");
    auto ledger = open_ledger(*disk_, timeline_, directory + "/ledger.db");
    CREEL_INVARIANT(ledger.ok(), "no ledger");
    life_.put_together(rig_, *disk_, std::move(*ledger),
                       {sessions_, json{{"name", "creel"}, {"version", "test"}},
                        session::Codec::deflate, seconds(120)});
  }

  RecordedNight run() {
    life_.conductor->listen([this](const json& event) { on_event(event); });
    life_.supervisor->start();
    life_.conductor->take_up([this](const Result<json>&) { start(); });
    while (night_.path.empty() && timeline_.steps() < kMostSteps && timeline_.step()) {
    }
    CREEL_INVARIANT(!night_.path.empty(), "the night did not end");
    night_.series_text = series_.text;
    night_.faults = fake_rig_.faults_drawn();
    return night_;
  }

 private:
  void start() {
    if (!life_.supervisor->ready({"camera", "beam_shutter", "cathode_shutter", "laser_power"})) {
      life_.scheduler.at(timeline_.safety_now() + milliseconds(300), [this] { start(); });
      return;
    }
    life_.conductor->start(nights::series_for(plan_), [this](const Result<json>& started) {
      if (!started.ok()) {  // a device failed meanwhile: once more
        life_.scheduler.at(timeline_.safety_now() + seconds(2), [this] { start(); });
      }
    });
  }

  void on_event(const json& event) {
    if (event.value("event", "") == "session_closed") {
      night_.path = event.value("path", "");
    } else if (event.value("event", "") == "hold") {
      ++night_.holds;
      life_.scheduler.at(timeline_.safety_now() + seconds(30), [this] { std::ignore = go_on(); });
    }
  }
  bool go_on() { return life_.conductor->go_on().ok(); }

  nights::NightPlan plan_;
  Series series_;
  Rig rig_;
  fakes::Timeline timeline_;
  fakes::FakeRig fake_rig_;
  std::unique_ptr<Disk> disk_;
  std::string sessions_;
  nights::Life life_{timeline_, fake_rig_, kDaemon};
  RecordedNight night_;
};

}  // namespace

RecordedNight record_night(const std::string& directory, std::uint64_t seed,
                           const fakes::FaultRates& faults, bool shutter_gating) {
  nights::NightPlan plan;
  plan.seed = seed;
  plan.faults = faults;
  plan.shutter_gating = shutter_gating;
  return Recorder(directory, plan).run();
}

}  // namespace creel::replay_test
