// A simulated shutter. Config:
//   "shutter"     "beam" (above the specimen: ends dose; the default), "cathode" (the laser to the
//   cathode), "below" (between specimen and detector: the dose goes on), "pump" (the pump laser)
//   "travel_ms"   from the order to the end of the movement, 0..1000, default 4; the beam passes or
//   stops at mid-way
//   "measures"    whether it can tell where it stands, default true
//   "stuck_open"  fault: once open, it does not close
//   "silent"      fault: it obeys, but never answers
//   "world"       see world/laboratory_config.h
//
// SAFETY: software shutter control is NOT a personnel-safety interlock, and this is a simulation. A
// class 4 laser needs hard-wired interlocks, eyewear and a laser safety officer (IEC 60825-1, ANSI
// Z136.1, local rules).
#pragma once

#include <mutex>

#include "drivers/kit/kit.h"
#include "drivers/simulated/shared_log.h"

namespace creel::simulated {

struct ShutterSetup {
  sim::Channel channel = sim::Channel::beam;
  std::int64_t delay_ns = 0;   // from an order until the blades begin to move
  std::int64_t travel_ns = 0;  // of the movement itself
  bool measures = true, stuck_open = false, silent = false;
  std::uint64_t fingerprint = 0;
};

class Shutter : public kit::Shutter {
 public:
  Shutter(const nlohmann::json& config, kit::Services services);
  nlohmann::json describe() override;
  void make_safe() override;
  creel_shutter_state open_shutter(std::int64_t open_for_ns) override;
  creel_shutter_state close_shutter() override;
  creel_shutter_state state() override;

 private:
  Shutter(const ShutterSetup& setup, kit::Services services);
  /// Gives the order to the blades; returns the time at which they will stand.
  std::int64_t order(bool open);
  void require_answer();

  kit::Services services_;
  ShutterSetup setup_;
  SharedLog log_;

  std::mutex mutex_;             // held for a few instructions, never while waiting
  bool commanded_open_ = false;  // what was last ordered
  bool open_ = false;            // what the blades do, or have done
  std::int64_t stands_ns_ = 0;   // when they stand, or stood
  std::int64_t opened_ns_ = 0, closed_ns_ = 0;
  struct Movement {
    std::int64_t began_ns = 0, ended_ns = 0;
  } opening_, closing_;
};

}  // namespace creel::simulated
