// All devices of one rig, kept alive. Control thread only.
//
// SAFETY: closing shutters in software is not a personnel-safety interlock; see
// protocol/driver/creel_driver.h.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/supervisor/device_host.h"

namespace creel {

class Supervisor {
 public:
  /// Told on the control thread; `device` is the rig's name for it.
  struct Listener {
    std::function<void(const std::string& device, DeviceState)> on_state;
    std::function<void(const std::string& device)> on_frames;
    std::function<void(const std::string& device, const std::string& name,
                       const nlohmann::json& body)>
        on_event;
  };

  /// `plugin_directory` holds DRIVER.so files. Nothing starts before start().
  Supervisor(const Rig& rig, std::string plugin_directory, DeviceHost::Parts parts,
             SupervisionLimits limits = {});
  ~Supervisor();

  void listen(Listener listener) { listener_ = std::move(listener); }
  void start();
  void stop();

  /// The device, or nullptr for a name that the rig does not have.
  [[nodiscard]] DeviceHost* find(std::string_view name);
  [[nodiscard]] bool ready(const std::vector<std::string>& names);

  /// What became of closing one shutter.
  struct Closed {
    std::string shutter;
    Result<nlohmann::json> state;
  };
  /// Closes every shutter of the rig at once; `done` gets one entry each when all have answered.
  void close_all(std::function<void(std::vector<Closed>)> done);

  [[nodiscard]] nlohmann::json status() const;

 private:
  Listener listener_;
  std::vector<std::unique_ptr<DeviceHost>> hosts_;
};

/// Whether a shutter state from a host proves that the beam is off: measured closed, or, for a
/// device that cannot measure, commanded closed.
bool is_closed(const nlohmann::json& shutter_state);

}  // namespace creel
