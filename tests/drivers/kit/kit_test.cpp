// What the kit does around a driver, with a driver that misbehaves.
#include "drivers/kit/kit.h"

#include <gtest/gtest.h>

#include <cstring>

namespace creel::kit {
namespace {

class Clumsy : public Gauge {
 public:
  Clumsy(const nlohmann::json& config, Services) {
    if (config.contains("fail")) {
      throw Failure(CREEL_E_DEVICE_LOST, "nothing is plugged in");
    }
    if (config.contains("throw")) {
      throw 42;
    }
  }
  nlohmann::json describe() override { return {{"identity", {{"maker", "x"}}}}; }
  void make_safe() override { throw std::runtime_error("cannot"); }
  std::vector<Channel> channels() const override { return {{"a", "V", "one"}}; }
  std::vector<creel_reading> read() override {
    throw Failure(CREEL_E_TIMEOUT, "no answer from the meter");
  }
};

class Steady : public Detector {
 public:
  Steady(const nlohmann::json&, Services) {}
  nlohmann::json describe() override { return nlohmann::json::object(); }
  void set(const std::string&, const nlohmann::json& value) override {
    std::ignore = value.get<int>();
  }
  void arm(creel_exposure& exposure) override {
    exposure.rows = exposure.columns = exposure.frames_per_block = 1;
    exposure.pixel = CREEL_PIXEL_U8;
  }
  void start() override { next_ = 0; }
  std::size_t read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                         std::uint32_t) override {
    buffer[0] = std::byte{1};
    info.frames = 1;
    info.first = next_++;
    return 1;
  }
  void stop() override {}

 private:
  std::uint64_t next_ = 0;
};

struct Services0 {
  creel_services services{sizeof(creel_services),
                          0,
                          nullptr,
                          [](void*) { return std::int64_t{5}; },
                          [](void*, std::int64_t) { return std::int32_t{0}; },
                          [](void*, std::int32_t, const char*) {},
                          [](void*, std::uint64_t*) -> void* { return nullptr; },
                          [](void*) { return std::uint64_t{1}; }};
};

TEST(Kit, WhateverADriverThrowsBecomesACodeAndASentence) {
  const creel_offer* offered = offer<Clumsy>();
  const Services0 host;
  creel_device* device = nullptr;
  EXPECT_EQ(offered->device->open(R"({"fail": 1})", &host.services, &device), CREEL_E_DEVICE_LOST);
  EXPECT_EQ(device, nullptr);
  EXPECT_STREQ(offered->device->last_error(nullptr), "nothing is plugged in");
  EXPECT_EQ(offered->device->open(R"({"throw": 1})", &host.services, &device), CREEL_E_INTERNAL);
  ASSERT_EQ(offered->device->open("{}", &host.services, &device), 0);
  creel_reading reading{};
  EXPECT_EQ(offered->gauge->read(device, &reading, 1), CREEL_E_TIMEOUT);
  EXPECT_STREQ(offered->device->last_error(device), "no answer from the meter");
  EXPECT_EQ(offered->device->make_safe(device), CREEL_E_INTERNAL);
  EXPECT_STREQ(offered->device->last_error(device), "the driver failed: cannot");
  offered->device->close(device);
}

TEST(Kit, AnOlderHostWithFewerServicesIsRefused) {
  Services0 host;
  host.services.struct_size = 16;
  creel_device* device = nullptr;
  EXPECT_EQ(offer<Clumsy>()->device->open("{}", &host.services, &device), CREEL_E_INVALID);
}

TEST(Kit, SetIsOfferedOnlyByDriversThatHaveSettings) {
  EXPECT_EQ(offer<Clumsy>()->device->set, nullptr);
  EXPECT_NE(offer<Steady>()->device->set, nullptr);
}

TEST(Kit, AValueOfTheWrongKindIsTheCallersFault) {
  const Services0 host;
  const creel_offer* offered = offer<Steady>();
  creel_device* device = nullptr;
  ASSERT_EQ(offered->device->open("{}", &host.services, &device), 0);
  EXPECT_EQ(offered->device->set(device, "x", "\"text\""), CREEL_E_INVALID);
  EXPECT_EQ(offered->device->set(device, "x", "3"), 0);
  offered->device->close(device);
}

TEST(Kit, AcquisitionEndsWithItsLastFrame) {
  const Services0 host;
  const creel_offer* offered = offer<Steady>();
  creel_device* device = nullptr;
  ASSERT_EQ(offered->device->open("{}", &host.services, &device), 0);
  creel_exposure exposure{};
  exposure.struct_size = sizeof exposure;
  exposure.frames = 2;
  ASSERT_EQ(offered->detector->arm(device, &exposure), 0);
  ASSERT_EQ(offered->detector->start(device), 0);
  std::uint8_t pixel = 0;
  creel_frame_info info{};
  info.struct_size = sizeof info;
  EXPECT_EQ(offered->detector->read_frame(device, &pixel, 1, &info, 1), 1);
  EXPECT_EQ(offered->detector->read_frame(device, &pixel, 1, &info, 1), 1);
  EXPECT_EQ(info.first, 1u);
  EXPECT_EQ(offered->detector->read_frame(device, &pixel, 1, &info, 1), CREEL_E_STATE);
  offered->device->close(device);
}

}  // namespace
}  // namespace creel::kit
