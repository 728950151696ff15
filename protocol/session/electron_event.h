// What a frame of a counting detector with time stamps holds instead of pixels: a list of
// electrons.
//
// A frame has a fixed number of places (FrameShape::most_events), so that pieces can be laid out
// beforehand; its record says how many hold an event, from the first on, in no promised order. The
// other places are zero.
#pragma once

#include <cstddef>
#include <cstdint>
#include <limits>
#include <optional>
#include <span>
#include <string>
#include <type_traits>

#include "protocol/session/shape.h"

namespace creel::session {

/// One electron, 16 bytes, little-endian, no padding: creel_event of protocol/driver.
struct ElectronEvent {
  std::uint64_t time_ps = 0;  ///< since the frame's integration began
  std::uint16_t column = 0;
  std::uint16_t row = 0;
  std::uint32_t charge = 0;  ///< in the detector's own unit; 0 = unknown
};
static_assert(sizeof(ElectronEvent) == 16);
static_assert(std::is_trivially_copyable_v<ElectronEvent>);

/// Event `index` of a frame; the bytes need not be aligned.
ElectronEvent event_at(std::span<const std::byte> frame, std::uint64_t index);

/// What is wrong with a frame of shape.bytes() that is said to hold `events` events, in one
/// sentence
/// ("event 7 lies at column 70, row 0 of a sensor of ..."); nothing when all is right: not more
/// than there are places, each on the sensor and within the exposure, zeros behind them.
std::optional<std::string> fault_of_events(
    const FrameShape& shape, std::span<const std::byte> frame, std::uint64_t events,
    std::int64_t exposure_ns = std::numeric_limits<std::int64_t>::max());

}  // namespace creel::session
