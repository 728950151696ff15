// One simulated rig without a daemon: its devices through the C ABI, one clock, shared memory.
#pragma once

#include <dlfcn.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <string>
#include <vector>

#include "protocol/driver/creel_driver.h"

namespace creel::testing_rig {

constexpr std::int64_t kMillisecond = 1'000'000;

inline const creel_plugin* plugin(const char* name) {
  const char* folder = std::getenv("CREEL_DRIVERS");
  const std::string path = std::string(folder == nullptr ? "." : folder) + "/" + name + ".so";
  void* library = dlopen(path.c_str(), RTLD_NOW | RTLD_LOCAL);
  EXPECT_NE(library, nullptr) << dlerror();
  return reinterpret_cast<creel_plugin_entry_fn>(dlsym(library, "creel_plugin_entry"))();
}

/// One rig: a clock that moves when someone waits, memory that all devices share.
class Rig {
 public:
  explicit Rig(std::uint64_t seed = 5) : seed_(seed), memory_(1 << 18) {
    services_ = {sizeof(creel_services),
                 0,
                 this,
                 [](void* self) { return static_cast<Rig*>(self)->now; },
                 [](void* self, std::int64_t until) {
                   auto& time = static_cast<Rig*>(self)->now;
                   time = std::max(time, until);
                   return std::int32_t{0};
                 },
                 [](void*, std::int32_t, const char*) {},
                 [](void* self, std::uint64_t* bytes) -> void* {
                   *bytes = static_cast<Rig*>(self)->memory_.size() * 8;
                   return static_cast<Rig*>(self)->memory_.data();
                 },
                 [](void* self) { return static_cast<Rig*>(self)->seed_; }};
  }
  const creel_services* services() const { return &services_; }
  std::int64_t now = 1000 * kMillisecond;

 private:
  std::uint64_t seed_;
  std::vector<std::uint64_t> memory_;
  creel_services services_{};
};

class Device {
 public:
  Device(Rig& rig, std::uint32_t kind, const std::string& config, const char* name = "simulated") {
    const creel_plugin* from = plugin(name);
    for (std::uint32_t i = 0; i < from->offer_count; ++i) {
      offer = from->offers[i]->kind == kind ? from->offers[i] : offer;
    }
    result = offer->device->open(config.c_str(), rig.services(), &device);
  }
  ~Device() { offer->device->close(device); }
  Device(const Device&) = delete;

  creel_shutter_state open() { return order(true); }
  creel_shutter_state close() { return order(false); }
  creel_shutter_state order(bool opening) {
    creel_shutter_state state{};
    state.struct_size = sizeof state;
    last = opening ? offer->shutter->open_shutter(device, 1000 * kMillisecond, &state)
                   : offer->shutter->close_shutter(device, &state);
    return state;
  }
  void arm(std::uint32_t frames, std::int64_t exposure_ns) {
    exposure = {};
    exposure.struct_size = sizeof exposure;
    exposure.frames = frames;
    exposure.exposure_ns = exposure_ns;
    ASSERT_EQ(offer->detector->arm(device, &exposure), 0);
  }
  std::vector<std::uint16_t> read() {
    std::vector<std::uint16_t> frame(std::size_t{exposure.rows} * exposure.columns *
                                     exposure.frames_per_block);
    info = {};
    info.struct_size = sizeof info;
    last = offer->detector->read_frame(device, frame.data(), frame.size() * 2, &info, 1'000'000);
    EXPECT_GT(last, 0) << offer->device->last_error(device);
    return frame;
  }
  std::vector<std::uint16_t> take(std::int64_t exposure_ns) {
    arm(1, exposure_ns);
    EXPECT_EQ(offer->detector->start(device), 0);
    return read();
  }

  const creel_offer* offer = nullptr;
  creel_device* device = nullptr;
  creel_exposure exposure{};
  creel_frame_info info{};
  std::int32_t result = 0;
  std::int64_t last = 0;
};

}  // namespace creel::testing_rig
