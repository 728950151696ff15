// Reading the pixels of a stored frame, whatever their type.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <span>
#include <string>

#include "protocol/base/result.h"
#include "protocol/session/shape.h"

namespace creel::analysis {

/// Calls visit(row, column, value) for each pixel, row by row. The bytes need not be aligned.
template <class T, class Visit>
void each_pixel(const session::FrameShape& shape, std::span<const std::byte> frame, Visit&& visit) {
  const std::byte* at = frame.data();
  for (std::uint32_t row = 0; row < shape.rows; ++row) {
    for (std::uint32_t column = 0; column < shape.columns; ++column, at += sizeof(T)) {
      T value;
      std::memcpy(&value, at, sizeof(T));
      visit(row, column, static_cast<double>(value));
    }
  }
}

/// The same for the shape's own pixel type, little-endian.
template <class Visit>
void each_pixel_of(const session::FrameShape& shape, std::span<const std::byte> frame,
                   Visit&& visit) {
  switch (shape.pixel) {
    case session::Pixel::u8:
      return each_pixel<std::uint8_t>(shape, frame, visit);
    case session::Pixel::u16:
      return each_pixel<std::uint16_t>(shape, frame, visit);
    case session::Pixel::u32:
      return each_pixel<std::uint32_t>(shape, frame, visit);
    case session::Pixel::f32:
      return each_pixel<float>(shape, frame, visit);
  }
}

/// invalid_request unless the frame is as long as its shape says.
inline Result<void> check_length(const session::FrameShape& shape,
                                 std::span<const std::byte> frame) {
  if (frame.size() == shape.bytes()) {
    return {};
  }
  return Error{ErrorCode::invalid_request, "a frame of " + std::to_string(frame.size()) +
                                               " bytes; must be " + std::to_string(shape.bytes()) +
                                               " bytes"};
}

}  // namespace creel::analysis
