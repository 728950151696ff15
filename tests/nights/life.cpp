#include "tests/nights/life.h"

#include <string>
#include <utility>

namespace creel::nights {

namespace {

constexpr std::int64_t kHostsNeed_ns = 20'000'000;

}  // namespace

Life::Life(fakes::Timeline& of, fakes::FakeRig& rig, fakes::Timeline::Owner owner)
    : timeline(of),
      scheduler(of, owner),
      worker(of, owner),
      random(owner),
      launcher(rig.launcher(owner)) {}

void Life::put_together(const Rig& rig, Disk& disk, std::unique_ptr<Ledger> over,
                        const Conductor::Options& options) {
  ledger = std::move(over);
  supervisor = std::make_unique<Supervisor>(
      rig, "/drivers", DeviceHost::Parts{*launcher, scheduler, timeline, random});
  conductor = std::make_unique<Conductor>(
      Conductor::Parts{scheduler, timeline, *supervisor, *ledger, disk, worker}, rig, options);
  Supervisor::Listener listener;
  listener.on_frames = [this](const std::string& device) { conductor->frames_arrived(device); };
  listener.on_state = [this](const std::string& device, DeviceState) {
    conductor->device_changed(device);
  };
  listener.on_event = [this](const std::string& device, const std::string& name,
                             const nlohmann::json& body) {
    conductor->device_event(device, name, body);
  };
  supervisor->listen(std::move(listener));
}

bool hosts_close(fakes::Timeline& timeline, const fakes::FakeRig& rig) {
  bool waited = false;
  timeline.add(1, timeline.now() + kHostsNeed_ns, [&waited] { waited = true; });
  while (!waited && timeline.step()) {
  }
  return !rig.lit();
}

}  // namespace creel::nights
