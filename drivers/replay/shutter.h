// A shutter as a session recorded it. Config: replayed.h. Nothing real moves.
//
// The shutter that the series gates its dose with opens when it was recorded to open and stays open
// as long as it was recorded to be, to the nanosecond, so that the dose charged is the recorded
// one; it also fails to open or to close where it did. An order that comes long before the recorded
// closing (close-all, the end of a lease) is obeyed at once. Times of other shutters are not
// recorded: they take their described travel.
//
// SAFETY: software shutter control is NOT a personnel-safety interlock, and this is a recording. A
// class 4 laser needs hard-wired interlocks, eyewear and a laser safety officer (IEC 60825-1, ANSI
// Z136.1, local rules).
#pragma once

#include <mutex>

#include "drivers/replay/replayed.h"

namespace creel::replay {

class Shutter : public kit::Shutter {
 public:
  Shutter(const nlohmann::json& config, kit::Services services);
  nlohmann::json describe() override;
  nlohmann::json settings() override { return common_.settings(); }
  void set(const std::string& name, const nlohmann::json& value) override {
    common_.set(name, value);
  }
  void make_safe() override;
  creel_shutter_state open_shutter(std::int64_t open_for_ns) override;
  creel_shutter_state close_shutter() override;
  creel_shutter_state state() override;

 private:
  [[nodiscard]] bool gates_dose() const;
  /// The attempt that an opening now belongs to; nullptr: none, or not the shutter of the dose.
  const Attempt* opening();
  std::int64_t opening_time(const Attempt* attempt);
  void break_opening();
  void break_closing();
  std::uint64_t times_stuck(const Attempt& attempt);
  /// Whether the recorded opening ended when the fall-back closed.
  [[nodiscard]] bool fallback_ends(const Attempt& attempt) const;
  void await_alarm(const Attempt& attempt, std::uint64_t which);
  void require_attempt(const Attempt* attempt) const;
  /// Gives the order to close; returns when the beam stops.
  std::int64_t order_close();

  kit::Services services_;
  Replayed common_;
  std::int64_t travel_ns_ = 0;
  bool measures_ = true;

  std::mutex mutex_;  // held for a few instructions, never while waiting
  bool open_ = false;
  bool closed_since_ = true;  ///< it obeyed an order to close since it was last asked to open
  std::int64_t opened_ns_ = 0, closed_ns_ = 0;
  std::optional<std::int64_t> open_for_ns_;  ///< as recorded for this opening
};

}  // namespace creel::replay
