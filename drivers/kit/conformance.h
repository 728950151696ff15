// The conformance suite: every promise of protocol/driver/creel_driver.h as a test, run in-process
// over a built plugin. For a new driver write one test program:
//
//   #include "drivers/kit/conformance.h"      // in one .cpp of the program only: it defines tests
//   using namespace creel::kit::conformance;
//   INSTANTIATE_TEST_SUITE_P(Mine, AnyDevice, testing::Values(Subject{"mine", CREEL_KIND_GAUGE,
//   "{}"})); INSTANTIATE_TEST_SUITE_P(Mine, GaugeDevice, testing::Values(Subject{"mine",
//   CREEL_KIND_GAUGE, "{}"}));
//
// and one of DetectorDevice, ShutterDevice, StageDevice, GaugeDevice besides AnyDevice for each
// kind offered. The plugin is looked for in the folder that the environment variable CREEL_DRIVERS
// names.
//
// The host is played by FakeHost, with a clock of its own: in "stepping" every wait ends at once
// and moves time; in "holding" time stands and a wait ends only when the device is made safe or
// stopped; "real" is for devices whose exposures take real time.
#pragma once

#include <dlfcn.h>
#include <gtest/gtest.h>

#include <array>
#include <chrono>
#include <cmath>
#include <condition_variable>
#include <cstddef>
#include <cstdlib>
#include <cstring>
#include <functional>
#include <future>
#include <limits>
#include <mutex>
#include <nlohmann/json.hpp>
#include <regex>
#include <string>
#include <thread>
#include <vector>

#include "protocol/driver/creel_driver.h"

namespace creel::kit::conformance {

/// What is tested: one kind of device of one plugin, opened with this config.
struct Subject {
  std::string plugin;
  std::uint32_t kind = 0;
  std::string config = "{}";
  bool real_time = false;                 ///< a real device: its exposures take real time
  std::int64_t exposure_ns = 10'000'000;  ///< a usual exposure, for detectors
  bool own_beat = false;  ///< a stand-in that sends frames on its own beat, not after exposing
  std::function<void()> before = [] {};  ///< called before each test; may skip it
};
inline void PrintTo(const Subject& subject, std::ostream* out) {
  *out << subject.plugin << " kind " << subject.kind << " " << subject.config;
}

class FakeHost {
 public:
  enum class Clock { stepping, holding, real };

  FakeHost() : memory_(1 << 17) {
    services_ = {sizeof(creel_services), 0, this, now, wait, log, shared, seed};
  }
  const creel_services* services() const { return &services_; }
  void clock(Clock clock) {
    const std::lock_guard lock(mutex_);
    clock_ = clock;
  }
  std::int64_t now_ns() {
    const std::lock_guard lock(mutex_);
    return read_clock();
  }
  /// From here on waits end at once as cancelled, as the host sees to before make_safe, stop and
  /// close.
  void cancel() {
    const std::lock_guard lock(mutex_);
    cancelled_ = true;
    changed_.notify_all();
  }
  void go_on() {
    const std::lock_guard lock(mutex_);
    cancelled_ = false;
  }
  /// Returns when some thread waits (or after two seconds: the test then fails by what follows).
  void await_a_wait() {
    std::unique_lock lock(mutex_);
    changed_.wait_for(lock, std::chrono::seconds(2), [this] { return waiting_ > 0; });
  }

 private:
  static FakeHost* self(void* context) { return static_cast<FakeHost*>(context); }
  static std::int64_t now(void* context) { return self(context)->now_ns(); }
  static void log(void*, std::int32_t, const char* text) { std::printf("  driver: %s\n", text); }
  static std::uint64_t seed(void*) { return 20240229; }
  static void* shared(void* context, std::uint64_t* bytes) {
    *bytes = self(context)->memory_.size() * 8;
    return self(context)->memory_.data();
  }
  static std::int32_t wait(void* context, std::int64_t until) {
    return self(context)->wait_until(until);
  }

