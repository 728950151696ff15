#include "tests/fakes/rig.h"

#include <sys/mman.h>

#include <algorithm>
#include <cstring>
#include <optional>
#include <utility>

#include "protocol/host/messages.h"
#include "protocol/ring/ring.h"

namespace creel::fakes {

using nlohmann::json;

namespace {

/// Anonymous memory that costs nothing until it is touched.
class Pages {
 public:
  explicit Pages(std::size_t bytes)
      : bytes_(bytes),
        data_(static_cast<std::byte*>(mmap(nullptr, bytes, PROT_READ | PROT_WRITE,
                                           MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0))) {}
  ~Pages() { munmap(data_, bytes_); }
  Pages(const Pages&) = delete;
  Pages& operator=(const Pages&) = delete;
  [[nodiscard]] std::byte* data() const { return data_; }

 private:
  std::size_t bytes_;
  std::byte* data_;
};

}  // namespace

/// A host as the daemon sees it. It dies with the daemon; the devices behind it stay.
class FakeHost : public HostProcess {
 public:
  FakeHost(FakeRig& rig, const RigDevice& device, Timeline::Owner daemon, HostListener listener)
      : rig_(rig), device_(device), daemon_(daemon), listener_(std::move(listener)) {}
  ~FakeHost() override {
    *listening_ = false;
    hang_up();
  }

  Result<void> send(std::string_view message) override;
  Result<ring::Consumer*> give_ring(std::uint64_t call_id, ring::Geometry geometry) override;
  void ring_freed() override {}
  void kill() override { die("killed"); }

 private:
  /// Runs `job` in the daemon's world, unless host or daemon are gone by then.
  void later(std::int64_t delay_ns, std::function<void()> job) {
    rig_.timeline_.add(daemon_, rig_.timeline_.now() + delay_ns,
                       [job = std::move(job), alive = alive_] {
                         if (*alive) {
                           job();
                         }
                       });
  }
  void answer(std::uint64_t id, const json& ok) {
    later(latency(), [this, id, ok] { listener_.on_message(host::make_answer(id, ok)); });
  }
  void fail(std::uint64_t id, ErrorCode code, const std::string& text) {
    later(latency(), [this, id, code, text] {
      listener_.on_message(host::make_answer(id, Error{code, text}));
    });
  }
  std::int64_t latency() { return 200'000 + static_cast<std::int64_t>(rig_.random_() % 2'000'000); }
  void die(const std::string& how);
  void hang_up();
  void handle(const host::Call& call);
  void shutter_call(const host::Call& call);
  void detector_call(const host::Call& call);
  void await_frame(std::uint64_t index, std::int64_t start_ns, double lit_before);
  void frame_due(std::uint64_t index, std::int64_t start_ns, double lit_before);
  void deliver_frame(std::uint64_t index, std::int64_t start_ns, double lit_before);
  void watch_lease(std::int64_t until);
  json state() const;

  FakeRig& rig_;
  RigDevice device_;
  Timeline::Owner daemon_;
  HostListener listener_;
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);      // the host answers
  std::shared_ptr<bool> listening_ = std::make_shared<bool>(true);  // the daemon still has it
  bool hung_up_ = false;
  std::int64_t exposure_ns_ = 0;
  std::uint64_t frames_asked_ = 1;
  std::uint64_t acquisition_ = 0;
  std::unique_ptr<Pages> memory_;
  std::optional<ring::Producer> producer_;
  std::optional<ring::Consumer> consumer_;
};

class FakeLauncher : public Launcher {
 public:
  FakeLauncher(FakeRig& rig, Timeline::Owner daemon) : rig_(rig), daemon_(daemon) {}
  Result<std::unique_ptr<HostProcess>> launch(const std::string& name, std::string_view message,
                                              HostListener listener) override {
    auto host =
        std::make_unique<FakeHost>(rig_, *rig_.rig_.find(name), daemon_, std::move(listener));
    CREEL_TRY(host->send(message));
    return std::unique_ptr<HostProcess>(std::move(host));
  }

