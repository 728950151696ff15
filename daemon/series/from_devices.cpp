#include "daemon/series/from_devices.h"

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <string>

#include "protocol/driver/creel_driver.h"
#include "protocol/session/electron_event.h"

namespace creel {

// The bytes of an event go from the driver to the disk as they are.
static_assert(sizeof(creel_event) == sizeof(session::ElectronEvent));
static_assert(sizeof(creel_event) == ring::kEventBytes);
static_assert(offsetof(creel_event, time_ps) == offsetof(session::ElectronEvent, time_ps));
static_assert(offsetof(creel_event, column) == offsetof(session::ElectronEvent, column));
static_assert(offsetof(creel_event, row) == offsetof(session::ElectronEvent, row));
static_assert(offsetof(creel_event, charge) == offsetof(session::ElectronEvent, charge));

using nlohmann::json;

Result<store::FrameShape> shape_from(const json& armed) {
  store::FrameShape shape;
  shape.rows = armed.value("rows", 0U);
  shape.columns = armed.value("columns", 0U);
  shape.most_events = armed.value("most_events", 0U);
  const std::string pixel_text = armed.value("pixel", "");
  const auto pixel = store::pixel_from(pixel_text);
  constexpr std::uint32_t kMost = 1U << 16;
  if (!pixel || shape.rows == 0 || shape.columns == 0 || shape.rows > kMost ||
      shape.columns > kMost) {
    return Error{ErrorCode::invalid_request,
                 "the detector gives an impossible frame shape: " + armed.dump() +
                     "; rows and columns must be 1 to 65536"};
  }
  shape.pixel = *pixel;
  if (!session::possible(shape)) {
    return Error{ErrorCode::invalid_request,
                 "the detector gives an impossible frame shape: " + armed.dump() + "; allowed is " +
                     session::allowed_text(shape.pixel)};
  }
  return shape;
}

void add_readings(const DeviceHost& gauge, const json& readings, std::vector<Reading>& into) {
  const json channels = gauge.description().value("/describe/channels"_json_pointer, json::array());
  for (std::size_t i = 0; i < std::min(channels.size(), readings.size()); ++i) {
    const json& one = readings[i];
    if (one.is_object() && one.value("valid", false) && one.contains("value") &&
        one["value"].is_number()) {
      into.push_back({gauge.device().name, channels[i].value("name", ""), one["value"]});
    }
  }
}

namespace {

template <class T>
double sum_as(std::span<const std::byte> bytes) {
  double sum = 0;
  for (std::size_t at = 0; at + sizeof(T) <= bytes.size(); at += sizeof(T)) {
    T value;
    std::memcpy(&value, bytes.data() + at, sizeof(T));
    sum += static_cast<double>(value);
  }
  return sum;
}

}  // namespace

std::optional<std::string> fault_of(const store::FrameShape& shape, FrameBlock& block) {
  const ring::Block& info = block.info;
  if (info.frames == 0 || block.bytes.size() != shape.bytes() * info.frames) {
    return "a frame of " + std::to_string(block.bytes.size()) + " bytes does not fit its own shape";
  }
  if (!shape.lists_events()) {
    return info.events == 0 && info.events_lost == 0
               ? std::nullopt
               : std::optional<std::string>("a frame of pixels comes with events");
  }
  if (info.frames != 1) {
    return "a list of events came with others in one block";
  }
  const std::size_t used = info.events * sizeof(session::ElectronEvent);  // bounded by the ring
  std::fill(block.bytes.begin() + static_cast<std::ptrdiff_t>(used), block.bytes.end(),
            std::byte{0});
  return session::fault_of_events(shape, block.bytes, info.events, info.exposure_ns);
}

double counts_of(const store::FrameShape& shape, const FrameBlock& block) {
  const std::span<const std::byte> bytes = block.bytes;
  switch (shape.pixel) {
    case store::Pixel::u8:
      return sum_as<std::uint8_t>(bytes);
    case store::Pixel::u16:
      return sum_as<std::uint16_t>(bytes);
    case store::Pixel::u32:
      return sum_as<std::uint32_t>(bytes);
    case store::Pixel::f32:
      return sum_as<float>(bytes);
    case store::Pixel::event:
      return static_cast<double>(block.info.events);
  }
  return 0;
}

}  // namespace creel