  std::int64_t read_clock() {
    if (clock_ == Clock::real) {
      const auto since = std::chrono::steady_clock::now() - started_;
      return 1'000'000'000 + std::chrono::duration_cast<std::chrono::nanoseconds>(since).count();
    }
    return now_;
  }
  std::int32_t wait_until(std::int64_t until) {
    std::unique_lock lock(mutex_);
    ++waiting_;
    changed_.notify_all();
    if (clock_ == Clock::stepping) {
      now_ = cancelled_ ? now_ : std::max(now_, until);
    } else if (clock_ == Clock::holding) {
      changed_.wait(lock, [&] { return cancelled_ || now_ >= until; });
    } else {
      const auto time = started_ + std::chrono::nanoseconds(until - 1'000'000'000);
      changed_.wait_until(lock, time, [this] { return cancelled_; });
    }
    --waiting_;
    return cancelled_ ? CREEL_E_CANCELLED : 0;
  }

  creel_services services_{};
  std::vector<std::uint64_t> memory_;
  std::mutex mutex_;
  std::condition_variable changed_;
  Clock clock_ = Clock::stepping;
  std::int64_t now_ = 1'000'000'000;
  std::chrono::steady_clock::time_point started_ = std::chrono::steady_clock::now();
  bool cancelled_ = false;
  int waiting_ = 0;
};

/// The plugin of this name; the test fails and nullptr comes back when it does not load.
inline const creel_plugin* load(const std::string& name) {
  const char* folder = std::getenv("CREEL_DRIVERS");
  const std::string path = std::string(folder == nullptr ? "." : folder) + "/" + name + ".so";
  void* library = dlopen(path.c_str(), RTLD_NOW | RTLD_LOCAL);  // stays loaded, as in the host
  if (library == nullptr) {
    ADD_FAILURE() << path << ": " << dlerror();
    return nullptr;
  }
  const auto entry = reinterpret_cast<creel_plugin_entry_fn>(dlsym(library, "creel_plugin_entry"));
  if (entry == nullptr) {
    ADD_FAILURE() << path << " does not export creel_plugin_entry";
    return nullptr;
  }
  EXPECT_EQ(entry(), entry()) << "the entry must return static storage";
  return entry();
}

class Fixture : public testing::TestWithParam<Subject> {
 protected:
  void SetUp() override {
    GetParam().before();
    if (IsSkipped()) {
      return;
    }
    plugin_ = load(GetParam().plugin);
    ASSERT_NE(plugin_, nullptr);
    for (std::uint32_t i = 0; i < plugin_->offer_count; ++i) {
      if (plugin_->offers[i]->kind == GetParam().kind) {
        offer_ = plugin_->offers[i];
      }
    }
    ASSERT_NE(offer_, nullptr) << "the plugin does not offer kind " << GetParam().kind;
    usual_clock();
    ASSERT_EQ(calls()->open(GetParam().config.c_str(), host_.services(), &device_), 0)
        << calls()->last_error(nullptr);
    ASSERT_NE(device_, nullptr);
  }
  void TearDown() override {
    if (offer_ != nullptr) {
      host_.cancel();
      calls()->close(device_);
    }
  }
  void usual_clock() {
    host_.clock(GetParam().real_time ? FakeHost::Clock::real : FakeHost::Clock::stepping);
  }
  void standing_clock() {
    host_.clock(GetParam().real_time ? FakeHost::Clock::real : FakeHost::Clock::holding);
  }
  const creel_device_calls* calls() const { return offer_->device; }
  nlohmann::json description() { return nlohmann::json::parse(calls()->describe(device_)); }
  nlohmann::json settings() { return nlohmann::json::parse(calls()->settings(device_)); }
  /// The call failed with this code and said why.
  void refused(std::int64_t result, std::int32_t code) {
    EXPECT_EQ(result, code);
    EXPECT_STRNE(calls()->last_error(device_), "");
  }

