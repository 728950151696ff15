#include "drivers/simulated/shutter.h"

#include <algorithm>

#include "drivers/simulated/world/laboratory_config.h"

namespace creel::simulated {

namespace {

sim::Channel channel_named(const std::string& name) {
  if (name == "cathode") return sim::Channel::cathode;
  if (name == "below") return sim::Channel::below;
  return name == "pump" ? sim::Channel::pump : sim::Channel::beam;
}

ShutterSetup read_setup(const nlohmann::json& config) {
  ShutterSetup setup;
  kit::Config fields(config);
  fields.text("name", "");
  setup.channel =
      channel_named(fields.choice("shutter", "beam", {"beam", "cathode", "below", "pump"}));
  setup.delay_ns = static_cast<std::int64_t>(fields.number("delay_ms", 0, 0, 1000) * 1e6);
  setup.travel_ns = static_cast<std::int64_t>(fields.number("travel_ms", 4, 0, 1000) * 1e6);
  setup.measures = fields.flag("measures", true);
  setup.stuck_open = fields.flag("stuck_open", false);
  setup.silent = fields.flag("silent", false);
  std::ignore = read_laboratory(fields);
  fields.done();
  setup.fingerprint = fingerprint(config);
  return setup;
}

}  // namespace

Shutter::Shutter(const nlohmann::json& config, kit::Services services)
    : Shutter(read_setup(config), services) {}

Shutter::Shutter(const ShutterSetup& setup, kit::Services services)
    : services_(services), setup_(setup), log_(services, setup.fingerprint) {
  // It comes up closed, also when a host before this one died with it open.
  const std::int64_t now = services_.now_ns();
  const bool was_open = log_.last(setup_.channel, 0) != 0;
  stands_ns_ = was_open ? now + setup_.delay_ns + setup_.travel_ns : now;
  const std::int64_t closes = was_open ? now + setup_.delay_ns + setup_.travel_ns / 2 : now;
  log_.append({SharedLog::whole_microsecond(closes), setup_.channel, 0});
}

nlohmann::json Shutter::describe() {
  return {{"identity",
           {{"maker", "Creel"},
            {"model", "simulated shutter"},
            {"serial", std::to_string(static_cast<int>(setup_.channel))},
            {"firmware", "0.1.0"}}},
          {"settings", nlohmann::json::object()},
          {"measures", setup_.measures},
          {"travel_ns", setup_.delay_ns + setup_.travel_ns},
          {"has_timer", false}};
}

std::int64_t Shutter::order(bool open) {
  const std::lock_guard lock(mutex_);
  const std::int64_t begins = services_.now_ns() + setup_.delay_ns;
  commanded_open_ = open;
  if (open == open_ || (!open && setup_.stuck_open)) {
    return stands_ns_;
  }
  std::int64_t effective = SharedLog::whole_microsecond(begins + setup_.travel_ns / 2);
  if (!open) {
    effective = std::max(effective, opened_ns_);  // closing order while still opening
  }
  if (!log_.append({effective, setup_.channel, open ? 1 : 0})) {
    commanded_open_ = open_;
    throw kit::Failure(
        CREEL_E_REFUSED,
        "the log of the simulated world is full: the shutter stays closed; start the daemon "
        "again with more shared_bytes in the rig");
  }
  open_ = open;
  stands_ns_ = std::max(begins + setup_.travel_ns, effective);
  (open ? opened_ns_ : closed_ns_) = effective;
  (open ? opening_ : closing_) = {std::min(begins, effective), stands_ns_};
  return stands_ns_;
}

void Shutter::make_safe() {
  order(false);
}

void Shutter::require_answer() {
  if (setup_.silent) {
    throw kit::Failure(CREEL_E_TIMEOUT, "the shutter does not answer");
  }
}

creel_shutter_state Shutter::open_shutter(std::int64_t) {
  if (!services_.wait_until(order(true))) {
    order(false);
    throw kit::Failure(CREEL_E_CANCELLED, "open_shutter: cancelled; the shutter was closed");
  }
  require_answer();
  return state();
}

creel_shutter_state Shutter::close_shutter() {
  std::ignore = services_.wait_until(order(false));  // cancelled or not: it is closing
  require_answer();
  return state();
}

creel_shutter_state Shutter::state() {
  require_answer();
  const std::lock_guard lock(mutex_);
  creel_shutter_state state{};
  state.struct_size = sizeof state;
  state.commanded = commanded_open_ ? CREEL_SHUTTER_OPEN : CREEL_SHUTTER_CLOSED;
  if (!setup_.measures) {
    state.measured = CREEL_SHUTTER_NOT_MEASURED;
  } else if (services_.now_ns() < stands_ns_) {
    state.measured = CREEL_SHUTTER_MOVING;
  } else {
    state.measured = open_ ? CREEL_SHUTTER_OPEN : CREEL_SHUTTER_CLOSED;
  }
  state.opened_ns = opened_ns_;
  state.closed_ns = closed_ns_;
  if (setup_.measures) {
    state.opening_began_ns = opening_.began_ns;
    state.opening_ended_ns = opening_.ended_ns;
    state.closing_began_ns = closing_.began_ns;
    state.closing_ended_ns = closing_.ended_ns;
  }
  return state;
}

}  // namespace creel::simulated
