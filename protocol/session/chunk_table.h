// The table of a sealed piece: where its packed chunks lie, so that our reader needs neither HDF5
// nor a plugin. It stands twice in the HDF5 user block, in the first half and in the second; other
// programs skip the user block.
//
// One copy, little-endian: TableHead, then for each chunk its offset and its size in bytes, two
// uint64. Nothing in a table is trusted before its checksum and all bounds hold.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "protocol/session/codec.h"
#include "protocol/session/shape.h"

namespace creel::session {

struct TableHead {
  static constexpr std::uint64_t kMagic = 0x3154434C45455243;  // "CREELCT1"
  static constexpr std::uint32_t kVersion = 1;

  std::uint64_t magic = kMagic;
  std::uint32_t version = kVersion;
  std::uint32_t table_crc = 0;       ///< CRC-32C of head and chunks with table_crc = 0
  std::uint32_t codec = 0;           ///< Codec
  std::uint32_t structure_crc = 0;   ///< CRC-32C of what is after the user block and neither
                                     ///< chunk nor record
  std::uint64_t frames_a_chunk = 0;  ///< chunk_frames() of the piece; the last chunk is padded
  std::uint64_t chunks = 0;
  std::uint64_t record_offset = 0;  ///< of /record in the file, bytes
  std::uint64_t file_bytes = 0;
};
static_assert(sizeof(TableHead) == 56);

struct ChunkTable {
  struct Chunk {
    std::uint64_t offset = 0, bytes = 0;
  };
  Codec codec = Codec::deflate;
  std::uint32_t structure_crc = 0;
  std::uint64_t record_offset = 0;
  std::uint64_t file_bytes = 0;
  std::vector<Chunk> chunks;
};

/// Chunks of a piece of `capacity` frames.
std::uint64_t chunk_count(const FrameShape& shape, std::uint64_t capacity);
/// Size of the user block of a sealed piece; a power of two, as HDF5 asks.
std::uint64_t user_block_bytes(const FrameShape& shape, std::uint64_t capacity);
/// The user block with both copies.
std::vector<std::byte> user_block(const ChunkTable& table, const FrameShape& shape,
                                  std::uint64_t capacity);

/// Whether bytes begin as a table does; they may be damaged further on.
bool looks_like_table(std::span<const std::byte> bytes);
/// One copy (at least half a user block long); nothing when it is damaged or not possible for this
/// piece.
std::optional<ChunkTable> read_table(std::span<const std::byte> copy, const FrameShape& shape,
                                     std::uint64_t capacity);

}  // namespace creel::session