  FakeHost host_;
  const creel_plugin* plugin_ = nullptr;
  const creel_offer* offer_ = nullptr;
  creel_device* device_ = nullptr;
};

class AnyDevice : public Fixture {};
class DetectorDevice : public Fixture {
 protected:
  const creel_detector_calls* detector() const { return offer_->detector; }
  creel_exposure asking(std::uint32_t frames) const {
    creel_exposure exposure{};
    exposure.struct_size = sizeof exposure;
    exposure.frames = frames;
    exposure.exposure_ns = GetParam().exposure_ns;
    return exposure;
  }
  creel_exposure armed(std::uint32_t frames) {
    creel_exposure exposure = asking(frames);
    EXPECT_EQ(detector()->arm(device_, &exposure), 0) << calls()->last_error(device_);
    return exposure;
  }
  static std::size_t frame_bytes(const creel_exposure& exposure) {
    if (exposure.pixel == CREEL_PIXEL_EVENT) {
      return exposure.most_events * sizeof(creel_event);
    }
    const std::size_t pixel = exposure.pixel == CREEL_PIXEL_U8    ? 1
                              : exposure.pixel == CREEL_PIXEL_U16 ? 2
                                                                  : 4;
    return pixel * exposure.rows * exposure.columns;
  }
  static creel_frame_info blank_info() {
    creel_frame_info info{};
    info.struct_size = sizeof info;
    return info;
  }
  /// The next block; waits up to about five seconds of real time for a real device.
  std::int64_t read(std::vector<std::uint8_t>& buffer, creel_frame_info& info) {
    for (int attempt = 0; attempt < 10; ++attempt) {
      info = blank_info();
      const std::int64_t bytes =
          detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 500);
      if (bytes != 0) {
        return bytes;
      }
    }
    return 0;
  }
  /// Takes `frames` frames and checks all that is promised about them.
  void acquire(std::uint32_t frames) {
    const creel_exposure exposure = armed(frames);
    ASSERT_EQ(detector()->start(device_), 0) << calls()->last_error(device_);
    check_frames(exposure, frames);
    std::vector<std::uint8_t> buffer(frame_bytes(exposure));
    creel_frame_info info = blank_info();
    refused(detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 10),
            CREEL_E_STATE);
  }
  void check_frames(const creel_exposure& exposure, std::uint32_t frames) {
    const std::size_t most = frame_bytes(exposure) * exposure.frames_per_block;
    std::vector<std::uint8_t> buffer(most + 64, 0xA5);
    std::uint64_t next = 0;
    std::int64_t last_ns = std::numeric_limits<std::int64_t>::min();
    while (next < frames) {
      creel_frame_info info = blank_info();
      std::fill(buffer.begin() + static_cast<std::ptrdiff_t>(most), buffer.end(), 0xA5);
      info = blank_info();
      const std::int64_t bytes = read_within(buffer, most, info);
      ASSERT_GT(bytes, 0) << calls()->last_error(device_);
      ASSERT_GE(info.frames, 1u);
      ASSERT_LE(info.frames, exposure.frames_per_block);
      EXPECT_EQ(static_cast<std::size_t>(bytes), info.frames * frame_bytes(exposure));
      ASSERT_GE(info.first, next) << "indices must not go back";
      EXPECT_GE(info.start_ns, last_ns);
      EXPECT_EQ(info.exposure_ns, exposure.exposure_ns);
      EXPECT_EQ(info.flags & ~(CREEL_FRAME_SATURATED | CREEL_FRAME_INCOMPLETE), 0u);
      for (std::size_t i = most; i < buffer.size(); ++i) {
        ASSERT_EQ(buffer[i], 0xA5) << "the driver wrote past the end of the buffer";
      }
      check_events(exposure, buffer, info);
      next = info.first + info.frames;
      last_ns = info.start_ns;
    }
    EXPECT_EQ(next, frames) << "more frames than were asked for";
  }
  /// What is promised about the events of one frame; frames of pixels have none.
  void check_events(const creel_exposure& exposure, const std::vector<std::uint8_t>& buffer,
                    const creel_frame_info& info) {
    if (exposure.pixel != CREEL_PIXEL_EVENT) {
      EXPECT_EQ(info.events, 0u);
      EXPECT_EQ(info.events_lost, 0u);
      return;
    }
    ASSERT_LE(info.events, exposure.most_events);
    EXPECT_TRUE(info.events_lost == 0 || (info.flags & CREEL_FRAME_SATURATED) != 0)
        << "a list without room for more is saturated";
    const bool sorted = description().at("events").at("sorted").get<bool>();
    const auto latest = static_cast<std::uint64_t>(info.exposure_ns) * 1000;
    std::uint64_t last_ps = 0;
    for (std::uint64_t i = 0; i < info.events; ++i) {
      creel_event event{};
      std::memcpy(&event, buffer.data() + i * sizeof event, sizeof event);
      ASSERT_LT(event.column, exposure.columns) << "event " << i;
      ASSERT_LT(event.row, exposure.rows) << "event " << i;
      ASSERT_LE(event.time_ps, latest) << "event " << i << " lies outside its frame";
      ASSERT_TRUE(!sorted || event.time_ps >= last_ps) << "event " << i << " is out of order";
      last_ps = event.time_ps;
    }
  }
  std::int64_t read_within(std::vector<std::uint8_t>& buffer, std::size_t most,
                           creel_frame_info& info) {
    for (int attempt = 0; attempt < 10; ++attempt) {
      info = blank_info();
      const std::int64_t bytes = detector()->read_frame(device_, buffer.data(), most, &info, 500);
      if (bytes != 0) {
        return bytes;
      }
    }
    return 0;
  }
  /// A read_frame that waits in another thread ends as cancelled when `end` is called.
  void ends_a_waiting_read(const std::function<std::int32_t()>& end) {
    creel_exposure exposure = asking(0);
    exposure.exposure_ns = 3'000'000'000;
    ASSERT_EQ(detector()->arm(device_, &exposure), 0) << calls()->last_error(device_);
    ASSERT_EQ(detector()->start(device_), 0) << calls()->last_error(device_);
    standing_clock();
    std::vector<std::uint8_t> buffer(frame_bytes(exposure) * exposure.frames_per_block);
    auto waiting = std::async(std::launch::async, [&] {
      std::int64_t result = 0;
      do {  // a stand-in may deliver at first
        creel_frame_info info = blank_info();
        result = detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 60'000);
      } while (GetParam().own_beat && result > 0);
      return result;
    });
    if (GetParam().real_time) {
      std::this_thread::sleep_for(std::chrono::milliseconds(100));
    } else {
      host_.await_a_wait();
    }
    host_.cancel();
    EXPECT_EQ(end(), 0);
    EXPECT_EQ(waiting.get(), CREEL_E_CANCELLED);
    host_.go_on();
    usual_clock();
    acquire(1);  // and the detector still works
  }
};
class ShutterDevice : public Fixture {
 protected:
  const creel_shutter_calls* shutter() const { return offer_->shutter; }
  static creel_shutter_state blank_state() {
    creel_shutter_state state{};
    state.struct_size = sizeof state;
    return state;
  }
  creel_shutter_state where() {
    creel_shutter_state state = blank_state();
    EXPECT_EQ(shutter()->state(device_, &state), 0) << calls()->last_error(device_);
    return state;
  }
  bool measures() { return description().at("measures").get<bool>(); }
  void expect_measured(const creel_shutter_state& state, std::int32_t position) {
    EXPECT_EQ(state.measured, measures() ? position : CREEL_SHUTTER_NOT_MEASURED);
  }
  /// Lets the time of one travel pass.
  void wait_for_travel() {
    const auto travel = description().at("travel_ns").get<std::int64_t>();
    const creel_services* services = host_.services();
    services->wait_until_ns(services->context, host_.now_ns() + travel);
  }
};
class StageDevice : public Fixture {};
class GaugeDevice : public Fixture {};
GTEST_ALLOW_UNINSTANTIATED_PARAMETERIZED_TEST(AnyDevice);
GTEST_ALLOW_UNINSTANTIATED_PARAMETERIZED_TEST(DetectorDevice);
GTEST_ALLOW_UNINSTANTIATED_PARAMETERIZED_TEST(ShutterDevice);
GTEST_ALLOW_UNINSTANTIATED_PARAMETERIZED_TEST(StageDevice);
GTEST_ALLOW_UNINSTANTIATED_PARAMETERIZED_TEST(GaugeDevice);