 private:
  FakeRig& rig_;
  Timeline::Owner daemon_;
};

FakeRig::FakeRig(Timeline& timeline, const Rig& rig, std::uint64_t seed, FaultRates rates)
    : faults(rates), timeline_(timeline), rig_(rig), random_(seed) {
  for (const RigDevice& device : rig_.devices) {
    if (device.kind == DeviceKind::shutter) {
      shutters_[device.name] = {};
    }
  }
}

std::unique_ptr<Launcher> FakeRig::launcher(Timeline::Owner daemon) {
  return std::make_unique<FakeLauncher>(*this, daemon);
}

bool FakeRig::draw(double rate) {
  if (rate <= 0 || std::uniform_real_distribution<double>(0, 1)(random_) >= rate) {
    return false;
  }
  ++faults_drawn_;
  return true;
}

bool FakeRig::lit() const {
  return std::all_of(shutters_.begin(), shutters_.end(),
                     [](const auto& one) { return one.second.open; });
}

double FakeRig::lit_seconds() const {
  const std::int64_t running = lit_since_ < 0 ? 0 : timeline_.now() - lit_since_;
  return static_cast<double>(lit_ns_ + running) * 1e-9;
}

void FakeRig::light_changed() {
  if (lit() && lit_since_ < 0) {
    lit_since_ = timeline_.now();
  } else if (!lit() && lit_since_ >= 0) {
    lit_ns_ += timeline_.now() - std::exchange(lit_since_, -1);
    if (on_closed) {
      on_closed();
    }
  }
}

void FakeRig::move(const std::string& name, bool open) {
  FakeShutter& shutter = shutters_.at(name);
  if (shutter.open == open) {
    return;
  }
  shutter.open = open;
  (open ? shutter.opened_ns : shutter.closed_ns) = timeline_.now();
  const bool was_lit = lit_since_ >= 0;
  light_changed();
  if (!was_lit && lit() && on_open) {
    on_open(name);
  }
}

Result<void> FakeHost::send(std::string_view message) {
  auto call = host::parse_call(message);
  if (!call.ok()) {
    return call.error();
  }
  if (!*alive_) {
    return Error{ErrorCode::device_lost, "the fake host is gone"};
  }
  later(50'000, [this, call = *call] { handle(call); });
  return {};
}

void FakeHost::handle(const host::Call& call) {
  if (call.name != "ping" && call.name != "open") {
    if (rig_.draw(rig_.faults.crash)) {
      die("crashed in " + call.name);
      return;
    }
    if (rig_.draw(rig_.faults.hang)) {
      return;
    }
    if (call.name != "close_shutter" && rig_.draw(rig_.faults.refuse)) {
      fail(call.id, ErrorCode::refused, "the fake device refuses " + call.name);
      return;
    }
  }
  if (call.name == "open") {
    if (device_.kind == DeviceKind::shutter) {
      rig_.move(device_.name, false);  // comes up closed
    }
    answer(call.id, {{"plugin", "fake"},
                     {"version", "0"},
                     {"describe",
                      {{"identity", {{"maker", "fake"}}},
                       {"axes", json::array()},
                       {"channels", json::array({{{"name", "power"}, {"unit", "mW"}}})}}},
                     {"settings", json::object()}});
  } else if (call.name == "ping") {
    answer(call.id, {{"busy", ""}, {"busy_ns", 0}, {"lease_left_ns", 0}});
  } else if (call.name == "settings") {
    answer(call.id, {{"device", device_.name}});
  } else if (call.name == "read") {
    const double power = rig_.draw(rig_.faults.drop_out) ? 1 : 20;
    answer(call.id, {{"readings", json::array({{{"value", power}, {"valid", true}}})}});
  } else if (device_.kind == DeviceKind::shutter) {
    shutter_call(call);
  } else if (device_.kind == DeviceKind::detector) {
    detector_call(call);
  } else {
    answer(call.id, json::object());
  }
}

json FakeHost::state() const {
  const FakeShutter& shutter = rig_.shutters_.at(device_.name);
  return {{"commanded", shutter.open ? "open" : "closed"},
          {"measured", shutter.open ? "open" : "closed"},
          {"opened_ns", shutter.opened_ns},
          {"closed_ns", shutter.closed_ns}};
}

void FakeHost::shutter_call(const host::Call& call) {
  FakeShutter& shutter = rig_.shutters_.at(device_.name);
  const std::int64_t now = rig_.timeline_.now();
  if (call.name == "open_shutter" || call.name == "close_shutter") {
    const bool open = call.name == "open_shutter";
    if (open) {
      shutter.lease_until_ns = now + call.arguments.value("open_for_ns", std::int64_t{0});
      watch_lease(shutter.lease_until_ns);
    }
    if (!rig_.draw(rig_.faults.stuck)) {
      rig_.move(device_.name, open);
    }
    answer(call.id, state());
  } else if (call.name == "renew") {
    shutter.lease_until_ns = now + call.arguments.value("open_for_ns", std::int64_t{0});
    answer(call.id, json::object());
  } else {
    answer(call.id, state());
  }
}

// The lease is kept by the device's side, so it outlives the daemon.
void FakeHost::watch_lease(std::int64_t until) {
  rig_.timeline_.add(
      FakeRig::kDevices, until, [&rig = rig_, name = device_.name, until, this, alive = alive_] {
        FakeShutter& shutter = rig.shutters_.at(name);
        if (!shutter.open) {
          return;
        }
        // Renewed, or opened again by a newer host, which watches itself.
        if (shutter.lease_until_ns > until) {
          if (*alive) {
            watch_lease(shutter.lease_until_ns);
          }
          return;
        }
        rig.move(name, false);
        if (*alive) {  // as real hosts do
          later(50'000, [this] {
            listener_.on_message(
                host::make_event("safe", {{"why", "lease ended"}, {"state", state()}}));
          });
        }
      });
}

void FakeHost::detector_call(const host::Call& call) {
  const std::int64_t now = rig_.timeline_.now();
  if (call.name == "arm") {
    exposure_ns_ = call.arguments.value("exposure_ns", std::int64_t{0});
    frames_asked_ = call.arguments.value("frames", std::uint64_t{1});
    answer(call.id, {{"exposure_ns", exposure_ns_},
                     {"readout_ns", FakeRig::kReadoutNs},
                     {"rows", FakeRig::kRows},
                     {"columns", FakeRig::kColumns},
                     {"pixel", "u16"},
                     {"frames_per_block", 1}});
  } else if (call.name == "start") {
    answer(call.id, {{"started_ns", now}});
    ++acquisition_;
    await_frame(0, now, rig_.lit_seconds());
  } else if (call.name == "stop") {
    ++acquisition_;
    answer(call.id, json::object());
  } else {
    answer(call.id, json::object());
  }
}

// Frames follow one another; each comes its readout after its exposure.
void FakeHost::await_frame(std::uint64_t index, std::int64_t start_ns, double lit_before) {
  const std::int64_t due = start_ns + exposure_ns_ + FakeRig::kReadoutNs;
  later(due - rig_.timeline_.now(),
        [this, index, start_ns, lit_before, acquisition = acquisition_] {
          if (acquisition == acquisition_) {
            frame_due(index, start_ns, lit_before);
          }
        });
}

// While the ring is full the detector pauses: the frame comes later, and those after it too.
void FakeHost::frame_due(std::uint64_t index, std::int64_t start_ns, double lit_before) {
  if (producer_ && frames_asked_ > 1 && !producer_->slot()) {
    constexpr std::int64_t kLookAgainNs = 5'000'000;
    later(kLookAgainNs, [this, index, start_ns, lit_before, acquisition = acquisition_] {
      if (acquisition == acquisition_) {
        frame_due(index, start_ns, lit_before);
      }
    });
    return;
  }
  if (!rig_.draw(rig_.faults.lose_frame)) {
    deliver_frame(index, start_ns, lit_before);
  }
  if (index + 1 < frames_asked_) {
    const std::int64_t now = rig_.timeline_.now();
    await_frame(index + 1, std::max(start_ns + exposure_ns_, now - FakeRig::kReadoutNs),
                rig_.lit_seconds());
  } else if (frames_asked_ > 1) {
    later(50'000, [this] {
      listener_.on_message(host::make_event("frames_ended", {{"error", nullptr}}));
    });
  }
}

