#include "protocol/session/shape.h"

#include <array>
#include <utility>

namespace creel::session {

namespace {

constexpr std::array<std::pair<Pixel, std::string_view>, 4> kNames = {
    {{Pixel::u8, "u8"}, {Pixel::u16, "u16"}, {Pixel::u32, "u32"}, {Pixel::f32, "f32"}}};

}  // namespace

std::uint32_t pixel_bytes(Pixel pixel) {
  return pixel == Pixel::u8 ? 1 : pixel == Pixel::u16 ? 2 : 4;
}

std::optional<Pixel> pixel_from(std::string_view name) {
  for (const auto& [pixel, known] : kNames) {
    if (known == name) {
      return pixel;
    }
  }
  return std::nullopt;
}

std::string_view pixel_name(Pixel pixel) {
  for (const auto& [known, name] : kNames) {
    if (known == pixel) {
      return name;
    }
  }
  return "unknown";
}

std::uint64_t FrameShape::bytes() const {
  return std::uint64_t{rows} * columns * pixel_bytes(pixel);
}

}  // namespace creel::session
