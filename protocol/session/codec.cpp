#include "protocol/session/codec.h"

#include <lz4.h>
#include <zlib.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cstring>
#include <utility>

#include "protocol/base/result.h"

namespace creel::session {

namespace {

static_assert(std::endian::native == std::endian::little);

constexpr std::array<std::pair<Codec, std::string_view>, 3> kNames = {
    {{Codec::none, "none"},
     {Codec::deflate, "deflate"},
     {Codec::bitshuffle_lz4, "bitshuffle-lz4"}}};

// --- Bytes and bits ------------------------------------------------------------------------------

// With the width known to the compiler these loops become vector instructions.
template <std::size_t kWidth>
void spread(const std::byte* from, std::size_t elements, std::byte* to) {
  for (std::size_t byte = 0; byte < kWidth; ++byte) {
    for (std::size_t i = 0; i < elements; ++i) {
      to[byte * elements + i] = from[i * kWidth + byte];
    }
  }
}

template <std::size_t kWidth>
void gather(const std::byte* from, std::size_t elements, std::byte* to) {
  for (std::size_t i = 0; i < elements; ++i) {
    for (std::size_t byte = 0; byte < kWidth; ++byte) {
      to[i * kWidth + byte] = from[byte * elements + i];
    }
  }
}

// Eight words, several of them side by side in vector registers.
constexpr std::size_t kLanes = 2;
using Words = std::array<std::array<std::uint64_t, kLanes>, 8>;

// Exchanges the fields of `words[i]` above with those of `words[i + kStep]` below, for all pairs:
// one of the three steps of transposing a matrix of 8 by 8 fields (Warren, Hacker's Delight, 2nd
// ed., 7-3).
template <std::size_t kStep, unsigned kShift, std::uint64_t kMask>
void exchange(Words& words) {
  for (std::size_t i = 0; i < 8; ++i) {
    if ((i & kStep) != 0) {
      continue;
    }
    for (std::size_t lane = 0; lane < kLanes; ++lane) {
      auto& low = words[i][lane];
      auto& high = words[i + kStep][lane];
      const auto changed = ((low >> kShift) ^ high) & kMask;
      high ^= changed;
      low ^= changed << kShift;
    }
  }
}

// Byte b of word w goes to byte w of word b.
void transpose_bytes(Words& words) {
  exchange<4, 32, 0x00000000FFFFFFFFULL>(words);
  exchange<2, 16, 0x0000FFFF0000FFFFULL>(words);
  exchange<1, 8, 0x00FF00FF00FF00FFULL>(words);
}

// Bit b of every byte of word w goes to bit w of the same byte of word b.
void transpose_bits(Words& words) {
  exchange<4, 4, 0x0F0F0F0F0F0F0F0FULL>(words);
  exchange<2, 2, 0x3333333333333333ULL>(words);
  exchange<1, 1, 0x5555555555555555ULL>(words);
}

// Groups of eight elements that are turned at once.
constexpr std::size_t kAtOnce = 8 * kLanes;

// One byte of each element -> eight rows of bits, `stride` bytes apart; kAtOnce groups.
void turn_to_rows(const std::byte* bytes, std::size_t stride, std::byte* rows) {
  Words words;
  for (std::size_t i = 0; i < kAtOnce; ++i) {
    std::memcpy(&words[i % 8][i / 8], bytes + 8 * i, 8);
  }
  transpose_bytes(words);
  transpose_bits(words);
  for (std::size_t bit = 0; bit < 8; ++bit) {
    std::memcpy(rows + bit * stride, words[bit].data(), kAtOnce);
  }
}

void turn_to_bytes(const std::byte* rows, std::size_t stride, std::byte* bytes) {
  Words words;
  for (std::size_t bit = 0; bit < 8; ++bit) {
    std::memcpy(words[bit].data(), rows + bit * stride, kAtOnce);
  }
  transpose_bits(words);
  transpose_bytes(words);
  for (std::size_t i = 0; i < kAtOnce; ++i) {
    std::memcpy(bytes + 8 * i, &words[i % 8][i / 8], 8);
  }
}

// All groups of a row; what is left over goes through a full-sized copy.
void bytes_to_rows(const std::byte* bytes, std::size_t groups, std::byte* rows) {
  std::size_t first = 0;
  for (; first + kAtOnce <= groups; first += kAtOnce) {
    turn_to_rows(bytes + 8 * first, groups, rows + first);
  }
  if (const auto left = groups - first; left > 0) {
    std::array<std::byte, 8 * kAtOnce> in{}, out;
    std::memcpy(in.data(), bytes + 8 * first, 8 * left);
    turn_to_rows(in.data(), kAtOnce, out.data());
    for (std::size_t bit = 0; bit < 8; ++bit) {
      std::memcpy(rows + bit * groups + first, out.data() + bit * kAtOnce, left);
    }
  }
}

void rows_to_bytes(const std::byte* rows, std::size_t groups, std::byte* bytes) {
  std::size_t first = 0;
  for (; first + kAtOnce <= groups; first += kAtOnce) {
    turn_to_bytes(rows + first, groups, bytes + 8 * first);
  }
  if (const auto left = groups - first; left > 0) {
    std::array<std::byte, 8 * kAtOnce> in{}, out;
    for (std::size_t bit = 0; bit < 8; ++bit) {
      std::memcpy(in.data() + bit * kAtOnce, rows + bit * groups + first, left);
    }
    turn_to_bytes(in.data(), kAtOnce, out.data());
    std::memcpy(bytes + 8 * first, out.data(), 8 * left);
  }
}

// --- deflate -------------------------------------------------------------------------------------

// Runs and a Huffman code, no search for longer repeats: detector noise has none to find.
void pack_deflate(std::size_t width, std::span<const std::byte> frames,
                  std::vector<std::byte>& chunk) {
  std::vector<std::byte> shuffled(frames.size());
  shuffle_bytes(frames, width, shuffled.data());
  z_stream stream{};
  CREEL_INVARIANT(
      deflateInit2(&stream, Z_BEST_SPEED, Z_DEFLATED, MAX_WBITS, MAX_MEM_LEVEL, Z_RLE) == Z_OK,
      "zlib starts");
  chunk.resize(deflateBound(&stream, frames.size()));
  stream.next_in = reinterpret_cast<Bytef*>(shuffled.data());
  stream.avail_in = static_cast<uInt>(shuffled.size());
  stream.next_out = reinterpret_cast<Bytef*>(chunk.data());
  stream.avail_out = static_cast<uInt>(chunk.size());
  CREEL_INVARIANT(deflate(&stream, Z_FINISH) == Z_STREAM_END, "the bound of zlib holds");
  chunk.resize(stream.total_out);
  deflateEnd(&stream);
}

bool unpack_deflate(std::size_t width, std::span<const std::byte> chunk,
                    std::span<std::byte> frames) {
  std::vector<std::byte> shuffled(frames.size());
  z_stream stream{};
  if (inflateInit(&stream) != Z_OK) {
    return false;
  }
  stream.next_in = const_cast<Bytef*>(reinterpret_cast<const Bytef*>(chunk.data()));
  stream.avail_in = static_cast<uInt>(chunk.size());
  stream.next_out = reinterpret_cast<Bytef*>(shuffled.data());
  stream.avail_out = static_cast<uInt>(shuffled.size());
  const bool whole =
      inflate(&stream, Z_FINISH) == Z_STREAM_END && stream.total_out == frames.size();
  inflateEnd(&stream);
  unshuffle_bytes(shuffled, width, frames.data());
  return whole;
}

// --- bitshuffle-lz4 ------------------------------------------------------------------------------
// Chunk of HDF5 filter 32008 with LZ4: 8 bytes total size, 4 bytes size of a block; then for each
// block, the last of which may be shorter, 4 bytes length and that much LZ4 of the bit-shuffled
// block; then up to 7 elements as they are. Numbers are big-endian.

constexpr std::size_t kBlockBytes = 8192;  // the filter's own choice; fits the first cache
constexpr std::size_t kHeadBytes = 12;

template <class Number>
void put_big_endian(Number number, std::byte* to) {
  for (std::size_t i = 0; i < sizeof(Number); ++i) {
    to[i] = static_cast<std::byte>(number >> (8 * (sizeof(Number) - 1 - i)));
  }
}

template <class Number>
Number big_endian(const std::byte* from) {
  Number number = 0;
  for (std::size_t i = 0; i < sizeof(Number); ++i) {
    number = static_cast<Number>(number << 8) | std::to_integer<Number>(from[i]);
  }
  return number;
}

// The blocks are made of whole groups of eight elements.
std::size_t in_blocks(std::size_t bytes, std::size_t width) {
  return bytes - bytes % (8 * width);
}

void pack_bitshuffle(std::size_t width, std::span<const std::byte> frames,
                     std::vector<std::byte>& chunk) {
  std::array<std::byte, kBlockBytes> shuffled, scratch;
  chunk.resize(largest_packed(frames.size()));
  put_big_endian<std::uint64_t>(frames.size(), chunk.data());
  put_big_endian<std::uint32_t>(kBlockBytes, chunk.data() + 8);
  std::size_t end = kHeadBytes;
  const auto blocks = in_blocks(frames.size(), width);
  for (std::size_t at = 0; at < blocks; at += kBlockBytes) {
    const auto block = frames.subspan(at, std::min(kBlockBytes, blocks - at));
    shuffle_bits(block, width, shuffled.data(), scratch.data());
    const int length = LZ4_compress_default(reinterpret_cast<const char*>(shuffled.data()),
                                            reinterpret_cast<char*>(chunk.data() + end + 4),
                                            static_cast<int>(block.size()),
                                            static_cast<int>(chunk.size() - end - 4));
    CREEL_INVARIANT(length > 0, "the bound of LZ4 holds");
    put_big_endian(static_cast<std::uint32_t>(length), chunk.data() + end);
    end += 4 + static_cast<std::size_t>(length);
  }
  const auto rest = frames.subspan(blocks);
  std::copy(rest.begin(), rest.end(), chunk.begin() + static_cast<std::ptrdiff_t>(end));
  chunk.resize(end + rest.size());
}

// Goes on after a damaged block: its length still says where the next one begins.
bool unpack_bitshuffle(std::size_t width, std::span<const std::byte> chunk,
                       std::span<std::byte> frames) {
  if (chunk.size() < kHeadBytes || big_endian<std::uint64_t>(chunk.data()) != frames.size()) {
    return false;
  }
  const auto blocks = in_blocks(frames.size(), width);
  const std::size_t stated = big_endian<std::uint32_t>(chunk.data() + 8);
  if (stated == 0 || in_blocks(stated, width) != stated) {
    return false;
  }
  const auto step = std::min(stated, std::max(blocks, std::size_t{1}));
  std::vector<std::byte> shuffled(step), scratch(step);
  bool whole = true;
  chunk = chunk.subspan(kHeadBytes);
  for (std::size_t at = 0; at < blocks; at += step) {
    const auto size = std::min(step, blocks - at);
    const std::size_t length = chunk.size() < 4 ? 0 : big_endian<std::uint32_t>(chunk.data());
    if (length == 0 || length > chunk.size() - 4) {
      return false;
    }
    const int got = LZ4_decompress_safe(reinterpret_cast<const char*>(chunk.data() + 4),
                                        reinterpret_cast<char*>(shuffled.data()),
                                        static_cast<int>(length), static_cast<int>(size));
    whole = whole && got == static_cast<int>(size);
    unshuffle_bits(std::span(shuffled).first(size), width, frames.data() + at, scratch.data());
    chunk = chunk.subspan(4 + length);
  }
  if (chunk.size() != frames.size() - blocks) {
    return false;
  }
  std::copy(chunk.begin(), chunk.end(), frames.begin() + static_cast<std::ptrdiff_t>(blocks));
  return whole;
}

}  // namespace

std::optional<Codec> codec_from(std::string_view name) {
  for (const auto& [codec, known] : kNames) {
    if (known == name) {
      return codec;
    }
  }
  return std::nullopt;
}

std::string_view codec_name(Codec codec) {
  for (const auto& [known, name] : kNames) {
    if (known == codec) {
      return name;
    }
  }
  return "unknown";
}

std::uint64_t chunk_frames(const FrameShape& shape, std::uint64_t frames) {
  const auto fit = std::max<std::uint64_t>(1, kChunkBytes / shape.bytes());
  return std::max<std::uint64_t>(1, std::min(fit, frames));
}

// LZ4 adds 16 bytes and a 255th to a block at most and we add 4 (LZ4_COMPRESSBOUND); zlib adds
// less.
std::uint64_t largest_packed(std::uint64_t bytes) {
  return bytes + bytes / 255 + (bytes / kBlockBytes + 2) * 32;
}

void pack(Codec codec, Pixel pixel, std::span<const std::byte> frames,
          std::vector<std::byte>& chunk) {
  switch (codec) {
    case Codec::none:
      chunk.assign(frames.begin(), frames.end());
      return;
    case Codec::deflate:
      return pack_deflate(pixel_bytes(pixel), frames, chunk);
    case Codec::bitshuffle_lz4:
      return pack_bitshuffle(pixel_bytes(pixel), frames, chunk);
  }
}

bool unpack(Codec codec, Pixel pixel, std::span<const std::byte> chunk,
            std::span<std::byte> frames) {
  switch (codec) {
    case Codec::none: {
      const auto count = std::min(chunk.size(), frames.size());
      std::copy_n(chunk.begin(), count, frames.begin());
      return chunk.size() == frames.size();
    }
    case Codec::deflate:
      return unpack_deflate(pixel_bytes(pixel), chunk, frames);
    case Codec::bitshuffle_lz4:
      return unpack_bitshuffle(pixel_bytes(pixel), chunk, frames);
  }
  return false;
}

void shuffle_bytes(std::span<const std::byte> from, std::size_t width, std::byte* to) {
  const auto elements = from.size() / width;
  switch (width) {
    case 2:
      return spread<2>(from.data(), elements, to);
    case 4:
      return spread<4>(from.data(), elements, to);
    case 16:
      return spread<16>(from.data(), elements, to);
    default:
      return spread<1>(from.data(), elements, to);
  }
}

void unshuffle_bytes(std::span<const std::byte> from, std::size_t width, std::byte* to) {
  const auto elements = from.size() / width;
  switch (width) {
    case 2:
      return gather<2>(from.data(), elements, to);
    case 4:
      return gather<4>(from.data(), elements, to);
    case 16:
      return gather<16>(from.data(), elements, to);
    default:
      return gather<1>(from.data(), elements, to);
  }
}

void shuffle_bits(std::span<const std::byte> from, std::size_t width, std::byte* to,
                  std::byte* scratch) {
  const auto elements = from.size() / width;
  shuffle_bytes(from, width, scratch);
  for (std::size_t byte = 0; byte < width; ++byte) {
    bytes_to_rows(scratch + byte * elements, elements / 8, to + byte * elements);
  }
}

void unshuffle_bits(std::span<const std::byte> from, std::size_t width, std::byte* to,
                    std::byte* scratch) {
  const auto elements = from.size() / width;
  for (std::size_t byte = 0; byte < width; ++byte) {
    rows_to_bytes(from.data() + byte * elements, elements / 8, scratch + byte * elements);
  }
  unshuffle_bytes({scratch, from.size()}, width, to);
}

}  // namespace creel::session