// ---- every kind ----

TEST_P(AnyDevice, PluginDeclaresItselfAsTheHeaderSays) {
  EXPECT_GE(plugin_->struct_size, sizeof(creel_plugin));
  EXPECT_EQ(plugin_->abi_major, CREEL_ABI_MAJOR);
  EXPECT_TRUE(std::regex_match(plugin_->name, std::regex("[a-z0-9-]+"))) << plugin_->name;
  EXPECT_STRNE(plugin_->version, "");
  ASSERT_GE(plugin_->offer_count, 1u);
  for (std::uint32_t i = 0; i < plugin_->offer_count; ++i) {
    const creel_offer* offer = plugin_->offers[i];
    ASSERT_NE(offer, nullptr);
    EXPECT_GE(offer->struct_size, sizeof(creel_offer));
    EXPECT_EQ(offer->detector != nullptr, offer->kind == CREEL_KIND_DETECTOR);
    EXPECT_EQ(offer->shutter != nullptr, offer->kind == CREEL_KIND_SHUTTER);
    EXPECT_EQ(offer->stage != nullptr, offer->kind == CREEL_KIND_STAGE);
    EXPECT_EQ(offer->gauge != nullptr, offer->kind == CREEL_KIND_GAUGE);
    ASSERT_NE(offer->device, nullptr);
    EXPECT_GE(offer->device->struct_size, sizeof(creel_device_calls));
  }
  EXPECT_NE(calls()->open, nullptr);
  EXPECT_NE(calls()->close, nullptr);
  EXPECT_NE(calls()->describe, nullptr);
  EXPECT_NE(calls()->settings, nullptr);
  EXPECT_NE(calls()->make_safe, nullptr);
  EXPECT_NE(calls()->last_error, nullptr);
}

TEST_P(AnyDevice, OpenRefusesABadConfigAndSaysWhy) {
  calls()->close(device_);
  device_ = nullptr;
  for (const char* config : {"not json", "[]", "", R"({"no_such_field_at_all": 1})"}) {
    creel_device* opened = reinterpret_cast<creel_device*>(this);
    EXPECT_EQ(calls()->open(config, host_.services(), &opened), CREEL_E_INVALID) << config;
    EXPECT_EQ(opened, nullptr) << config;
    EXPECT_STRNE(calls()->last_error(nullptr), "") << config;
  }
}

TEST_P(AnyDevice, NoErrorBeforeAnyFailure) {
  ASSERT_NE(calls()->last_error(device_), nullptr);
  EXPECT_STREQ(calls()->last_error(device_), "");
  ASSERT_NE(calls()->last_error(nullptr), nullptr);
}

TEST_P(AnyDevice, NullDeviceIsRefusedAndClosingItIsAllowed) {
  calls()->close(nullptr);
  EXPECT_EQ(calls()->make_safe(nullptr), CREEL_E_INVALID);
}

TEST_P(AnyDevice, DescribesItsIdentity) {
  const nlohmann::json description =
      nlohmann::json::parse(calls()->describe(device_), nullptr, false);
  ASSERT_TRUE(description.is_object());
  for (const char* field : {"maker", "model", "serial", "firmware"}) {
    ASSERT_TRUE(description.at("identity").contains(field)) << field;
    ASSERT_TRUE(description["identity"][field].is_string()) << field;
    EXPECT_NE(description["identity"][field].get<std::string>(), "")
        << field << ": say \"unknown\"";
  }
  ASSERT_TRUE(description.at("settings").is_object());
  for (const auto& [name, setting] : description["settings"].items()) {
    EXPECT_TRUE(std::regex_match(setting.at("type").get<std::string>(),
                                 std::regex("number|integer|text|flag")));
    EXPECT_TRUE(setting.at("unit").is_string()) << name;
  }
}

