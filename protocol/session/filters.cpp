#include "protocol/session/filters.h"

#include <algorithm>
#include <array>
#include <span>
#include <vector>

namespace creel::session {

namespace {

// Registered at The HDF Group under this number. Values: version (two), bytes of an element, block
// size (0 = default), 2 = LZ4.
constexpr H5Z_filter_t kBitshuffle = 32008;
constexpr unsigned kWithLz4 = 2;
constexpr std::size_t kValues = 5;
constexpr int kDeflateLevel = 1;

std::array<unsigned, kValues> values_for(Pixel pixel) {
  return {0, 4, pixel_bytes(pixel), 0, kWithLz4};
}

std::optional<Pixel> pixel_of_width(unsigned width) {
  switch (width) {
    case 1:
      return Pixel::u8;
    case 2:
      return Pixel::u16;
    case 4:
      return Pixel::u32;
    case 16:
      return Pixel::event;
    default:
      return std::nullopt;
  }
}

// LZ4 never makes more than 255 bytes of one, so a short chunk cannot ask for much memory.
std::size_t unpacked_bytes(std::span<const std::byte> chunk) {
  std::uint64_t bytes = 0;
  for (std::size_t i = 0; i < 8 && chunk.size() >= 8; ++i) {
    bytes = bytes << 8 | std::to_integer<std::uint64_t>(chunk[i]);
  }
  return bytes / 255 <= chunk.size() ? static_cast<std::size_t>(bytes) : 0;
}

// HDF5 gives and takes buffers that are its own. 0 = failed.
std::size_t run_bitshuffle(unsigned flags, std::size_t count, const unsigned* values,
                           std::size_t bytes, std::size_t* buffer_bytes, void** buffer) {
  const auto pixel =
      count >= kValues && values[4] == kWithLz4 ? pixel_of_width(values[2]) : std::nullopt;
  const std::span<const std::byte> given(static_cast<const std::byte*>(*buffer), bytes);
  if (!pixel) {
    return 0;
  }
  std::vector<std::byte> made;
  if ((flags & H5Z_FLAG_REVERSE) == 0) {
    pack(Codec::bitshuffle_lz4, *pixel, given, made);
  } else {
    made.resize(unpacked_bytes(given));
    if (made.empty() || !unpack(Codec::bitshuffle_lz4, *pixel, given, made)) {
      return 0;
    }
  }
  void* kept = H5allocate_memory(made.size(), 0);
  if (kept == nullptr) {
    return 0;
  }
  std::copy(made.begin(), made.end(), static_cast<std::byte*>(kept));
  H5free_memory(*buffer);
  *buffer = kept;
  *buffer_bytes = made.size();
  return made.size();
}

std::vector<H5Z_filter_t> filters_of(const H5::DSetCreatPropList& properties) {
  std::vector<H5Z_filter_t> filters;
  for (int i = 0; i < properties.getNfilters(); ++i) {
    unsigned flags = 0, config = 0;
    std::size_t count = 0;
    filters.push_back(properties.getFilter(i, flags, count, nullptr, 0, nullptr, config));
  }
  return filters;
}

}  // namespace

void register_filters() {
  static const H5Z_class2_t bitshuffle = {
      H5Z_CLASS_T_VERS, kBitshuffle,   1, 1, "bitshuffle with LZ4; see creel", nullptr,
      nullptr,          run_bitshuffle};
  if (H5Zregister(&bitshuffle) < 0) {
    throw H5::LibraryIException("H5Zregister", "bitshuffle");
  }
}

void set_filters(const H5::DSetCreatPropList& properties, Codec codec, Pixel pixel) {
  if (codec == Codec::deflate) {
    properties.setShuffle();
    properties.setDeflate(kDeflateLevel);
  } else if (codec == Codec::bitshuffle_lz4) {
    const auto values = values_for(pixel);
    properties.setFilter(kBitshuffle, H5Z_FLAG_MANDATORY, values.size(), values.data());
  }
}

std::optional<Codec> codec_of(const H5::DSetCreatPropList& properties, Pixel pixel) {
  const auto filters = filters_of(properties);
  if (filters.empty()) {
    return Codec::none;
  }
  if (filters == std::vector<H5Z_filter_t>{H5Z_FILTER_SHUFFLE, H5Z_FILTER_DEFLATE}) {
    return Codec::deflate;
  }
  if (filters != std::vector<H5Z_filter_t>{kBitshuffle}) {
    return std::nullopt;
  }
  std::array<unsigned, kValues> values{};
  std::size_t count = values.size();
  unsigned flags = 0, config = 0;
  properties.getFilterById(kBitshuffle, flags, count, values.data(), 0, nullptr, config);
  const bool ours = count >= kValues && values[2] == pixel_bytes(pixel) && values[4] == kWithLz4;
  return ours ? std::optional(Codec::bitshuffle_lz4) : std::nullopt;
}

}  // namespace creel::session
