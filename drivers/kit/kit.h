// For driver authors: derive from Detector, Shutter, Stage or Gauge, name the class in
// CREEL_PLUGIN, and the kit makes the C structs of protocol/driver/creel_driver.h from it.
//
//   class Lamp : public creel::kit::Gauge { ... Lamp(const nlohmann::json& config, Services
//   services); }; CREEL_PLUGIN("lamp", "0.1.0", creel::kit::offer<Lamp>())
//
// The kit keeps for every driver what the C header promises and what is easily forgotten: no
// exception leaves the plugin (it becomes a code and last_error), no call is let through in the
// wrong state, arguments are checked before the driver sees them, strings live long enough, close()
// makes safe first. To report a failure throw Failure; nothing else. What your class must do
// itself: never use another clock or sleep than Services, and make make_safe() and stop() quick and
// harmless from any thread.
//
// SAFETY: software shutter control is NOT a personnel-safety interlock. A class 4 laser needs
// hard-wired interlocks, eyewear and a laser safety officer (IEC 60825-1, ANSI Z136.1, local
// rules). A driver may read an interlock and may refuse to open; it never bypasses or resets one.
//
// What describe() returns: one JSON object. "unknown" is an honest answer wherever a text or number
// is asked.
//   all kinds  "identity": {"maker", "model", "serial", "firmware"}        texts
//              "settings": {NAME: {"type": "number" | "integer" | "text" | "flag", "unit", "min",
//              "max"}}
//                          those that set() takes; unit "" = a pure number; min and max for numbers
//                          only; "allowed": list of texts, where only some are taken
//   detector   "shape": {"rows", "columns"}; "pixel": "u8" | "u16" | "u32" | "f32" | "event"
//              "events": only with pixel "event", where shape is the grid of the sensor: {"most"
//              (in one frame), "sorted" (by time: true, or false when nothing is promised),
//              "time_resolution_ns" (1 sigma) or "unknown"}
//              "exposure_ns": {"min", "max", "step"}; "readout_ns"; "frames_per_block" (most that
//              one read gives) "saturation": pixel value at which a pixel is full, or "unknown"
//              "gain": {"counts_per_electron": number or "unknown"}; "read_noise": counts (1 sigma)
//              or "unknown" "triggers": ["free", "software", ...]; "can_pause": whether frames wait
//              in the device, unlost, while nobody reads them
//   shutter    "measures": whether it can tell where it stands; "travel_ns": from the order to the
//   end of the
//              movement; "has_timer": whether it closes by itself at the end of the lease
//   stage      "axes": [{"name", "unit", "min", "max"}]          added by the kit from axes()
//   gauge      "channels": [{"name", "unit", "description"}]     added by the kit from channels()
#pragma once

#include <atomic>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <nlohmann/json.hpp>
#include <span>
#include <stdexcept>
#include <string>
#include <vector>

#include "protocol/driver/creel_driver.h"

namespace creel::kit {

/// The one way for a driver to fail: a CREEL_E_* code and a sentence for a person.
class Failure : public std::runtime_error {
 public:
  Failure(std::int32_t code, const std::string& sentence)
      : std::runtime_error(sentence), code_(code) {}
  [[nodiscard]] std::int32_t code() const { return code_; }

 private:
  std::int32_t code_;
};

/// What the host does for a driver (creel_services). Copyable; all calls from any thread.
class Services {
 public:
  explicit Services(const creel_services* services) : services_(services) {}
  [[nodiscard]] std::int64_t now_ns() const { return services_->world_now_ns(services_->context); }
  /// false: the device is being made safe, stopped or closed; return from your call at once.
  [[nodiscard]] bool wait_until(std::int64_t world_ns) const {
    return services_->wait_until_ns(services_->context, world_ns) == 0;
  }
  void log(std::int32_t level, const std::string& text) const {
    services_->log(services_->context, level, text.c_str());
  }
  /// Memory that all devices of a simulated rig share; empty when there is none.
  [[nodiscard]] std::span<std::byte> shared_memory() const;
  [[nodiscard]] std::uint64_t seed() const { return services_->seed(services_->context); }

 private:
  const creel_services* services_;
};

/// What every device has. Calls come on the control thread unless said otherwise. The constructor
/// of a derived class opens the device (at most 10 s) and throws Failure when it cannot; the
/// destructor frees it.
class Device {
 public:
  Device() = default;
  Device(const Device&) = delete;
  Device& operator=(const Device&) = delete;
  virtual ~Device() = default;