TEST_P(AnyDevice, SettingsAreReadBackAsTheyWereSet) {
  const nlohmann::json described = description().at("settings");
  EXPECT_TRUE(settings().is_object());
  if (!described.empty()) {
    ASSERT_NE(calls()->set, nullptr);
  }
  for (const auto& [name, setting] : described.items()) {
    ASSERT_TRUE(settings().contains(name)) << name;
    const nlohmann::json before = settings().at(name);
    EXPECT_EQ(calls()->set(device_, name.c_str(), before.dump().c_str()), 0)
        << name << " = " << before << ": " << calls()->last_error(device_);
    if (!setting.contains("min") || !setting.contains("max")) {
      continue;
    }
    const double least = setting.at("min").get<double>();
    const double most = setting.at("max").get<double>();
    nlohmann::json middle = setting.at("type") == "integer"
                                ? nlohmann::json(std::llround((least + most) / 2))
                                : nlohmann::json(0.5 * (least + most));
    EXPECT_EQ(calls()->set(device_, name.c_str(), middle.dump().c_str()), 0)
        << calls()->last_error(device_);
    // The device rounds to what it can do.
    EXPECT_NEAR(settings().at(name).get<double>(), middle.get<double>(), 0.01 * (most - least))
        << name;
    refused(calls()->set(device_, name.c_str(), std::to_string(most + std::fabs(most) + 1).c_str()),
            CREEL_E_INVALID);
    EXPECT_NEAR(settings().at(name).get<double>(), middle.get<double>(), 0.01 * (most - least))
        << name << " changed by a refused value";
    EXPECT_EQ(calls()->set(device_, name.c_str(), before.dump().c_str()), 0);
  }
}

TEST_P(AnyDevice, UnknownSettingsAndBrokenValuesAreRefused) {
  if (calls()->set == nullptr) {
    EXPECT_TRUE(description().at("settings").empty());
    return;
  }
  refused(calls()->set(device_, "no_such_setting_at_all", "1"), CREEL_E_INVALID);
  const nlohmann::json described = description().at("settings");
  for (const auto& [name, setting] : described.items()) {
    refused(calls()->set(device_, name.c_str(), "{\"not\": "), CREEL_E_INVALID);
    refused(calls()->set(device_, name.c_str(), "[]"), CREEL_E_INVALID);
  }
  EXPECT_NE(calls()->set(device_, nullptr, nullptr), 0);
}

TEST_P(AnyDevice, MakeSafeMayBeRepeatedFromAnyThread) {
  for (int i = 0; i < 3; ++i) {
    EXPECT_EQ(calls()->make_safe(device_), 0);
  }
  std::array<std::future<std::int32_t>, 4> results;
  for (auto& result : results) {
    result = std::async(std::launch::async, [this] { return calls()->make_safe(device_); });
  }
  for (auto& result : results) {
    EXPECT_EQ(result.get(), 0);
  }
  EXPECT_TRUE(description().is_object());  // and it still answers
}

TEST_P(AnyDevice, ClosesAndOpensAgain) {
  calls()->close(device_);
  device_ = nullptr;
  EXPECT_EQ(calls()->open(GetParam().config.c_str(), host_.services(), &device_), 0)
      << calls()->last_error(nullptr);
}

// ---- detectors ----

TEST_P(DetectorDevice, DescribesWhatItCanDo) {
  const nlohmann::json description = this->description();
  EXPECT_GE(description.at("shape").at("rows").get<int>(), 1);
  EXPECT_GE(description.at("shape").at("columns").get<int>(), 1);
  EXPECT_TRUE(std::regex_match(description.at("pixel").get<std::string>(),
                               std::regex("u8|u16|u32|f32|event")));
  if (description["pixel"] == "event") {
    const auto& events = description.at("events");
    EXPECT_GE(events.at("most").get<std::int64_t>(), 1);
    EXPECT_TRUE(events.at("sorted").is_boolean());
    EXPECT_TRUE(events.at("time_resolution_ns").is_number() ||
                events["time_resolution_ns"] == "unknown");
  }
  const auto& exposure = description.at("exposure_ns");
  EXPECT_LE(exposure.at("min").get<std::int64_t>(), exposure.at("max").get<std::int64_t>());
  EXPECT_GE(exposure.at("step").get<std::int64_t>(), 1);
  EXPECT_TRUE(description.contains("readout_ns"));
  EXPECT_GE(description.at("frames_per_block").get<int>(), 1);
  const auto number_or_unknown = [](const nlohmann::json& value) {
    return value.is_number() || value == "unknown";
  };
  EXPECT_TRUE(number_or_unknown(description.at("saturation")));
  EXPECT_TRUE(number_or_unknown(description.at("gain").at("counts_per_electron")));
  EXPECT_TRUE(number_or_unknown(description.at("read_noise")));
  EXPECT_TRUE(description.at("triggers").is_array());
  EXPECT_TRUE(description.at("can_pause").is_boolean());
}

TEST_P(DetectorDevice, CallsInTheWrongStateAreRefused) {
  std::vector<std::uint8_t> buffer(64);
  creel_frame_info info = blank_info();
  refused(detector()->start(device_), CREEL_E_STATE);
  refused(detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 1), CREEL_E_STATE);
  EXPECT_EQ(detector()->stop(device_), 0);
  armed(2);
  refused(detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 1), CREEL_E_STATE);
  ASSERT_EQ(detector()->start(device_), 0) << calls()->last_error(device_);
  refused(detector()->start(device_), CREEL_E_STATE);
  creel_exposure exposure = asking(1);
  refused(detector()->arm(device_, &exposure), CREEL_E_STATE);
  if (calls()->set != nullptr) {
    const nlohmann::json described = description().at("settings");
    for (const auto& [name, setting] : described.items()) {
      refused(calls()->set(device_, name.c_str(), settings().at(name).dump().c_str()),
              CREEL_E_STATE);
    }
  }
  EXPECT_EQ(detector()->stop(device_), 0);
  EXPECT_EQ(detector()->stop(device_), 0) << "stop is repeatable";
}

