#include "protocol/session/shape.h"

#include <array>
#include <utility>

#include "protocol/session/electron_event.h"

namespace creel::session {

namespace {

constexpr std::array<std::pair<Pixel, std::string_view>, 5> kNames = {{{Pixel::u8, "u8"},
                                                                       {Pixel::u16, "u16"},
                                                                       {Pixel::u32, "u32"},
                                                                       {Pixel::f32, "f32"},
                                                                       {Pixel::event, "event"}}};

}  // namespace

std::uint32_t pixel_bytes(Pixel pixel) {
  switch (pixel) {
    case Pixel::u8:
      return 1;
    case Pixel::u16:
      return 2;
    case Pixel::u32:
    case Pixel::f32:
      return 4;
    case Pixel::event:
      return sizeof(ElectronEvent);
  }
  return 0;
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
  return std::uint64_t{stored_rows()} * stored_columns() * pixel_bytes(pixel);
}

std::string shape_text(const FrameShape& shape) {
  std::string text =
      std::to_string(shape.rows) + " rows and " + std::to_string(shape.columns) + " columns";
  if (shape.lists_events()) {
    text += " with places for " + std::to_string(shape.most_events) + " events";
  }
  return text;
}

std::string allowed_text(Pixel pixel) {
  if (pixel != Pixel::event) {
    return "1 byte to 1 GiB";
  }
  return "1 to " + std::to_string(kMostEvents) + " events on 1 to " +
         std::to_string(kMostEventColumns) + " rows and columns, " +
         std::to_string(kMostEventPixels) + " pixels in all";
}

bool possible(const FrameShape& shape) {
  if (shape.rows == 0 || shape.columns == 0 || shape.rows > kLargestFrame ||
      shape.columns > kLargestFrame || (shape.most_events > 0) != shape.lists_events()) {
    return false;
  }
  if (shape.lists_events()) {
    return shape.most_events <= kMostEvents && shape.rows <= kMostEventColumns &&
           shape.columns <= kMostEventColumns &&
           std::uint64_t{shape.rows} * shape.columns <= kMostEventPixels;
  }
  // Both factors are at most 2^30: their product does not overflow, with the pixel's bytes neither.
  return shape.bytes() <= kLargestFrame;
}

}  // namespace creel::session
