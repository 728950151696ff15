// What one frame of a session looks like.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

namespace creel::session {

/// Type of one pixel, little-endian; f32 is IEEE 754 binary32.
enum class Pixel : std::uint8_t { u8, u16, u32, f32 };
std::uint32_t pixel_bytes(Pixel pixel);
std::optional<Pixel> pixel_from(std::string_view name);  ///< "u8" "u16" "u32" "f32"
std::string_view pixel_name(Pixel pixel);

/// The same for all frames of a session. A spectrum has one row; energy runs along the columns.
struct FrameShape {
  std::uint32_t rows = 0;
  std::uint32_t columns = 0;
  Pixel pixel = Pixel::u16;
  [[nodiscard]] std::uint64_t bytes() const;
  friend bool operator==(const FrameShape&, const FrameShape&) = default;
};

/// No frame may be larger: 1 GiB.
constexpr std::uint64_t kLargestFrame = 1ULL << 30;

}  // namespace creel::session
