#include "drivers/kit/kit.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstring>
#include <mutex>

// The opaque type of the C header: everything the kit keeps for one open device.
struct creel_device {
  enum class State { open, armed, acquiring };

  std::unique_ptr<creel::kit::Device> device;
  creel::kit::Detector* detector = nullptr;  // the same object, as its kind
  creel::kit::Shutter* shutter = nullptr;
  creel::kit::Stage* stage = nullptr;
  creel::kit::Gauge* gauge = nullptr;

  std::atomic<State> state{State::open};
  std::atomic<std::uint64_t> run{
      0};  // counts starts, stops and ends: a read_frame that waited sees a change
  std::atomic<std::uint64_t> frames_asked{0};

  std::string description, settings;  // [control] what describe() and settings() last returned
  std::mutex error_mutex;
  std::string error;
};

namespace creel::kit {
namespace {

// open fails before there is a device to keep its sentence; one process opens one device.
thread_local std::string open_error;

void keep_error(creel_device* device, const std::string& sentence) {
  const std::lock_guard lock(device->error_mutex);
  device->error = sentence;
}

/// Runs `work`, turning whatever it throws into a code and a sentence for `report`.
template <class Work, class Report>
std::int64_t caught(Work&& work, Report&& report) noexcept {
  try {
    try {
      return work();
    } catch (const Failure& failure) {
      report(failure.what());
      return failure.code();
    } catch (const nlohmann::json::exception& fault) {
      report(std::string("a value is not of the kind that is allowed here: ") + fault.what());
      return CREEL_E_INVALID;
    } catch (const std::exception& fault) {
      report(std::string("the driver failed: ") + fault.what());
      return CREEL_E_INTERNAL;
    } catch (...) {
      report("the driver failed and did not say why");
      return CREEL_E_INTERNAL;
    }
  } catch (...) {  // not even the sentence could be kept
    return CREEL_E_INTERNAL;
  }
}

template <class Work>
std::int64_t guarded(creel_device* device, Work&& work) noexcept {
  if (device == nullptr) {
    return CREEL_E_INVALID;
  }
  return caught(work, [device](const std::string& sentence) { keep_error(device, sentence); });
}

template <class Work>
std::int32_t call(creel_device* device, Work&& work) noexcept {
  return static_cast<std::int32_t>(guarded(device, [&work]() -> std::int64_t {
    work();
    return 0;
  }));
}

void require(bool condition, std::int32_t code, const char* sentence) {
  if (!condition) {
    throw Failure(code, sentence);
  }
}

using State = creel_device::State;

// ---- every kind ----

void close_device(creel_device* device) noexcept {
  if (device == nullptr) {
    return;
  }
  call(device, [device] { device->device->make_safe(); });
  call(device, [device] { device->device.reset(); });
  delete device;
}

const char* describe(creel_device* device) noexcept {
  const auto work = [device] {
    nlohmann::json description = device->device->describe();
    if (device->stage != nullptr) {
      for (const Axis& axis : device->stage->axes()) {
        description["axes"].push_back(
            {{"name", axis.name}, {"unit", axis.unit}, {"min", axis.min}, {"max", axis.max}});
      }
    }
    if (device->gauge != nullptr) {
      for (const Channel& channel : device->gauge->channels()) {
        description["channels"].push_back(
            {{"name", channel.name}, {"unit", channel.unit}, {"description", channel.description}});
      }
    }
    device->description = description.dump();
  };
  return call(device, work) == 0 ? device->description.c_str() : "{}";
}

const char* settings(creel_device* device) noexcept {
  const auto work = [device] { device->settings = device->device->settings().dump(); };
  return call(device, work) == 0 ? device->settings.c_str() : "{}";
}

std::int32_t set(creel_device* device, const char* name, const char* value_json) noexcept {
  return call(device, [=] {
    require(name != nullptr && value_json != nullptr, CREEL_E_INVALID,
            "set: needs a name and a value");
    require(device->state != State::acquiring, CREEL_E_STATE,
            "set: not while frames are being taken; stop first");
    const nlohmann::json value = nlohmann::json::parse(value_json, nullptr, false);
    if (value.is_discarded()) {
      throw Failure(CREEL_E_INVALID, std::string("setting ") + name + ": given " + value_json +
                                         ", which is not a JSON value");
    }
    device->device->set(name, value);
  });
}

/// The acquisition is over; whoever waits in read_frame learns it from `run`.
void end_acquisition(creel_device* device) {
  State acquiring = State::acquiring;
  if (device->state.compare_exchange_strong(acquiring, State::armed)) {
    ++device->run;
  }
}

std::int32_t make_safe(creel_device* device) noexcept {
  return call(device, [device] {
    end_acquisition(device);
    device->device->make_safe();
  });
}

const char* last_error(creel_device* device) noexcept {
  // A copy for this thread: another thread may fail and change the sentence while the caller reads
  // it.
  thread_local std::array<char, 2048> copy;
  if (device == nullptr) {
    return open_error.c_str();
  }
  const std::lock_guard lock(device->error_mutex);
  const std::size_t length = std::min(device->error.size(), copy.size() - 1);
  std::copy_n(device->error.begin(), length, copy.begin());
  copy[length] = '\0';
  return copy.data();
}

// ---- detector ----

std::int32_t arm(creel_device* device, creel_exposure* exposure) noexcept {
  return call(device, [=] {
    require(exposure != nullptr && exposure->struct_size >= sizeof(creel_exposure), CREEL_E_INVALID,
            "arm: needs a creel_exposure with its size filled in");
    require(exposure->exposure_ns >= 0, CREEL_E_INVALID, "arm: exposure_ns is negative; least 0");
    require(device->state != State::acquiring, CREEL_E_STATE,
            "arm: not while frames are being taken; stop first");
    creel_exposure asked = *exposure;
    device->detector->arm(asked);
    *exposure = asked;
    device->frames_asked = asked.frames;
    device->state = State::armed;
  });
}

std::int32_t start(creel_device* device) noexcept {
  return call(device, [device] {
    require(device->state == State::armed, CREEL_E_STATE,
            device->state == State::open ? "start: arm first" : "start: already taking frames");
    ++device->run;
    device->state = State::acquiring;  // before start(): a stop() in between must not be lost
    try {
      device->detector->start();
    } catch (...) {
      end_acquisition(device);
      throw;
    }
  });
}

std::int64_t read_frame(creel_device* device, void* buffer, std::uint64_t buffer_bytes,
                        creel_frame_info* info, std::uint32_t timeout_ms) noexcept {
  return guarded(device, [=]() -> std::int64_t {
    require(buffer != nullptr && info != nullptr && info->struct_size >= sizeof(creel_frame_info),
            CREEL_E_INVALID, "read_frame: needs a buffer and a creel_frame_info with its size");
    require(device->state == State::acquiring, CREEL_E_STATE,
            "read_frame: no acquisition is running, or its last frame was read");
    const std::uint64_t run = device->run;
    creel_frame_info made{};
    made.struct_size = sizeof made;
    std::size_t bytes = 0;
    try {
      bytes = device->detector->read_frame({static_cast<std::byte*>(buffer), buffer_bytes}, made,
                                           timeout_ms);
    } catch (const Failure& failure) {
      if (failure.code() == CREEL_E_STATE && device->run == run) {
        end_acquisition(device);  // the last frames are lost: none will come
      }
      throw;
    }
    require(device->run == run, CREEL_E_CANCELLED, "read_frame: stopped");
    if (bytes == 0) {
      return 0;
    }
    *info = made;
    const std::uint64_t asked = device->frames_asked;
    if (asked != 0 && made.first + made.frames >= asked) {
      end_acquisition(device);
    }
    return static_cast<std::int64_t>(bytes);
  });
}

std::int32_t stop(creel_device* device) noexcept {
  return call(device, [device] {
    end_acquisition(device);
    device->detector->stop();
  });
}

// ---- shutter ----

/// What every host has of a creel_shutter_state; the rest was appended.
constexpr std::size_t kLeastState = offsetof(creel_shutter_state, opening_began_ns);

template <class Work>
std::int32_t shutter_call(creel_device* device, creel_shutter_state* state, Work&& work) noexcept {
  return call(device, [&] {
    require(state != nullptr && state->struct_size >= kLeastState, CREEL_E_INVALID,
            "shutter: needs a creel_shutter_state with its size filled in");
    creel_shutter_state made = work();
    made.struct_size =
        static_cast<std::uint32_t>(std::min<std::size_t>(state->struct_size, sizeof made));
    std::memcpy(state, &made, made.struct_size);
  });
}

std::int32_t open_shutter(creel_device* device, std::int64_t open_for_ns,
                          creel_shutter_state* state) noexcept {
  return shutter_call(device, state, [=] {
    require(open_for_ns > 0, CREEL_E_INVALID,
            "open_shutter: open_for_ns must be above 0: no shutter opens without a lease");
    return device->shutter->open_shutter(open_for_ns);
  });
}

std::int32_t renew(creel_device* device, std::int64_t open_for_ns) noexcept {
  return call(device, [=] {
    require(open_for_ns > 0, CREEL_E_INVALID, "renew: open_for_ns must be above 0");
    device->shutter->renew(open_for_ns);
  });
}

std::int32_t close_shutter(creel_device* device, creel_shutter_state* state) noexcept {
  return shutter_call(device, state, [=] { return device->shutter->close_shutter(); });
}

std::int32_t shutter_state(creel_device* device, creel_shutter_state* state) noexcept {
  return shutter_call(device, state, [=] { return device->shutter->state(); });
}

// ---- stage, gauge ----

Axis checked_axis(creel_device* device, std::uint32_t axis) {
  const std::vector<Axis> axes = device->stage->axes();
  if (axis >= axes.size()) {
    throw Failure(CREEL_E_INVALID, "axis " + std::to_string(axis) +
                                       " does not exist; this stage has " +
                                       std::to_string(axes.size()) + ", counted from 0");
  }
  return axes[axis];
}

std::int32_t move(creel_device* device, std::uint32_t axis, double position) noexcept {
  return call(device, [=] {
    const Axis range = checked_axis(device, axis);
    if (!(position >= range.min && position <= range.max)) {
      throw Failure(CREEL_E_INVALID, "axis " + range.name + ": given " + std::to_string(position) +
                                         " " + range.unit + "; allowed: from " +
                                         std::to_string(range.min) + " to " +
                                         std::to_string(range.max));
    }
    device->stage->move(axis, position);
  });
}

std::int32_t position(creel_device* device, std::uint32_t axis, double* out) noexcept {
  return call(device, [=] {
    require(out != nullptr, CREEL_E_INVALID, "position: needs somewhere to put it");
    checked_axis(device, axis);
    *out = device->stage->position(axis);
  });
}

std::int32_t read(creel_device* device, creel_reading* readings, std::uint32_t capacity) noexcept {
  return static_cast<std::int32_t>(guarded(device, [=]() -> std::int64_t {
    const std::vector<creel_reading> made = device->gauge->read();
    require(readings != nullptr && capacity >= made.size(), CREEL_E_INVALID,
            "read: there is not room for all channels");
    std::copy(made.begin(), made.end(), readings);
    return static_cast<std::int64_t>(made.size());
  }));
}

constexpr creel_detector_calls kDetectorCalls = {
    sizeof(creel_detector_calls), 0, arm, start, read_frame, stop};
constexpr creel_shutter_calls kShutterCalls = {
    sizeof(creel_shutter_calls), 0, open_shutter, nullptr, close_shutter, shutter_state};
constexpr creel_shutter_calls kTimedShutterCalls = {
    sizeof(creel_shutter_calls), 0, open_shutter, renew, close_shutter, shutter_state};
constexpr creel_stage_calls kStageCalls = {sizeof(creel_stage_calls), 0, move, position};
constexpr creel_gauge_calls kGaugeCalls = {sizeof(creel_gauge_calls), 0, read};

}  // namespace

std::span<std::byte> Services::shared_memory() const {
  std::uint64_t bytes = 0;
  void* memory = services_->shared_memory(services_->context, &bytes);
  return memory == nullptr ? std::span<std::byte>{}
                           : std::span<std::byte>{static_cast<std::byte*>(memory), bytes};
}

void Device::set(const std::string& name, const nlohmann::json&) {
  throw Failure(CREEL_E_INVALID, "setting " + name + " is not known; this device has no settings");
}

void Shutter::renew(std::int64_t) {
  throw Failure(CREEL_E_INVALID, "renew: this shutter has no timer of its own");
}

std::int32_t open_device(Maker make, std::uint32_t kind, const char* config_json,
                         const creel_services* services, creel_device** out) noexcept {
  if (out == nullptr) {
    return CREEL_E_INVALID;
  }
  *out = nullptr;
  const auto work = [=]() -> std::int64_t {
    require(services != nullptr && services->struct_size >= sizeof(creel_services), CREEL_E_INVALID,
            "open: the host offers fewer services than this driver needs");
    const nlohmann::json config =
        nlohmann::json::parse(config_json == nullptr ? "" : config_json, nullptr, false);
    require(config.is_object(), CREEL_E_INVALID, "config: given something else than a JSON object");
    auto made = std::make_unique<creel_device>();
    made->device = make(config, Services(services));
    switch (kind) {
      case CREEL_KIND_DETECTOR:
        made->detector = static_cast<Detector*>(made->device.get());
        break;
      case CREEL_KIND_SHUTTER:
        made->shutter = static_cast<Shutter*>(made->device.get());
        break;
      case CREEL_KIND_STAGE:
        made->stage = static_cast<Stage*>(made->device.get());
        break;
      default:
        made->gauge = static_cast<Gauge*>(made->device.get());
        break;
    }
    *out = made.release();
    return 0;
  };
  return static_cast<std::int32_t>(
      caught(work, [](const std::string& sentence) { open_error = sentence; }));
}

creel_device_calls device_calls(Opener open, bool has_settings) {
  return {sizeof(creel_device_calls),   0,         open,      close_device, describe, settings,
          has_settings ? set : nullptr, make_safe, last_error};
}

creel_offer make_offer(std::uint32_t kind, bool has_timer, const creel_device_calls* device) {
  creel_offer offer{};
  offer.struct_size = sizeof offer;
  offer.kind = kind;
  offer.device = device;
  switch (kind) {
    case CREEL_KIND_DETECTOR:
      offer.detector = &kDetectorCalls;
      break;
    case CREEL_KIND_SHUTTER:
      offer.shutter = has_timer ? &kTimedShutterCalls : &kShutterCalls;
      break;
    case CREEL_KIND_STAGE:
      offer.stage = &kStageCalls;
      break;
    default:
      offer.gauge = &kGaugeCalls;
      break;
  }
  return offer;
}

}  // namespace creel::kit