TEST_P(DetectorDevice, ArmRoundsToWhatTheDeviceDoesAndFillsItsAnswer) {
  const nlohmann::json range = description().at("exposure_ns");
  const creel_exposure exposure = armed(1);
  EXPECT_GE(exposure.exposure_ns, range.at("min").get<std::int64_t>());
  EXPECT_LE(exposure.exposure_ns, range.at("max").get<std::int64_t>());
  EXPECT_GE(exposure.rows, 1u);
  EXPECT_GE(exposure.columns, 1u);
  EXPECT_GE(exposure.pixel, CREEL_PIXEL_U8);
  EXPECT_LE(exposure.pixel, CREEL_PIXEL_EVENT);
  EXPECT_GE(exposure.frames_per_block, 1u);
  if (exposure.pixel == CREEL_PIXEL_EVENT) {
    EXPECT_EQ(exposure.frames_per_block, 1u);
    EXPECT_GE(exposure.most_events, 1u);
    EXPECT_LE(exposure.most_events, 1u << 26);
    EXPECT_EQ(exposure.most_events, description().at("events").at("most").get<std::uint32_t>());
    EXPECT_EQ(exposure.rows, description().at("shape").at("rows").get<std::uint32_t>());
    EXPECT_EQ(exposure.columns, description().at("shape").at("columns").get<std::uint32_t>());
  } else {
    EXPECT_EQ(exposure.most_events, 0u);
  }
  EXPECT_GE(exposure.readout_ns, 0);
  creel_exposure again = exposure;
  ASSERT_EQ(detector()->arm(device_, &again), 0);
  EXPECT_EQ(again.exposure_ns, exposure.exposure_ns) << "what was rounded once stays as it is";
}

TEST_P(DetectorDevice, ArmRefusesImpossibleExposures) {
  creel_exposure exposure = asking(1);
  exposure.exposure_ns = -1;
  refused(detector()->arm(device_, &exposure), CREEL_E_INVALID);
  exposure = asking(1);
  exposure.exposure_ns = std::numeric_limits<std::int64_t>::max();
  refused(detector()->arm(device_, &exposure), CREEL_E_INVALID);
  exposure = asking(1);
  exposure.struct_size = 8;
  refused(detector()->arm(device_, &exposure), CREEL_E_INVALID);
  refused(detector()->arm(device_, nullptr), CREEL_E_INVALID);
}

TEST_P(DetectorDevice, DeliversAsManyFramesAsAskedThenRefuses) {
  acquire(1);
  acquire(5);
}

TEST_P(DetectorDevice, StartsAgainWithoutArmingAgain) {
  const creel_exposure exposure = armed(2);
  for (int run = 0; run < 2; ++run) {
    ASSERT_EQ(detector()->start(device_), 0) << calls()->last_error(device_);
    check_frames(exposure, 2);
  }
}

TEST_P(DetectorDevice, RunsUntilStoppedWhenNoNumberIsGiven) {
  const creel_exposure exposure = armed(0);
  ASSERT_EQ(detector()->start(device_), 0);
  std::vector<std::uint8_t> buffer(frame_bytes(exposure) * exposure.frames_per_block);
  std::uint64_t next = 0;
  for (int i = 0; i < 7; ++i) {
    creel_frame_info info = blank_info();
    ASSERT_GT(read(buffer, info), 0) << calls()->last_error(device_);
    EXPECT_GE(info.first, next);
    next = info.first + info.frames;
  }
  EXPECT_EQ(detector()->stop(device_), 0);
  creel_frame_info info = blank_info();
  refused(detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 1), CREEL_E_STATE);
}

TEST_P(DetectorDevice, StopEndsAWaitingRead) {
  ends_a_waiting_read([this] { return detector()->stop(device_); });
}

TEST_P(DetectorDevice, MakeSafeEndsAWaitingRead) {
  ends_a_waiting_read([this] { return calls()->make_safe(device_); });
}

TEST_P(DetectorDevice, NoFrameInTimeIsNotAnError) {
  creel_exposure exposure = asking(1);
  exposure.exposure_ns = 2'000'000'000;
  ASSERT_EQ(detector()->arm(device_, &exposure), 0) << calls()->last_error(device_);
  ASSERT_EQ(detector()->start(device_), 0);
  std::vector<std::uint8_t> buffer(frame_bytes(exposure) * exposure.frames_per_block);
  creel_frame_info info = blank_info();
  const std::int64_t bytes =
      detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 20);
  EXPECT_TRUE(bytes == 0 || (GetParam().own_beat && bytes > 0)) << bytes;
  EXPECT_EQ(detector()->stop(device_), 0);
}

