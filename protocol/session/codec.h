// How the frames of one chunk are packed: in a sealed piece, and in NAME.h5. Both formats are those
// of HDF5 filters, so that any HDF5 program reads them; ours needs neither HDF5 nor a plugin.
//
// A chunk holds whole frames one after another. Packed bytes are untrusted input: unpacking is
// bounded by the size that is asked for. Any thread; nothing is kept between calls.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "protocol/session/shape.h"

namespace creel::session {

/// The values stand in files: never change one.
enum class Codec : std::uint8_t {
  none = 0,
  /// HDF5's own filters shuffle (id 2) and deflate (id 1): readable everywhere.
  deflate = 1,
  /// HDF5 filter 32008 with LZ4: many times faster; other programs need its plugin.
  bitshuffle_lz4 = 2,
};
std::optional<Codec> codec_from(std::string_view name);  ///< "none" "deflate" "bitshuffle-lz4"
std::string_view codec_name(Codec codec);

/// A chunk is about this large, or one frame.
constexpr std::uint64_t kChunkBytes = 1ULL << 20;
/// Frames in a chunk, of `frames` in all: small spectra together, a larger frame alone. At least 1.
std::uint64_t chunk_frames(const FrameShape& shape, std::uint64_t frames);
/// No packed chunk of `bytes` is larger than this.
std::uint64_t largest_packed(std::uint64_t bytes);

/// Packs `frames`, whose size is a multiple of the pixel's and not 0, into `chunk` (replaced).
void pack(Codec codec, Pixel pixel, std::span<const std::byte> frames,
          std::vector<std::byte>& chunk);
/// Unpacks a chunk that must hold exactly frames.size() bytes. False when it does not or is
/// damaged: what is still good of it (with bitshuffle-lz4 every intact block) is in its place, the
/// rest is undefined. So a frame's checksum decides about that frame, whatever this returns.
bool unpack(Codec codec, Pixel pixel, std::span<const std::byte> chunk,
            std::span<std::byte> frames);

// The two steps of our own, for the tests.

/// HDF5's shuffle: first bytes of all elements, then second bytes, ... `width` is 1, 2, 4 or 16.
void shuffle_bytes(std::span<const std::byte> from, std::size_t width, std::byte* to);
void unshuffle_bytes(std::span<const std::byte> from, std::size_t width, std::byte* to);
/// Bit shuffle of a block of elements, their number a multiple of 8: bit 0 of the first byte of all
/// elements (element 8i+j in bit j of byte i), then bit 1, ... `width` is 1, 2, 4 or 16. `scratch`
/// is as long as the block.
void shuffle_bits(std::span<const std::byte> from, std::size_t width, std::byte* to,
                  std::byte* scratch);
void unshuffle_bits(std::span<const std::byte> from, std::size_t width, std::byte* to,
                    std::byte* scratch);

}  // namespace creel::session