  /// The object described above, without what the kit adds.
  virtual nlohmann::json describe() = 0;
  /// Every setting as read back from the device now: {name: value}.
  virtual nlohmann::json settings() { return nlohmann::json::object(); }
  /// Changes one setting. Never called while acquiring.
  virtual void set(const std::string& name, const nlohmann::json& value);
  /// ANY THREAD, even while another call runs. Within 50 ms; repeatable; waits for no other call.
  virtual void make_safe() = 0;
};

class Detector : public Device {
 public:
  /// frames and exposure_ns are asked; fill in everything else and round exposure_ns. exposure_ns
  /// >= 0.
  virtual void arm(creel_exposure& exposure) = 0;
  virtual void start() = 0;
  /// THE FRAMES THREAD. Writes the next block into `buffer`, fills `info` and returns the bytes
  /// written; 0 when there was none in time, or when a wait was cancelled. The kit ends the
  /// acquisition when info.first + info.frames reaches the number that arm asked for.
  virtual std::size_t read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                                 std::uint32_t timeout_ms) = 0;
  /// ANY THREAD. Ends the acquisition; must make a waiting read_frame return soon.
  virtual void stop() = 0;
  void make_safe() override { stop(); }
};

/// SAFETY: see the top of this file. A shutter must be closed when its constructor returns. The
/// states that it returns begin as creel_shutter_state{}: what it does not measure stays zero.
class Shutter : public Device {
 public:
  virtual creel_shutter_state open_shutter(std::int64_t open_for_ns) = 0;
  virtual creel_shutter_state close_shutter() = 0;
  virtual creel_shutter_state state() = 0;
  /// Only called for a device that has a timer of its own.
  virtual void renew(std::int64_t open_for_ns);
};

struct Axis {
  std::string name, unit;
  double min = 0, max = 0;
};

class Stage : public Device {
 public:
  /// Fixed while the device is open. The kit checks axis numbers and ranges against it.
  virtual std::vector<Axis> axes() const = 0;
  virtual void move(std::uint32_t axis, double position) = 0;
  virtual double position(std::uint32_t axis) = 0;
};

struct Channel {
  std::string name, unit, description;
};

class Gauge : public Device {
 public:
  virtual std::vector<Channel> channels() const = 0;  ///< fixed while the device is open
  virtual std::vector<creel_reading> read() = 0;      ///< one for each channel, in that order
};

// ---- From here on: how CREEL_PLUGIN works. A driver author need not read on. ----

using Opener = std::int32_t (*)(const char*, const creel_services*, creel_device**);
using Maker = std::unique_ptr<Device> (*)(const nlohmann::json& config, Services services);
/// What creel_device_calls.open does, with `make` for the part that differs.
std::int32_t open_device(Maker make, std::uint32_t kind, const char* config_json,
                         const creel_services* services, creel_device** out) noexcept;
/// The C structs for a kind. `open` is stored in static memory that belongs to `T` below.
creel_device_calls device_calls(Opener open, bool has_settings);
creel_offer make_offer(std::uint32_t kind, bool has_timer, const creel_device_calls* device);

template <class T>
constexpr std::uint32_t kind_of() {
  if constexpr (std::is_base_of_v<Detector, T>) {
    return CREEL_KIND_DETECTOR;
  } else if constexpr (std::is_base_of_v<Shutter, T>) {
    return CREEL_KIND_SHUTTER;
  } else if constexpr (std::is_base_of_v<Stage, T>) {
    return CREEL_KIND_STAGE;
  } else {
    static_assert(std::is_base_of_v<Gauge, T>, "derive from Detector, Shutter, Stage or Gauge");
    return CREEL_KIND_GAUGE;
  }
}

/// Whether class T has a timer of its own, so that the ABI offers renew: it says so by `kHasTimer`.
template <class T>
constexpr bool has_timer() {
  if constexpr (requires { T::kHasTimer; }) {
    return T::kHasTimer;
  } else {
    return false;
  }
}

template <class T>
std::unique_ptr<Device> make_device(const nlohmann::json& config, Services services) {
  return std::make_unique<T>(config, services);
}

template <class T>
const creel_offer* offer() {
  static const creel_device_calls calls = device_calls(
      [](const char* config, const creel_services* services, creel_device** out) {
        return open_device(&make_device<T>, kind_of<T>(), config, services, out);
      },
      !std::is_same_v<decltype(&T::set),
                      void (Device::*)(const std::string&, const nlohmann::json&)>);
  static const creel_offer made = make_offer(kind_of<T>(), has_timer<T>(), &calls);
  return &made;
}

}  // namespace creel::kit

/// Defines the plugin's one export. Once in a plugin; the arguments after the version are
/// offer<Class>().
#define CREEL_PLUGIN(plugin_name, plugin_version, ...)                                             \
  extern "C" CREEL_EXPORT const creel_plugin* creel_plugin_entry(void) {                           \
    static const creel_offer* const offers[] = {__VA_ARGS__};                                      \
    static const creel_plugin plugin = {sizeof(creel_plugin),                                      \
                                        CREEL_ABI_MAJOR,                                           \
                                        plugin_name,                                               \
                                        plugin_version,                                            \
                                        static_cast<uint32_t>(sizeof(offers) / sizeof(offers[0])), \
                                        0,                                                         \
                                        offers};                                                   \
    return &plugin;                                                                                \
  }