TEST_P(DetectorDevice, ABufferTooSmallIsRefusedNotOverrun) {
  const creel_exposure exposure = armed(1);
  ASSERT_EQ(detector()->start(device_), 0);
  std::vector<std::uint8_t> buffer(frame_bytes(exposure), 0xA5);
  creel_frame_info info = blank_info();
  std::int64_t result = 0;
  for (int attempt = 0; attempt < 10 && result == 0; ++attempt) {
    result = detector()->read_frame(device_, buffer.data(), buffer.size() - 1, &info, 500);
  }
  refused(result, CREEL_E_INVALID);
  EXPECT_EQ(buffer.back(), 0xA5);
  info.struct_size = 4;
  refused(detector()->read_frame(device_, buffer.data(), buffer.size(), &info, 1), CREEL_E_INVALID);
  EXPECT_EQ(detector()->stop(device_), 0);
}

// ---- shutters ----

TEST_P(ShutterDevice, DescribesWhatItCanDo) {
  const nlohmann::json description = this->description();
  EXPECT_TRUE(description.at("measures").is_boolean());
  EXPECT_GE(description.at("travel_ns").get<std::int64_t>(), 0);
  EXPECT_TRUE(description.at("has_timer").is_boolean());
  EXPECT_EQ(description.at("has_timer").get<bool>(), shutter()->renew != nullptr);
}

TEST_P(ShutterDevice, ComesUpClosed) {
  wait_for_travel();
  const creel_shutter_state state = where();
  EXPECT_EQ(state.commanded, CREEL_SHUTTER_CLOSED);
  expect_measured(state, CREEL_SHUTTER_CLOSED);
  EXPECT_EQ(state.opened_ns, 0);
}

