// One device of the rig and the process that holds it: calls with time limits, heartbeat, the open
// lease, restart with growing delay, and the settings that a restarted host must be given again.
//
// SAFETY: keeping or ending an open lease is not a personnel-safety interlock; see
// protocol/driver/creel_driver.h.
//
// Control thread only.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "daemon/seams/clock.h"
#include "daemon/seams/launcher.h"
#include "daemon/seams/random.h"
#include "daemon/seams/scheduler.h"
#include "protocol/base/result.h"
#include "protocol/base/units.h"
#include "protocol/series/rig.h"

namespace creel {

/// Named limits of the supervision; real time.
struct SupervisionLimits {
  Duration open_device = seconds(15);       ///< from launch to the answer of "open"
  Duration call = seconds(10);              ///< a call without a limit of its own
  Duration heartbeat_silence = seconds(3);  ///< no answer for this long: stale, killed, restarted
  Duration first_restart = milliseconds(200);
  Duration longest_restart = seconds(30);
  Duration settled = seconds(60);  ///< this long without trouble resets the restart delay
};

enum class DeviceState : std::uint8_t {
  starting,  ///< launched, "open" not answered yet
  ready,
  stale,    ///< silent past its limit: what it last said must not be relied on
  waiting,  ///< gone; a restart is due
  stopped,  ///< ended on purpose
};
std::string_view device_state_name(DeviceState state);

class DeviceHost {
 public:
  struct Parts {
    Launcher& launcher;
    Scheduler& scheduler;
    const Clock& clock;
    Random& random;  ///< spreads restarts, so that devices on one lost link do not all come at once
  };
  /// Told on the control thread; all may be empty.
  struct Listener {
    std::function<void(DeviceState)> on_state;
    std::function<void()> on_frames;
    std::function<void(const std::string& name, const nlohmann::json& body)> on_event;
  };
  using Reply = std::function<void(Result<nlohmann::json>)>;

  DeviceHost(const RigDevice& device, std::string plugin_path, Parts parts,
             SupervisionLimits limits, Listener listener);
  ~DeviceHost();
  DeviceHost(const DeviceHost&) = delete;
  DeviceHost& operator=(const DeviceHost&) = delete;

  void start();
  /// Ends the host; it makes its device safe by itself. No restart.
  void stop();

  /// Calls the host. The reply comes once, later, never from inside call(): device_lost when the
  /// host is not ready or goes away, timed_out when it does not answer within `limit` (of real
  /// time).
  void call(const std::string& name, nlohmann::json arguments, Duration limit, Reply reply);
  void call(const std::string& name, nlohmann::json arguments, Reply reply) {
    call(name, std::move(arguments), limits_.call, std::move(reply));
  }
  /// Changes a setting and remembers it, so that a restarted host is given it again.
  void set(const std::string& name, const nlohmann::json& value, Reply reply);
  /// Opens this shutter and keeps its lease renewed until close_shutter() is called, the host is
  /// gone, or `at_most` (real time; zero = no end) has passed: then the host closes it by itself,
  /// so that a daemon that waits for something else cannot keep it open.
  void open_shutter(Duration at_most, Reply reply);
  /// Ends the renewals and closes; replies with the shutter state, or an error when closure is not
  /// certain.
  void close_shutter(Reply reply);
  /// Gives the host a ring; the reply says when the host has it.
  void give_ring(ring::Geometry geometry, Reply reply);
  [[nodiscard]] ring::Consumer* ring() { return ring_; }
  void ring_freed();
  /// Ends a host that can no longer be believed, and restarts it.
  void distrust(const std::string& why) { on_gone(why); }

  [[nodiscard]] DeviceState state() const { return state_; }
  [[nodiscard]] const RigDevice& device() const { return device_; }
  [[nodiscard]] const nlohmann::json& description() const {
    return description_;
  }  ///< answer of "open"
  [[nodiscard]] const std::map<std::string, nlohmann::json>& settings_asked() const {
    return asked_;
  }
  /// For people: state, restarts, last trouble, identity.
  [[nodiscard]] nlohmann::json status() const;
  /// Why it was last lost, in a few words; "" = it never was.
  [[nodiscard]] const std::string& last_trouble() const { return last_trouble_; }

 private:
  struct Pending {
    Reply reply;
    TimerId timer = 0;
    std::string name;
  };
  std::uint64_t expect(const std::string& name, Duration limit, Reply reply);
  void launch();
  void opened(const Result<nlohmann::json>& answer);
  void replay_settings(std::map<std::string, nlohmann::json>::const_iterator next);
  void on_message(std::string_view message);
  void on_gone(const std::string& how);
  void heartbeat();
  void renew();
  [[nodiscard]] Duration lease_now() const;
  void fail_all(const Error& error);
  void change(DeviceState state);
  void restart_later();
  void cancel(TimerId& timer);

  RigDevice device_;
  std::string plugin_path_;
  Parts parts_;
  SupervisionLimits limits_;
  Listener listener_;
  std::unique_ptr<HostProcess> host_;
  ring::Consumer* ring_ = nullptr;
  DeviceState state_ = DeviceState::stopped;
  std::map<std::uint64_t, Pending> pending_;
  std::uint64_t next_id_ = 1;
  std::map<std::string, nlohmann::json> asked_;
  nlohmann::json description_ = nlohmann::json::object();
  std::string last_trouble_;
  std::uint64_t restarts_ = 0;
  Duration restart_delay_{};
  SafetyTime ready_since_{};
  SafetyTime open_until_{};  ///< no renewal reaches beyond this; zero = no end
  TimerId heartbeat_timer_ = 0;
  TimerId restart_timer_ = 0;
  TimerId renew_timer_ = 0;
  std::shared_ptr<bool> alive_;  ///< false once destroyed: late callbacks do nothing
};

}  // namespace creel
