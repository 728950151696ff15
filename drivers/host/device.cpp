#include "drivers/host/device.h"

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <iterator>
#include <utility>

#include "protocol/host/messages.h"
#include "protocol/json/strict_json.h"

namespace creel::host {
namespace {

constexpr std::chrono::milliseconds kEndingLimit{100};

using nlohmann::json;

constexpr std::int64_t kLongest = INT64_MAX / 4;  // any length of time: 73 years
constexpr std::int64_t kMostAxes = 64;
constexpr std::uint32_t kMostReadings = 256;
constexpr std::uint32_t kMostPixels = 1U << 16;  // a side of a frame
constexpr std::uint64_t kLargestBlock = 1ULL << 30;
constexpr std::chrono::milliseconds kStopLimit{2000};

constexpr std::array kPixelNames{"", "u8", "u16", "u32", "f32", "event"};

Error invalid(const std::string& text) {
  return {ErrorCode::invalid_request, text};
}

const char* position_name(std::int32_t position) {
  switch (position) {
    case CREEL_SHUTTER_CLOSED:
      return "closed";
    case CREEL_SHUTTER_OPEN:
      return "open";
    case CREEL_SHUTTER_MOVING:
      return "moving";
    default:
      return "not measured";
  }
}

json to_json(const creel_shutter_state& state) {
  json out = {{"commanded", position_name(state.commanded)},
              {"measured", position_name(state.measured)},
              {"opened_ns", state.opened_ns},
              {"closed_ns", state.closed_ns}};
  if (state.opening_ended_ns != 0) {
    out["opening_began_ns"] = state.opening_began_ns;
    out["opening_ended_ns"] = state.opening_ended_ns;
  }
  if (state.closing_ended_ns != 0) {
    out["closing_began_ns"] = state.closing_began_ns;
    out["closing_ended_ns"] = state.closing_ended_ns;
  }
  return out;
}

json to_json(const creel_reading& reading) {
  const bool valid = reading.valid != 0 && std::isfinite(reading.value);
  const bool known = valid && std::isfinite(reading.uncertainty) && reading.uncertainty >= 0;
  return {{"value", valid ? json(reading.value) : json(nullptr)},
          {"uncertainty", known ? json(reading.uncertainty) : json(nullptr)},
          {"taken_ns", reading.taken_ns},
          {"valid", valid}};
}

}  // namespace

Result<std::int64_t> whole_number(const json& arguments, const char* key, std::int64_t least,
                                  std::int64_t most) {
  const auto found = arguments.find(key);
  if (found != arguments.end() && found->is_number_integer()) {
    const auto value = found->get<std::int64_t>();  // strict parsing admits nothing beyond int64
    if (value >= least && value <= most) {
      return value;
    }
  }
  const std::string given =
      found == arguments.end() ? "is missing" : "is " + found->dump().substr(0, 40);
  return invalid(std::string(key) + ": " + given + "; must be a whole number from " +
                 std::to_string(least) + " to " + std::to_string(most));
}

// Who answers which call, and for which kind of device (0: every kind).
struct Device::Entry {
  std::string_view name;
  std::uint32_t kind;
  Answer (Device::*handle)(Arguments, Descriptors);
};
const Device::Entry Device::kEntries[] = {
    {"settings", 0, &Device::settings},
    {"set", 0, &Device::set},
    {"arm", CREEL_KIND_DETECTOR, &Device::arm},
    {"ring", CREEL_KIND_DETECTOR, &Device::ring},
    {"start", CREEL_KIND_DETECTOR, &Device::start},
    {"stop", CREEL_KIND_DETECTOR, &Device::stop},
    {"open_shutter", CREEL_KIND_SHUTTER, &Device::open_shutter},
    {"close_shutter", CREEL_KIND_SHUTTER, &Device::close_shutter},
    {"state", CREEL_KIND_SHUTTER, &Device::state},
    {"read", CREEL_KIND_GAUGE, &Device::read},
    {"move", CREEL_KIND_STAGE, &Device::move},
};

Device::Device(const Calls& calls, std::string name, Services& services, Outbox& outbox)
    : calls_(calls),
      name_(std::move(name)),
      services_(services),
      frames_(calls_.detector, calls_.device, services, outbox, name_) {}

Result<std::unique_ptr<Device>> Device::open(const Calls& calls, const std::string& name,
                                             json config, Services& services, Outbox& outbox) {
  std::unique_ptr<Device> device(new Device(calls, name, services, outbox));
  config["name"] = name;
  const Services::CallScope scope(services);
  const std::int32_t code =
      calls.device.open(config.dump().c_str(), services.table(), &device->device_);
  if (code < 0) {
    return driver_error(calls.device, nullptr, name, "open", code);
  }
  if (device->device_ == nullptr) {
    return Error{ErrorCode::internal,
                 name + ": open: the driver reported success but gave no device"};
  }
  return device;
}

Result<json> Device::call(const std::string& name, const json& arguments, Descriptors descriptors) {
  const auto* entry = std::find_if(std::begin(kEntries), std::end(kEntries),
                                   [&](const Entry& known) { return known.name == name; });
  if (entry == std::end(kEntries)) {
    return invalid(name_ + ": there is no call '" + name + "'");
  }
  if (entry->kind != 0 && entry->kind != calls_.kind) {
    return invalid(name_ + " is a " + std::string(kind_text(calls_.kind)) + ": it has no '" + name +
                   "'");
  }
  const Services::CallScope scope(services_);
  return (this->*entry->handle)(arguments, std::move(descriptors));
}

Error Device::failure(const std::string& call, std::int64_t code) const {
  return driver_error(calls_.device, device_, name_, call, code);
}

Result<void> Device::not_acquiring(const std::string& call) const {
  // The daemon has the last frame a moment before the frames thread has ended.
  if (!frames_.wait_until_ended(kEndingLimit)) {
    return Error{ErrorCode::refused,
                 name_ + ": " + call + ": an acquisition is running; stop it first"};
  }
  return {};
}

Result<json> Device::object_of(const std::string& call, const char* text) const {
  const std::string valid = driver_text(text, kMaxMessageBytes + 1);
  auto parsed = parse_strict(valid, Limits{kMaxMessageBytes, 32, 16 * 1024}, call);
  if (!parsed.ok()) {
    return Error{ErrorCode::internal,
                 name_ + ": the driver's JSON is wrong: " + parsed.error().text};
  }
  if (!parsed->is_object()) {
    return Error{ErrorCode::internal,
                 name_ + ": " + call + ": the driver's JSON must be an object"};
  }
  return parsed;
}

Result<json> Device::describe() {
  return object_of("describe", calls_.device.describe(device_));
}

Result<json> Device::settings(Arguments, Descriptors) {
  return object_of("settings", calls_.device.settings(device_));
}

Result<json> Device::set(Arguments arguments, Descriptors) {
  const auto name = arguments.find("name");
  const auto value = arguments.find("value");
  if (name == arguments.end() || !name->is_string() || value == arguments.end()) {
    return invalid(name_ + ": set: needs a \"name\" (text) and a \"value\"");
  }
  CREEL_TRY(not_acquiring("set"));
  if (calls_.device.set == nullptr) {
    return invalid(name_ + ": set: this driver has no settings");
  }
  const auto& setting = name->get_ref<const std::string&>();
  const std::int32_t code = calls_.device.set(device_, setting.c_str(), value->dump().c_str());
  if (code < 0) {
    return failure("set " + setting, code);
  }
  return json::object();
}

Result<void> Device::check(const creel_exposure& armed) const {
  const std::string place = name_ + ": arm: the driver reports ";
  if (armed.rows == 0 || armed.columns == 0 || armed.rows > kMostPixels ||
      armed.columns > kMostPixels) {
    return Error{ErrorCode::internal, place + std::to_string(armed.rows) + " x " +
                                          std::to_string(armed.columns) +
                                          " pixels; each must be 1 to 65536"};
  }
  if (armed.pixel < CREEL_PIXEL_U8 || armed.pixel > CREEL_PIXEL_EVENT) {
    return Error{ErrorCode::internal,
                 place + "pixel type " + std::to_string(armed.pixel) + "; must be a CREEL_PIXEL_*"};
  }
  if (armed.pixel != CREEL_PIXEL_EVENT && armed.most_events != 0) {
    return Error{ErrorCode::internal, place + std::to_string(armed.most_events) +
                                          " events at most in a frame of pixels; must be 0"};
  }
  if (armed.pixel == CREEL_PIXEL_EVENT &&
      (armed.most_events == 0 || armed.most_events > kLargestBlock / sizeof(creel_event) ||
       armed.frames_per_block != 1)) {
    return Error{ErrorCode::internal,
                 place + std::to_string(armed.frames_per_block) + " frames per block of " +
                     std::to_string(armed.most_events) +
                     " events at most; a block has 1 frame of 1 to " +
                     std::to_string(kLargestBlock / sizeof(creel_event)) + " events"};
  }
  if (armed.frames_per_block == 0 || armed.frames_per_block > kLargestBlock / frame_bytes(armed)) {
    return Error{ErrorCode::internal,
                 place + std::to_string(armed.frames_per_block) + " frames per block of " +
                     std::to_string(frame_bytes(armed)) + " bytes; a block has 1 frame to 1 GiB"};
  }
  if (armed.exposure_ns < 0 || armed.readout_ns < 0) {
    return Error{ErrorCode::internal, place + std::to_string(armed.exposure_ns) + " ns exposure, " +
                                          std::to_string(armed.readout_ns) + " ns readout"};
  }
  return {};
}

Result<json> Device::arm(Arguments arguments, Descriptors) {
  const auto frames = whole_number(arguments, "frames", 0, UINT32_MAX);
  const auto exposure_ns = whole_number(arguments, "exposure_ns", 0, kLongest);
  if (!frames.ok() || !exposure_ns.ok()) {
    return (frames.ok() ? exposure_ns : frames).error().during(name_ + ": arm");
  }
  CREEL_TRY(not_acquiring("arm"));
  creel_exposure exposure{};
  exposure.struct_size = sizeof exposure;
  exposure.frames = static_cast<std::uint32_t>(*frames);
  exposure.exposure_ns = *exposure_ns;
  frames_.shape(creel_exposure{});  // if this fails, nothing is armed
  const std::int32_t code = calls_.detector.arm(device_, &exposure);
  if (code < 0) {
    return failure("arm", code);
  }
  CREEL_TRY(check(exposure));
  frames_.shape(exposure);
  json answer{{"exposure_ns", exposure.exposure_ns},
              {"readout_ns", exposure.readout_ns},
              {"rows", exposure.rows},
              {"columns", exposure.columns},
              {"pixel", kPixelNames[exposure.pixel]},
              {"frames_per_block", exposure.frames_per_block}};
  if (exposure.pixel == CREEL_PIXEL_EVENT) {
    answer["most_events"] = exposure.most_events;
  }
  return answer;
}

Result<json> Device::ring(Arguments arguments, Descriptors descriptors) {
  const auto slots = whole_number(arguments, "slots", 1, ring::kMostSlots);
  const auto payload = whole_number(arguments, "payload_bytes", 1, kLargestBlock);
  if (!slots.ok() || !payload.ok()) {
    return (slots.ok() ? payload : slots).error().during(name_ + ": ring");
  }
  CREEL_TRY(not_acquiring("ring"));
  auto ring =
      MappedRing::map({static_cast<std::uint32_t>(*slots), static_cast<std::uint64_t>(*payload)},
                      std::move(descriptors));
  if (!ring.ok()) {
    return ring.error().during(name_);
  }
  frames_.use(std::move(*ring));
  return json::object();
}

Result<json> Device::start(Arguments, Descriptors) {
  CREEL_TRY(not_acquiring("start"));
  CREEL_TRY(frames_.ready_to_start());
  frames_.prepare();
  const std::int64_t started_ns = services_.now().ns;
  const std::int32_t code = calls_.detector.start(device_);
  if (code < 0) {
    return failure("start", code);
  }
  return json{{"started_ns", started_ns}};
}

Result<json> Device::stop(Arguments, Descriptors) {
  frames_.halt(Frames::Halt::stopped);
  services_.cancel_waits();
  const std::int32_t code = calls_.detector.stop(device_);
  if (code < 0) {
    return failure("stop", code);
  }
  if (!frames_.wait_until_ended(kStopLimit)) {
    return Error{ErrorCode::timed_out, name_ + ": stop: read_frame did not return within " +
                                           std::to_string(kStopLimit.count()) + " ms"};
  }
  return json::object();
}

Result<json> Device::open_shutter(Arguments arguments, Descriptors) {
  const auto open_for_ns = whole_number(arguments, "open_for_ns", 1, kLongest);
  if (!open_for_ns.ok()) {
    return open_for_ns.error().during(name_ + ": open_shutter");
  }
  creel_shutter_state state{};
  state.struct_size = sizeof state;
  const std::int32_t code = calls_.shutter.open_shutter(device_, *open_for_ns, &state);
  return code < 0 ? Answer(failure("open_shutter", code)) : Answer(to_json(state));
}

Result<json> Device::close_shutter(Arguments, Descriptors) {
  creel_shutter_state state{};
  state.struct_size = sizeof state;
  const std::int32_t code = calls_.shutter.close_shutter(device_, &state);
  return code < 0 ? Answer(failure("close_shutter", code)) : Answer(to_json(state));
}

Result<json> Device::state(Arguments, Descriptors) {
  creel_shutter_state state{};
  state.struct_size = sizeof state;
  const std::int32_t code = calls_.shutter.state(device_, &state);
  return code < 0 ? Answer(failure("state", code)) : Answer(to_json(state));
}

Result<void> Device::renew(std::int64_t open_for_ns) {
  const Services::CallScope scope(services_);
  const std::int32_t code = calls_.shutter.renew(device_, open_for_ns);
  return code < 0 ? Result<void>(failure("renew", code)) : Result<void>();
}

Result<json> Device::read(Arguments, Descriptors) {
  std::vector<creel_reading> readings(kMostReadings);
  const std::int32_t count = calls_.gauge.read(device_, readings.data(), kMostReadings);
  if (count < 0) {
    return failure("read", count);
  }
  if (static_cast<std::uint32_t>(count) > kMostReadings) {
    return Error{ErrorCode::internal, name_ + ": read: the driver reports " +
                                          std::to_string(count) + " readings; there was room for " +
                                          std::to_string(kMostReadings)};
  }
  json list = json::array();
  std::transform(readings.begin(), readings.begin() + count, std::back_inserter(list),
                 [](const creel_reading& reading) { return to_json(reading); });
  return json{{"readings", std::move(list)}};
}

Result<json> Device::move(Arguments arguments, Descriptors) {
  const auto axis = whole_number(arguments, "axis", 0, kMostAxes);
  if (!axis.ok()) {
    return axis.error().during(name_ + ": move");
  }
  const auto target = arguments.find("position");
  if (target == arguments.end() || !target->is_number()) {
    return invalid(name_ + ": move: \"position\" must be a number");
  }
  const auto index = static_cast<std::uint32_t>(*axis);
  if (const std::int32_t code = calls_.stage.move(device_, index, target->get<double>());
      code < 0) {
    return failure("move", code);
  }
  double position = 0;
  if (const std::int32_t code = calls_.stage.position(device_, index, &position); code < 0) {
    return failure("position", code);
  }
  if (!std::isfinite(position)) {
    return Error{ErrorCode::internal, name_ + ": position: the driver reports no number"};
  }
  return json{{"position", position}};
}

std::int32_t Device::make_safe() {
  frames_.halt(Frames::Halt::made_safe);
  services_.cancel_waits();
  return calls_.device.make_safe(device_);
}

}  // namespace creel::host