void FakeHost::deliver_frame(std::uint64_t index, std::int64_t start_ns, double lit_before) {
  auto slot = producer_ ? producer_->slot() : std::nullopt;
  if (!slot) {
    return;
  }
  const std::size_t bytes = std::size_t{FakeRig::kRows} * FakeRig::kColumns * 2;
  const std::uint64_t number = rig_.frames_++;
  std::memset(slot->data(), static_cast<int>(number & 0x3F), bytes);
  const double lit = rig_.lit_seconds() - lit_before;
  std::memcpy(slot->data(), &number, sizeof number);
  std::memcpy(slot->data() + sizeof number, &lit, sizeof lit);
  ring::Block block;
  block.bytes = bytes;
  block.first = index;
  block.frames = 1;
  block.start_ns = start_ns;
  block.exposure_ns = exposure_ns_;
  block.flags = rig_.draw(rig_.faults.torn_frame) ? 2U : 0U;
  producer_->publish(block);
  listener_.on_frames();
}

Result<ring::Consumer*> FakeHost::give_ring(std::uint64_t call_id, ring::Geometry geometry) {
  if (!*alive_) {
    return Error{ErrorCode::device_lost, "the fake host is gone"};
  }
  memory_ = std::make_unique<Pages>(geometry.total_bytes());
  producer_.emplace(memory_->data(), geometry);
  consumer_.emplace(memory_->data(), geometry);
  answer(call_id, json::object());
  return &*consumer_;
}

void FakeHost::die(const std::string& how) {
  if (!*alive_) {
    return;
  }
  hang_up();
  rig_.timeline_.add(daemon_, rig_.timeline_.now() + 100'000,
                     [on_gone = listener_.on_gone, how, listening = listening_] {
                       if (*listening) {
                         on_gone(how);
                       }
                     });
}

// The host's own process notices and makes its device safe, whoever ended.
void FakeHost::hang_up() {
  *alive_ = false;
  if (std::exchange(hung_up_, true) || device_.kind != DeviceKind::shutter) {
    return;
  }
  rig_.timeline_.add(FakeRig::kDevices, rig_.timeline_.now() + FakeRig::kHangUpNs,
                     [&rig = rig_, name = device_.name] { rig.move(name, false); });
}

double frame_lit_seconds(const std::vector<std::byte>& frame) {
  double lit = 0;
  std::memcpy(&lit, frame.data() + sizeof(std::uint64_t), sizeof lit);
  return lit;
}

}  // namespace creel::fakes
