#include "daemon/supervisor/device_host.h"

#include <algorithm>
#include <utility>

#include "protocol/host/messages.h"

namespace creel {

using nlohmann::json;

std::string_view device_state_name(DeviceState state) {
  switch (state) {
    case DeviceState::starting:
      return "starting";
    case DeviceState::ready:
      return "ready";
    case DeviceState::stale:
      return "stale";
    case DeviceState::waiting:
      return "waiting to restart";
    case DeviceState::stopped:
      return "stopped";
  }
  return "stopped";
}

DeviceHost::DeviceHost(const RigDevice& device, std::string plugin_path, Parts parts,
                       SupervisionLimits limits, Listener listener)
    : device_(device),
      plugin_path_(std::move(plugin_path)),
      parts_(parts),
      limits_(limits),
      listener_(std::move(listener)),
      restart_delay_(limits.first_restart),
      alive_(std::make_shared<bool>(true)) {}

DeviceHost::~DeviceHost() {
  *alive_ = false;
  cancel(heartbeat_timer_);
  cancel(restart_timer_);
  cancel(renew_timer_);
  for (auto& [id, pending] : pending_) {
    parts_.scheduler.cancel(pending.timer);
  }
}

void DeviceHost::cancel(TimerId& timer) {
  if (timer != 0) {
    parts_.scheduler.cancel(std::exchange(timer, 0));
  }
}

void DeviceHost::change(DeviceState state) {
  if (state_ != state) {
    state_ = state;
    if (listener_.on_state) {
      listener_.on_state(state);
    }
  }
}

void DeviceHost::start() {
  launch();
}

void DeviceHost::stop() {
  cancel(heartbeat_timer_);
  cancel(restart_timer_);
  cancel(renew_timer_);
  host_.reset();
  ring_ = nullptr;
  change(DeviceState::stopped);
  fail_all({ErrorCode::cancelled, device_.name + " was stopped"});
}

void DeviceHost::launch() {
  restart_timer_ = 0;
  change(DeviceState::starting);
  const Sandbox& box = device_.sandbox;
  json config = device_.config;
  config["name"] = device_.name;
  const json arguments = {{"plugin", plugin_path_},
                          {"kind", kind_name(device_.kind)},
                          {"device", device_.name},
                          {"config", config},
                          {"sandbox",
                           {{"network", box.network},
                            {"usb", box.usb},
                            {"tty", box.tty},
                            {"read_paths", box.read_paths},
                            {"write_paths", box.write_paths}}}};
  const std::uint64_t id =
      expect("open", limits_.open_device, [this](const Result<json>& answer) { opened(answer); });
  HostListener listener;
  listener.on_message = [this](std::string_view message) { on_message(message); };
  listener.on_frames = [this] {
    if (listener_.on_frames) {
      listener_.on_frames();
    }
  };
  listener.on_gone = [this](const std::string& how) { on_gone(how); };
  auto host = parts_.launcher.launch(device_.name, host::make_call(id, "open", arguments),
                                     std::move(listener));
  if (!host.ok()) {
    on_gone(host.error().text);
    return;
  }
  host_ = std::move(*host);
}

void DeviceHost::opened(const Result<json>& answer) {
  if (!answer.ok()) {
    if (host_ != nullptr) {  // it answered, but could not open its device
      on_gone(answer.error().text);
    }
    return;
  }
  description_ = *answer;
  replay_settings(asked_.cbegin());
}

void DeviceHost::replay_settings(std::map<std::string, json>::const_iterator next) {
  if (next == asked_.cend()) {
    ready_since_ = parts_.clock.safety_now();
    change(DeviceState::ready);
    heartbeat();
    return;
  }
  const std::uint64_t id = expect("set", limits_.call, [this, next](const Result<json>& answer) {
    if (answer.ok()) {
      replay_settings(std::next(next));
    } else if (host_ != nullptr) {
      on_gone("its setting '" + next->first + "' could not be restored: " + answer.error().text);
    }
  });
  if (auto sent =
          host_->send(host::make_call(id, "set", {{"name", next->first}, {"value", next->second}}));
      !sent.ok()) {
    on_gone(sent.error().text);
  }
}

std::uint64_t DeviceHost::expect(const std::string& name, Duration limit, Reply reply) {
  const std::uint64_t id = next_id_++;
  const TimerId timer = parts_.scheduler.at(parts_.clock.safety_now() + limit, [this, id, limit] {
    auto node = pending_.extract(id);
    if (node.empty()) {
      return;
    }
    const Pending& late = node.mapped();
    last_trouble_ = "no answer to '" + late.name + "' within " +
                    std::to_string(limit.value / 1'000'000) + " ms";
    late.reply(Error{ErrorCode::timed_out, device_.name + ": " + last_trouble_});
    if (late.name == "open" || late.name == "ping") {  // without these nothing else will come
      change(DeviceState::stale);
      on_gone(last_trouble_);
    }
  });
  pending_.emplace(id, Pending{std::move(reply), timer, name});
  return id;
}

void DeviceHost::call(const std::string& name, json arguments, Duration limit, Reply reply) {
  if (state_ != DeviceState::ready) {
    const Error error{ErrorCode::device_lost,
                      device_.name + " is not ready (" + std::string(device_state_name(state_)) +
                          (last_trouble_.empty() ? "" : "; " + last_trouble_) + ")"};
    parts_.scheduler.post([reply = std::move(reply), error, alive = alive_] {
      if (*alive) {
        reply(error);
      }
    });
    return;
  }
  const std::uint64_t id = expect(name, limit, std::move(reply));
  if (auto sent = host_->send(host::make_call(id, name, std::move(arguments))); !sent.ok()) {
    const std::string how = sent.error().text;
    parts_.scheduler.post([this, how, alive = alive_] {
      if (*alive && host_ != nullptr) {
        on_gone(how);
      }
    });
  }
}

void DeviceHost::set(const std::string& name, const json& value, Reply reply) {
  call("set", {{"name", name}, {"value", value}},
       [this, name, value, reply = std::move(reply)](Result<json> answer) {
         if (answer.ok()) {
           asked_[name] = value;
         }
         reply(std::move(answer));
       });
}

Duration DeviceHost::lease_now() const {
  const Duration left = open_until_ - parts_.clock.safety_now();
  return open_until_ == SafetyTime{} ? device_.lease : std::min(device_.lease, left);
}

void DeviceHost::open_shutter(Duration at_most, Reply reply) {
  cancel(renew_timer_);
  const SafetyTime now = parts_.clock.safety_now();
  open_until_ = at_most > Duration{} ? now + at_most : SafetyTime{};
  call("open_shutter", {{"open_for_ns", lease_now().value}}, std::move(reply));
  // Renewal starts with the call: opening itself takes part of the lease.
  renew_timer_ = parts_.scheduler.at(now + Duration{device_.lease.value / 3}, [this] { renew(); });
}

void DeviceHost::renew() {
  renew_timer_ = 0;
  const Duration lease = lease_now();
  if (state_ != DeviceState::ready || lease <= Duration{}) {
    return;
  }
  call("renew", {{"open_for_ns", lease.value}}, device_.lease, [this](const Result<json>& renewed) {
    // It may close by itself any moment, and the host may not be able to say so.
    if (!renewed.ok() && state_ == DeviceState::ready && listener_.on_event) {
      listener_.on_event("safe", {{"why", "its lease was not renewed: " + renewed.error().text}});
    }
  });
  renew_timer_ = parts_.scheduler.at(parts_.clock.safety_now() + Duration{device_.lease.value / 3},
                                     [this] { renew(); });
}

void DeviceHost::close_shutter(Reply reply) {
  cancel(renew_timer_);  // whatever becomes of the call, the lease now runs out by itself
  call("close_shutter", json::object(), device_.closing_time + seconds(2), std::move(reply));
}

void DeviceHost::give_ring(ring::Geometry geometry, Reply reply) {
  if (state_ != DeviceState::ready) {
    call("ring", json::object(), std::move(reply));  // replies device_lost
    return;
  }
  const std::uint64_t id = expect("ring", limits_.call, std::move(reply));
  auto consumer = host_->give_ring(id, geometry);
  if (consumer.ok()) {
    ring_ = *consumer;
    return;
  }
  auto node = pending_.extract(id);
  parts_.scheduler.cancel(node.mapped().timer);
  parts_.scheduler.post(
      [failed = std::move(node.mapped().reply), error = consumer.error(), alive = alive_] {
        if (*alive) {
          failed(error);
        }
      });
}

void DeviceHost::ring_freed() {
  if (host_ != nullptr) {
    host_->ring_freed();
  }
}

void DeviceHost::on_message(std::string_view message) {
  auto parsed = host::parse_from_host(message);
  if (!parsed.ok()) {  // a host that talks nonsense cannot be believed in anything
    on_gone("it sent a message that is not allowed: " + parsed.error().text);
    return;
  }
  if (parsed->event) {
    if (listener_.on_event) {
      listener_.on_event(parsed->event->name, parsed->event->body);
    }
    return;
  }
  auto node = pending_.extract(parsed->answer->id);
  if (!node.empty()) {  // an answer that came too late has no one waiting
    parts_.scheduler.cancel(node.mapped().timer);
    node.mapped().reply(std::move(parsed->answer->result));
  }
}

void DeviceHost::heartbeat() {
  heartbeat_timer_ = 0;
  if (state_ != DeviceState::ready) {
    return;
  }
  const SafetyTime now = parts_.clock.safety_now();
  if (now - ready_since_ > limits_.settled) {
    restart_delay_ = limits_.first_restart;
  }
  const Duration third{limits_.heartbeat_silence.value / 3};
  call("ping", json::object(), limits_.heartbeat_silence - third, [](const Result<json>&) {});
  heartbeat_timer_ = parts_.scheduler.at(now + third, [this] { heartbeat(); });
}

void DeviceHost::on_gone(const std::string& how) {
  last_trouble_ = how;
  ring_ = nullptr;
  cancel(heartbeat_timer_);
  cancel(renew_timer_);
  if (host_ != nullptr) {
    // Destroyed later: this may be running inside one of its own callbacks. Destruction hangs up,
    // which lets a host that only talked nonsense still close its shutter.
    parts_.scheduler.post([doomed = std::shared_ptr<HostProcess>(std::move(host_))] {});
  }
  change(DeviceState::waiting);
  fail_all({ErrorCode::device_lost, device_.name + ": its process is gone (" + how + ")"});
  restart_later();
}

void DeviceHost::restart_later() {
  cancel(restart_timer_);
  ++restarts_;
  const auto spread =
      static_cast<std::int64_t>(parts_.random.next() % 256) * restart_delay_.value / 1024;
  restart_timer_ = parts_.scheduler.at(
      parts_.clock.safety_now() + restart_delay_ + Duration{spread}, [this] { launch(); });
  restart_delay_ = Duration{std::min(restart_delay_.value * 2, limits_.longest_restart.value)};
}

void DeviceHost::fail_all(const Error& error) {
  auto doomed = std::move(pending_);
  pending_.clear();
  for (auto& [id, pending] : doomed) {
    parts_.scheduler.cancel(pending.timer);
    pending.reply(error);
  }
}

json DeviceHost::status() const {
  json result = {{"name", device_.name},     {"kind", kind_name(device_.kind)},
                 {"driver", device_.driver}, {"state", device_state_name(state_)},
                 {"restarts", restarts_},    {"last_trouble", last_trouble_}};
  if (description_.contains("describe")) {
    result["identity"] = description_["describe"].value("identity", json::object());
  }
  if (device_.kind == DeviceKind::shutter) {
    result["blocks"] = blocks_name(device_.blocks);
    result["fallback"] = device_.fallback;
    result["lease_ms"] = device_.lease.value / 1'000'000;
  }
  return result;
}

}  // namespace creel
