#include "drivers/replay/shutter.h"

#include <algorithm>

namespace creel::replay {
namespace {
/// An order to close that comes longer than this before the recorded closing is another one: it is
/// obeyed at once.
constexpr std::int64_t kEarly_ns = 500'000'000;
/// The answer to an opening waits no longer than this for the recorded start of the detector.
constexpr std::int64_t kAnswer_ns = 1'000'000'000;
}  // namespace

Shutter::Shutter(const nlohmann::json& config, kit::Services services)
    : services_(services), common_(config, services) {
  const nlohmann::json& said = common_.script().described;
  travel_ns_ = std::clamp<std::int64_t>(said.value("travel_ns", std::int64_t{0}), 0, kAnswer_ns);
  measures_ = said.value("measures", true);
}

nlohmann::json Shutter::describe() {
  nlohmann::json made = common_.description();
  made["measures"] = measures_;
  made["travel_ns"] = travel_ns_;
  made["has_timer"] = false;  // the host keeps the lease
  return made;
}

bool Shutter::gates_dose() const {
  return common_.device() == common_.script().shutter;
}

const Attempt* Shutter::opening() {
  if (!gates_dose() || common_.free()) {
    return nullptr;
  }
  const std::uint64_t begun = common_.place().begun();
  if (!common_.script().shutter_gates) {
    return common_.attempt(begun);
  }
  return begun == 0 ? nullptr : common_.attempt(begun - 1);
}

/// Fails if the recording has a failure for this very opening: that of the exposure that comes, or,
/// where the detector starts first and for the cathode's shutter, of the one that is begun.
void Shutter::break_opening() {
  const std::uint64_t begun = common_.place().begun();
  const bool comes = gates_dose() && !common_.script().shutter_gates;
  if (!comes && begun == 0) {
    return;
  }
  const std::uint64_t number = comes ? begun : begun - 1;
  const Attempt* attempt = common_.attempt(number);
  if (attempt == nullptr || !attempt->failure || attempt->failure->step != Step::open ||
      attempt->failure->device != common_.device() || !common_.place().act(number)) {
    return;
  }
  if (comes) {
    common_.place().begin();
  }
  {
    const std::lock_guard lock(mutex_);
    opened_ns_ = services_.now_ns();
    closed_ns_ = opened_ns_ + attempt->open_for_ns.value_or(0);
    open_ = closed_since_ = false;
  }
  throw as_recorded(CREEL_E_REFUSED, *attempt->failure);
}

/// Does not close, as often as that was recorded.
void Shutter::break_closing() {
  const std::uint64_t begun = common_.place().begun();
  const Attempt* attempt = begun == 0 ? nullptr : common_.attempt(begun - 1);
  const bool fallback = common_.device() == common_.script().fallback;
  if (attempt != nullptr && (gates_dose() || fallback)) {
    const std::uint64_t times = gates_dose() ? times_stuck(*attempt) : attempt->fallback_alarms;
    if (const auto which = common_.place().stick(!gates_dose(), begun - 1, times)) {
      if (gates_dose()) {
        await_alarm(*attempt, *which);
      }
      throw kit::Failure(CREEL_E_TIMEOUT, "as recorded: it was not shown to close");
    }
  }
  common_.break_before_begin(Step::close);
}

/// How often it does not close as things stand: what was recorded after the exposure counts once
/// the exposure is over.
std::uint64_t Shutter::times_stuck(const Attempt& attempt) {
  const std::uint64_t alarms = attempt.alarms_before_end_ns.size();
  const std::lock_guard lock(mutex_);
  const bool over = closed_since_ || fallback_ends(attempt);
  return alarms + (over ? attempt.unsecured : 0);
}

bool Shutter::fallback_ends(const Attempt& attempt) const {
  return attempt.alarms_before_end_ns.size() > attempt.fallback_alarms &&
         !common_.script().fallback.empty();
}

/// So that the opening lasts as long as it did. The fall-back that ended it is asked when this has
/// failed, and takes its travel.
void Shutter::await_alarm(const Attempt& attempt, std::uint64_t which) {
  const std::size_t alarms = attempt.alarms_before_end_ns.size();
  if (which >= alarms || !attempt.open_for_ns) {
    return;
  }
  const bool fallback_ends =
      which + 1 == alarms && alarms > attempt.fallback_alarms && !common_.script().fallback.empty();
  const std::int64_t before_end =
      fallback_ends ? common_.script().fallback_travel_ns : attempt.alarms_before_end_ns[which];
  std::int64_t until = services_.now_ns() + common_.longest_wait_ns();
  {
    const std::lock_guard lock(mutex_);
    until = std::min(until, opened_ns_ + *attempt.open_for_ns - before_end);
  }
  std::ignore = services_.wait_until(until);
}

std::int64_t Shutter::opening_time(const Attempt* attempt) {
  const std::int64_t now = services_.now_ns();
  const std::int64_t moved = measures_ ? now + travel_ns_ / 2 : now;
  if (attempt == nullptr || !attempt->timed || attempt->opened_ns == 0) {
    return moved;
  }
  if (!common_.place().timed()) {
    common_.place().set_time(attempt->opened_ns, moved);
    return moved;
  }
  // What is not measured counts from the order, whatever the device does.
  return measures_ ? std::max(now, common_.due(attempt->opened_ns)) : now;
}

creel_shutter_state Shutter::open_shutter(std::int64_t) {
  if (!common_.free()) {
    break_opening();
  }
  const Attempt* attempt = opening();
  require_attempt(attempt);
  const std::int64_t opens = opening_time(attempt);
  {
    const std::lock_guard lock(mutex_);
    if (!open_) {
      open_ = true;
      closed_since_ = false;
      opened_ns_ = opens;
    }
    open_for_ns_ = attempt != nullptr ? attempt->open_for_ns : std::nullopt;
  }
  std::int64_t answer = opens;
  if (attempt == nullptr) {
    answer = opens + travel_ns_ / 2;
  } else if (attempt->timed && !common_.script().shutter_gates &&
             attempt->start_ns - attempt->opened_ns < kAnswer_ns) {
    // The detector starts when this has answered, so the answer comes when it was recorded to.
    answer = std::max(opens, opens + attempt->start_ns - attempt->opened_ns);
  }
  if (!services_.wait_until(answer)) {
    make_safe();
    throw kit::Failure(CREEL_E_CANCELLED, "open_shutter: cancelled; the shutter was closed");
  }
  return state();
}

/// Nothing is exposed after the last recorded exposure.
void Shutter::require_attempt(const Attempt* attempt) const {
  if (attempt == nullptr && gates_dose() && !common_.free() && common_.place().begun() > 0) {
    throw common_.at_the_end();
  }
}

void Shutter::make_safe() {
  const std::lock_guard lock(mutex_);
  if (open_) {
    open_ = false;
    closed_ns_ = std::max(opened_ns_, services_.now_ns() + travel_ns_ / 2);
  }
}

std::int64_t Shutter::order_close() {
  const std::lock_guard lock(mutex_);
  closed_since_ = true;
  if (!open_) {
    return closed_ns_;
  }
  const std::int64_t now = services_.now_ns();
  closed_ns_ = std::max(opened_ns_, now + travel_ns_ / 2);
  if (open_for_ns_ && opened_ns_ + *open_for_ns_ <= now + kEarly_ns) {
    closed_ns_ = opened_ns_ + *open_for_ns_;
  }
  open_ = false;
  return closed_ns_;
}

creel_shutter_state Shutter::close_shutter() {
  if (!common_.free()) {
    break_closing();
  }
  const std::int64_t closes = order_close();
  const bool recorded = gates_dose() && !common_.free();
  std::ignore = services_.wait_until(recorded ? closes : closes + travel_ns_ / 2);
  return state();
}

creel_shutter_state Shutter::state() {
  const std::lock_guard lock(mutex_);
  const std::int64_t now = services_.now_ns();
  creel_shutter_state state{};
  state.struct_size = sizeof state;
  state.commanded = open_ ? CREEL_SHUTTER_OPEN : CREEL_SHUTTER_CLOSED;
  if (!measures_) {
    state.measured = CREEL_SHUTTER_NOT_MEASURED;
  } else if (now < (open_ ? opened_ns_ : closed_ns_)) {
    state.measured = CREEL_SHUTTER_MOVING;
  } else {
    state.measured = open_ ? CREEL_SHUTTER_OPEN : CREEL_SHUTTER_CLOSED;
  }
  state.opened_ns = opened_ns_;
  state.closed_ns = closed_ns_;
  return state;
}

}  // namespace creel::replay
