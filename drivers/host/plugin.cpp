#include "drivers/host/plugin.h"

#include <dlfcn.h>

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstring>
#include <nlohmann/json.hpp>
#include <utility>

namespace creel::host {
namespace {

constexpr std::uint32_t kMostOffers = 16;
constexpr std::size_t kLongestName = 64;

constexpr std::array<std::pair<std::uint32_t, std::string_view>, 4> kKinds{{
    {CREEL_KIND_DETECTOR, "detector"},
    {CREEL_KIND_SHUTTER, "shutter"},
    {CREEL_KIND_STAGE, "stage"},
    {CREEL_KIND_GAUGE, "gauge"},
}};

Error unfit(const std::string& path, const std::string& why) {
  return {ErrorCode::invalid_request, "plugin " + path + ": " + why};
}

// The growth rule of the ABI: what an older driver lacks reads as zero, what a newer one adds is
// not seen.
template <class Table>
Table copy_table(const Table* theirs) {
  Table ours{};
  if (theirs != nullptr) {
    const std::size_t bytes = std::min<std::size_t>(theirs->struct_size, sizeof ours);
    std::memcpy(static_cast<void*>(&ours), static_cast<const void*>(theirs), bytes);
  }
  return ours;
}

Calls copy_offer(const creel_offer& theirs) {
  const creel_offer offer = copy_table(&theirs);
  Calls calls;
  calls.kind = offer.kind;
  calls.device = copy_table(offer.device);
  calls.detector = copy_table(offer.kind == CREEL_KIND_DETECTOR ? offer.detector : nullptr);
  calls.shutter = copy_table(offer.kind == CREEL_KIND_SHUTTER ? offer.shutter : nullptr);
  calls.stage = copy_table(offer.kind == CREEL_KIND_STAGE ? offer.stage : nullptr);
  calls.gauge = copy_table(offer.kind == CREEL_KIND_GAUGE ? offer.gauge : nullptr);
  return calls;
}

void add_kind_slots(const Calls& calls, std::vector<Slot>& slots) {
  const auto add = [&](std::string_view name, bool required, auto call) {
    slots.push_back({kind_text(calls.kind), name, required, call != nullptr});
  };
  switch (calls.kind) {
    case CREEL_KIND_DETECTOR:
      add("arm", true, calls.detector.arm);
      add("start", true, calls.detector.start);
      add("read_frame", true, calls.detector.read_frame);
      add("stop", true, calls.detector.stop);
      break;
    case CREEL_KIND_SHUTTER:
      add("open_shutter", true, calls.shutter.open_shutter);
      add("renew", false, calls.shutter.renew);
      add("close_shutter", true, calls.shutter.close_shutter);
      add("state", true, calls.shutter.state);
      break;
    case CREEL_KIND_STAGE:
      add("move", true, calls.stage.move);
      add("position", true, calls.stage.position);
      break;
    case CREEL_KIND_GAUGE:
      add("read", true, calls.gauge.read);
      break;
    default:
      break;
  }
}

}  // namespace

std::string_view kind_text(std::uint32_t kind) {
  const auto* found = std::find_if(kKinds.begin(), kKinds.end(),
                                   [kind](const auto& known) { return known.first == kind; });
  return found == kKinds.end() ? "unknown kind" : found->second;
}

std::uint32_t kind_from(std::string_view name) {
  const auto* found = std::find_if(kKinds.begin(), kKinds.end(),
                                   [name](const auto& known) { return known.second == name; });
  return found == kKinds.end() ? 0 : found->first;
}

std::vector<Slot> slots_of(const Calls& calls) {
  std::vector<Slot> slots;
  const auto add = [&](std::string_view name, bool required, auto call) {
    slots.push_back({"device", name, required, call != nullptr});
  };
  add("open", true, calls.device.open);
  add("close", true, calls.device.close);
  add("describe", true, calls.device.describe);
  add("settings", true, calls.device.settings);
  add("set", false, calls.device.set);
  add("make_safe", true, calls.device.make_safe);
  add("last_error", true, calls.device.last_error);
  add_kind_slots(calls, slots);
  return slots;
}

std::string driver_text(const char* text, std::size_t most) {
  if (text == nullptr) {
    return {};
  }
  const std::string raw(text, ::strnlen(text, most));
  // nlohmann's replacing writer and its reader together turn invalid bytes into U+FFFD.
  using nlohmann::json;
  const std::string valid = json(raw).dump(-1, ' ', false, json::error_handler_t::replace);
  return json::parse(valid, nullptr, false).get<std::string>();
}

Result<Plugin> load_plugin(const std::string& path) {
  void* library = ::dlopen(path.c_str(), RTLD_NOW | RTLD_LOCAL);
  if (library == nullptr) {
    const char* why = ::dlerror();
    return unfit(path,
                 std::string("cannot be loaded: ") + (why != nullptr ? why : "no reason given"));
  }
  auto* entry = reinterpret_cast<creel_plugin_entry_fn>(::dlsym(library, "creel_plugin_entry"));
  if (entry == nullptr) {
    return unfit(path, "is not a Creel driver: it does not export creel_plugin_entry");
  }
  const creel_plugin* theirs = entry();
  if (theirs == nullptr) {
    return unfit(path, "creel_plugin_entry gave NULL");
  }
  const creel_plugin copy = copy_table(theirs);
  if (copy.abi_major != CREEL_ABI_MAJOR) {
    return unfit(path, "was built for driver ABI " + std::to_string(copy.abi_major) +
                           "; this host speaks ABI " + std::to_string(CREEL_ABI_MAJOR) +
                           ": build the driver again");
  }
  if (copy.offers == nullptr || copy.offer_count == 0 || copy.offer_count > kMostOffers) {
    return unfit(path, "offers " + std::to_string(copy.offer_count) + " devices; must be 1 to " +
                           std::to_string(kMostOffers));
  }
  Plugin plugin{driver_text(copy.name, kLongestName),
                driver_text(copy.version, kLongestName),
                copy.abi_major,
                {}};
  for (std::uint32_t i = 0; i < copy.offer_count; ++i) {
    if (copy.offers[i] == nullptr) {
      return unfit(path, "offer " + std::to_string(i) + " is NULL");
    }
    plugin.offers.push_back(copy_offer(*copy.offers[i]));
  }
  return plugin;
}

Result<Calls> offer_of(const Plugin& plugin, std::uint32_t kind) {
  std::string offered;
  for (const Calls& calls : plugin.offers) {
    if (calls.kind != kind) {
      offered += (offered.empty() ? "" : ", ") + std::string(kind_text(calls.kind));
      continue;
    }
    std::string missing;
    for (const Slot& slot : slots_of(calls)) {
      if (slot.required && !slot.filled) {
        missing += (missing.empty() ? "" : ", ") + std::string(slot.name);
      }
    }
    if (!missing.empty()) {
      return Error{ErrorCode::invalid_request, "driver " + plugin.name + ", " +
                                                   std::string(kind_text(kind)) +
                                                   ": lacks the required calls " + missing};
    }
    return calls;
  }
  return Error{ErrorCode::invalid_request, "driver " + plugin.name + ": offers no " +
                                               std::string(kind_text(kind)) + "; it offers " +
                                               offered};
}

}  // namespace creel::host
