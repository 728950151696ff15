// What one frame of a session looks like.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace creel::session {

/// Type of one pixel, little-endian; f32 is IEEE 754 binary32. `event`: the frame holds no pixels
/// but a list of electron events (electron_event.h).
enum class Pixel : std::uint8_t { u8, u16, u32, f32, event };
std::uint32_t pixel_bytes(Pixel pixel);                  ///< or of one event
std::optional<Pixel> pixel_from(std::string_view name);  ///< "u8" "u16" "u32" "f32" "event"
std::string_view pixel_name(Pixel pixel);

/// The same for all frames of a session. A spectrum has one row; energy runs along the columns.
struct FrameShape {
  std::uint32_t rows = 0;
  std::uint32_t columns = 0;
  Pixel pixel = Pixel::u16;
  /// Pixel::event only: places for events in one frame. Rows and columns are the sensor's then.
  std::uint32_t most_events = 0;

  [[nodiscard]] bool lists_events() const { return pixel == Pixel::event; }
  /// The frame as an array of `pixel`: a list of events is one row.
  [[nodiscard]] std::uint32_t stored_rows() const { return lists_events() ? 1 : rows; }
  [[nodiscard]] std::uint32_t stored_columns() const {
    return lists_events() ? most_events : columns;
  }
  [[nodiscard]] std::uint64_t bytes() const;
  friend bool operator==(const FrameShape&, const FrameShape&) = default;
};

/// No frame may be larger: 1 GiB.
constexpr std::uint64_t kLargestFrame = 1ULL << 30;
/// Nor any list of events longer, nor the grid of its sensor larger on one side or in all.
constexpr std::uint32_t kMostEvents = 1U << 26;
constexpr std::uint32_t kMostEventColumns = 1U << 16;
constexpr std::uint64_t kMostEventPixels = 1ULL << 28;

/// Whether a session can have such frames: at least one row and column, nothing larger than above,
/// most_events where there are events and only there.
bool possible(const FrameShape& shape);
/// For a person: "64 rows and 2048 columns", and what is allowed: "1 byte to 1 GiB".
std::string shape_text(const FrameShape& shape);
std::string allowed_text(Pixel pixel);

}  // namespace creel::session
