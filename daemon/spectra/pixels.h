// Reading the pixels of a stored frame, whatever their type. A list of events is counted into the
// pixels of its sensor first, so that nothing after this need know how the frame came.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <span>
#include <string>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/session/electron_event.h"
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

/// How many of a frame's `events` lie on each pixel, row by row. check_frame() must have passed.
inline std::vector<std::uint32_t> count_events(const session::FrameShape& shape,
                                               std::span<const std::byte> frame,
                                               std::uint64_t events) {
  std::vector<std::uint32_t> counts(std::size_t{shape.rows} * shape.columns);
  for (std::uint64_t i = 0; i < events; ++i) {
    const session::ElectronEvent event = session::event_at(frame, i);
    ++counts[std::size_t{event.row} * shape.columns + event.column];
  }
  return counts;
}

/// The same for the shape's own pixel type, little-endian. `events`: of a list of events, how many
/// places hold one; check_frame() must have passed.
template <class Visit>
void each_pixel_of(const session::FrameShape& shape, std::span<const std::byte> frame,
                   std::uint64_t events, Visit&& visit) {
  switch (shape.pixel) {
    case session::Pixel::u8:
      return each_pixel<std::uint8_t>(shape, frame, visit);
    case session::Pixel::u16:
      return each_pixel<std::uint16_t>(shape, frame, visit);
    case session::Pixel::u32:
      return each_pixel<std::uint32_t>(shape, frame, visit);
    case session::Pixel::f32:
      return each_pixel<float>(shape, frame, visit);
    case session::Pixel::event:
      return each_pixel<std::uint32_t>(
          shape, std::as_bytes(std::span<const std::uint32_t>(count_events(shape, frame, events))),
          visit);
  }
}

/// invalid_request unless the frame is as long as its shape says, and its events lie on the sensor.
inline Result<void> check_frame(const session::FrameShape& shape, std::span<const std::byte> frame,
                                std::uint64_t events) {
  if (frame.size() != shape.bytes()) {
    return Error{ErrorCode::invalid_request, "a frame of " + std::to_string(frame.size()) +
                                                 " bytes; must be " +
                                                 std::to_string(shape.bytes()) + " bytes"};
  }
  if (shape.lists_events()) {
    if (const auto fault = session::fault_of_events(shape, frame, events)) {
      return Error{ErrorCode::invalid_request, *fault};
    }
  }
  return {};
}

}  // namespace creel::analysis
