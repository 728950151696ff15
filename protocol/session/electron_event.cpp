#include "protocol/session/electron_event.h"

#include <algorithm>
#include <cstring>

namespace creel::session {

ElectronEvent event_at(std::span<const std::byte> frame, std::uint64_t index) {
  ElectronEvent event;
  std::memcpy(&event, frame.data() + index * sizeof event, sizeof event);
  return event;
}

std::optional<std::string> fault_of_events(const FrameShape& shape,
                                           std::span<const std::byte> frame, std::uint64_t events,
                                           std::int64_t exposure_ns) {
  if (events > shape.most_events) {
    return std::to_string(events) + " events in a frame that has places for " +
           std::to_string(shape.most_events);
  }
  // In whole ns, so that nothing overflows.
  const auto latest_ns = static_cast<std::uint64_t>(std::max<std::int64_t>(exposure_ns, 0));
  for (std::uint64_t i = 0; i < events; ++i) {
    const ElectronEvent event = event_at(frame, i);
    if (event.column >= shape.columns || event.row >= shape.rows) {
      return "event " + std::to_string(i) + " lies at column " + std::to_string(event.column) +
             ", row " + std::to_string(event.row) + " of a sensor of " +
             std::to_string(shape.columns) + " columns and " + std::to_string(shape.rows) + " rows";
    }
    if (event.time_ps > 0 && (event.time_ps - 1) / 1000 >= latest_ns) {
      return "event " + std::to_string(i) + " comes " + std::to_string(event.time_ps) +
             " ps after the start of an exposure of " + std::to_string(exposure_ns) + " ns";
    }
  }
  const auto rest = frame.subspan(events * sizeof(ElectronEvent));
  if (std::any_of(rest.begin(), rest.end(), [](std::byte b) { return b != std::byte{0}; })) {
    return "places behind its " + std::to_string(events) + " events are not zero";
  }
  return std::nullopt;
}

}  // namespace creel::session