TEST_P(ShutterDevice, OpensAndClosesWithTimes) {
  const std::int64_t before = host_.now_ns();
  creel_shutter_state state = blank_state();
  ASSERT_EQ(shutter()->open_shutter(device_, 1'000'000'000, &state), 0)
      << calls()->last_error(device_);
  EXPECT_EQ(state.commanded, CREEL_SHUTTER_OPEN);
  expect_measured(state, CREEL_SHUTTER_OPEN);
  EXPECT_GE(state.opened_ns, before);
  EXPECT_LE(state.opened_ns, host_.now_ns());
  const std::int64_t opened = state.opened_ns;
  ASSERT_EQ(shutter()->close_shutter(device_, &state), 0) << calls()->last_error(device_);
  EXPECT_EQ(state.commanded, CREEL_SHUTTER_CLOSED);
  expect_measured(state, CREEL_SHUTTER_CLOSED);
  EXPECT_EQ(state.opened_ns, opened);
  EXPECT_GE(state.closed_ns, state.opened_ns);
  EXPECT_LE(state.closed_ns, host_.now_ns());
  ASSERT_EQ(shutter()->close_shutter(device_, &state), 0)
      << "closing a closed shutter is not an error";
}

TEST_P(ShutterDevice, SaysWhenItMovedIfItMeasuresThat) {
  const std::int64_t before = host_.now_ns();
  creel_shutter_state state = blank_state();
  ASSERT_EQ(shutter()->open_shutter(device_, 1'000'000'000, &state), 0);
  const std::int64_t between = host_.now_ns();
  EXPECT_EQ(state.opening_began_ns == 0, state.opening_ended_ns == 0) << "one without the other";
  if (state.opening_ended_ns != 0) {
    EXPECT_TRUE(measures());
    EXPECT_GE(state.opening_began_ns, before);
    EXPECT_LE(state.opening_began_ns, state.opened_ns);
    EXPECT_LE(state.opened_ns, state.opening_ended_ns);
    EXPECT_LE(state.opening_ended_ns, between);
  }
  const std::int64_t began = state.opening_began_ns;
  ASSERT_EQ(shutter()->close_shutter(device_, &state), 0);
  EXPECT_EQ(state.opening_began_ns, began) << "of the last opening, also after it closed";
  EXPECT_EQ(state.closing_began_ns == 0, state.closing_ended_ns == 0) << "one without the other";
  if (state.closing_ended_ns != 0) {
    EXPECT_GE(state.closing_began_ns, between);
    EXPECT_LE(state.closing_began_ns, state.closed_ns);
    EXPECT_LE(state.closed_ns, state.closing_ended_ns);
    EXPECT_LE(state.closing_ended_ns, host_.now_ns());
  }
}

TEST_P(ShutterDevice, FillsInNoMoreThanAnOlderHostHas) {
  creel_shutter_state state = blank_state();
  state.struct_size = offsetof(creel_shutter_state, opening_began_ns);
  state.opening_began_ns = state.closing_ended_ns = -77;
  ASSERT_EQ(shutter()->open_shutter(device_, 1'000'000'000, &state), 0)
      << calls()->last_error(device_);
  EXPECT_EQ(state.commanded, CREEL_SHUTTER_OPEN);
  EXPECT_EQ(state.struct_size, offsetof(creel_shutter_state, opening_began_ns));
  EXPECT_EQ(state.opening_began_ns, -77);
  EXPECT_EQ(state.closing_ended_ns, -77);
  EXPECT_EQ(shutter()->close_shutter(device_, &state), 0);
}

TEST_P(ShutterDevice, DoesNotOpenWithoutALease) {
  creel_shutter_state state = blank_state();
  refused(shutter()->open_shutter(device_, 0, &state), CREEL_E_INVALID);
  refused(shutter()->open_shutter(device_, -5, &state), CREEL_E_INVALID);
  state.struct_size = 8;
  refused(shutter()->open_shutter(device_, 1'000'000'000, &state), CREEL_E_INVALID);
  refused(shutter()->open_shutter(device_, 1'000'000'000, nullptr), CREEL_E_INVALID);
  wait_for_travel();
  EXPECT_EQ(where().commanded, CREEL_SHUTTER_CLOSED);
}

TEST_P(ShutterDevice, MakeSafeClosesAnOpenShutter) {
  creel_shutter_state state = blank_state();
  ASSERT_EQ(shutter()->open_shutter(device_, 1'000'000'000, &state), 0);
  EXPECT_EQ(calls()->make_safe(device_), 0);
  EXPECT_EQ(where().commanded, CREEL_SHUTTER_CLOSED);
  wait_for_travel();
  expect_measured(where(), CREEL_SHUTTER_CLOSED);
  EXPECT_GE(where().closed_ns, where().opened_ns);
  ASSERT_EQ(shutter()->open_shutter(device_, 1'000'000'000, &state), 0)
      << "it may be opened again afterwards";
}

TEST_P(ShutterDevice, MakeSafeClosesAShutterThatIsOpening) {
  if (GetParam().real_time || description().at("travel_ns").get<std::int64_t>() == 0) {
    GTEST_SKIP() << "opening cannot be held in the middle";
  }
  standing_clock();
  auto opening = std::async(std::launch::async, [this] {
    creel_shutter_state state = blank_state();
    return shutter()->open_shutter(device_, 1'000'000'000, &state);
  });
  host_.await_a_wait();
  host_.cancel();
  EXPECT_EQ(calls()->make_safe(device_), 0);
  EXPECT_EQ(opening.get(), CREEL_E_CANCELLED);
  host_.go_on();
  usual_clock();
  wait_for_travel();
  EXPECT_EQ(where().commanded, CREEL_SHUTTER_CLOSED);
  expect_measured(where(), CREEL_SHUTTER_CLOSED);
}

// ---- stages ----

TEST_P(StageDevice, MovesWithinItsRangesOnly) {
  const nlohmann::json axes = description().at("axes");
  ASSERT_FALSE(axes.empty());
  for (std::uint32_t i = 0; i < axes.size(); ++i) {
    EXPECT_NE(axes[i].at("name").get<std::string>(), "");
    EXPECT_TRUE(axes[i].at("unit").is_string());
    const double least = axes[i].at("min").get<double>();
    const double most = axes[i].at("max").get<double>();
    ASSERT_LT(least, most);
    for (const double target : {least, most, 0.25 * least + 0.75 * most}) {
      ASSERT_EQ(offer_->stage->move(device_, i, target), 0) << calls()->last_error(device_);
      double position = 0;
      ASSERT_EQ(offer_->stage->position(device_, i, &position), 0);
      EXPECT_NEAR(position, target, 0.01 * (most - least));
    }
    double before = 0;
    double after = 0;
    ASSERT_EQ(offer_->stage->position(device_, i, &before), 0);
    refused(offer_->stage->move(device_, i, most + 1), CREEL_E_INVALID);
    refused(offer_->stage->move(device_, i, std::nan("")), CREEL_E_INVALID);
    ASSERT_EQ(offer_->stage->position(device_, i, &after), 0);
    EXPECT_EQ(before, after) << "a refused movement moved it";
  }
  double position = 0;
  const auto beyond = static_cast<std::uint32_t>(axes.size());
  refused(offer_->stage->move(device_, beyond, 0), CREEL_E_INVALID);
  refused(offer_->stage->position(device_, beyond, &position), CREEL_E_INVALID);
  refused(offer_->stage->position(device_, 0, nullptr), CREEL_E_INVALID);
}

// ---- gauges ----

TEST_P(GaugeDevice, ReadsEveryChannel) {
  const nlohmann::json channels = description().at("channels");
  ASSERT_FALSE(channels.empty());
  for (const auto& channel : channels) {
    EXPECT_NE(channel.at("name").get<std::string>(), "");
    EXPECT_TRUE(channel.at("unit").is_string());
    EXPECT_TRUE(channel.at("description").is_string());
  }
  std::vector<creel_reading> readings(channels.size() + 1, creel_reading{-7, -7, -7, -7, 0});
  const std::int32_t count =
      offer_->gauge->read(device_, readings.data(), static_cast<std::uint32_t>(channels.size()));
  ASSERT_EQ(static_cast<std::size_t>(count), channels.size()) << calls()->last_error(device_);
  for (std::size_t i = 0; i < channels.size(); ++i) {
    EXPECT_TRUE(readings[i].valid == 0 || std::isfinite(readings[i].value));
    EXPECT_TRUE(std::isfinite(readings[i].uncertainty));
    EXPECT_LE(readings[i].taken_ns, host_.now_ns());
  }
  EXPECT_EQ(readings.back().taken_ns, -7) << "wrote past the capacity";
  refused(offer_->gauge->read(device_, readings.data(),
                              static_cast<std::uint32_t>(channels.size()) - 1),
          CREEL_E_INVALID);
}

}  // namespace creel::kit::conformance
