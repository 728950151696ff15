// Loads a driver plugin and checks it against the ABI (protocol/driver/creel_driver.h).
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/driver/creel_driver.h"

namespace creel::host {

/// The calls of one offer, copied: min(the driver's struct_size, ours) bytes, the rest NULL. Calls
/// of other kinds are all NULL.
struct Calls {
  std::uint32_t kind = 0;
  creel_device_calls device{};
  creel_detector_calls detector{};
  creel_shutter_calls shutter{};
  creel_stage_calls stage{};
  creel_gauge_calls gauge{};
};

struct Plugin {
  std::string name;
  std::string version;
  std::uint32_t abi_major = 0;
  std::vector<Calls> offers;
};

/// One call of an offer, for people.
struct Slot {
  std::string_view table;  ///< "device", "detector", ...
  std::string_view name;
  bool required = false;
  bool filled = false;
};

std::string_view kind_text(std::uint32_t kind);  ///< "detector" ...; "unknown kind" otherwise
std::uint32_t kind_from(std::string_view name);  ///< CREEL_KIND_*, 0 for an unknown name
std::vector<Slot> slots_of(const Calls& calls);  ///< those of its kind, in the header's order

/// dlopen()s `path`, for ever: a plugin is never unloaded. invalid_request says what is wrong with
/// it. The plugin's own code runs in here.
Result<Plugin> load_plugin(const std::string& path);

/// The offer of `kind`, complete. invalid_request names every required call that is missing.
Result<Calls> offer_of(const Plugin& plugin, std::uint32_t kind);

/// `text` of a driver as valid UTF-8 of at most `most` bytes; "" for NULL.
std::string driver_text(const char* text, std::size_t most);

}  // namespace creel::host
