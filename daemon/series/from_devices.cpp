#include "daemon/series/from_devices.h"

#include <algorithm>
#include <cstdint>
#include <cstring>
#include <string>

namespace creel {

using nlohmann::json;

Result<store::FrameShape> shape_from(const json& armed) {
  store::FrameShape shape;
  shape.rows = armed.value("rows", 0U);
  shape.columns = armed.value("columns", 0U);
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
  return shape;
}

bool same_shape(const store::FrameShape& a, const store::FrameShape& b) {
  return a.rows == b.rows && a.columns == b.columns && a.pixel == b.pixel;
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

double counts_of(const store::FrameShape& shape, std::span<const std::byte> bytes) {
  switch (shape.pixel) {
    case store::Pixel::u8:
      return sum_as<std::uint8_t>(bytes);
    case store::Pixel::u16:
      return sum_as<std::uint16_t>(bytes);
    case store::Pixel::u32:
      return sum_as<std::uint32_t>(bytes);
    case store::Pixel::f32:
      return sum_as<float>(bytes);
  }
  return 0;
}

}  // namespace creel
