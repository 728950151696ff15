#include "protocol/session/chunk_table.h"

#include <algorithm>
#include <bit>
#include <cstring>

#include "protocol/base/crc32c.h"
#include "protocol/session/layout.h"

namespace creel::session {

namespace {

using Chunk = ChunkTable::Chunk;
static_assert(sizeof(Chunk) == 16);

std::uint32_t crc_of(TableHead head, std::span<const Chunk> chunks) {
  head.table_crc = 0;
  return crc32c(std::as_bytes(chunks), crc32c(std::as_bytes(std::span(&head, 1))));
}

bool inside(std::uint64_t offset, std::uint64_t bytes, std::uint64_t file) {
  return offset <= file && bytes <= file - offset;
}

bool possible(const TableHead& head, std::span<const Chunk> chunks, const FrameShape& shape,
              std::uint64_t capacity) {
  const auto largest = largest_packed(head.frames_a_chunk * shape.bytes());
  const bool codec = head.codec == static_cast<std::uint32_t>(Codec::deflate) ||
                     head.codec == static_cast<std::uint32_t>(Codec::bitshuffle_lz4);
  return codec && inside(head.record_offset, capacity * sizeof(Record), head.file_bytes) &&
         std::all_of(chunks.begin(), chunks.end(), [&](const Chunk& chunk) {
           return chunk.bytes <= largest && inside(chunk.offset, chunk.bytes, head.file_bytes);
         });
}

}  // namespace

std::uint64_t chunk_count(const FrameShape& shape, std::uint64_t capacity) {
  const auto each = chunk_frames(shape, capacity);
  return (capacity + each - 1) / each;
}

std::uint64_t user_block_bytes(const FrameShape& shape, std::uint64_t capacity) {
  constexpr std::uint64_t kSmallest = 1024;
  const auto copy = sizeof(TableHead) + chunk_count(shape, capacity) * sizeof(Chunk);
  return std::max(kSmallest, 2 * std::bit_ceil(copy));
}

std::vector<std::byte> user_block(const ChunkTable& table, const FrameShape& shape,
                                  std::uint64_t capacity) {
  TableHead head;
  head.codec = static_cast<std::uint32_t>(table.codec);
  head.structure_crc = table.structure_crc;
  head.frames_a_chunk = chunk_frames(shape, capacity);
  head.chunks = table.chunks.size();
  head.record_offset = table.record_offset;
  head.file_bytes = table.file_bytes;
  head.table_crc = crc_of(head, table.chunks);
  std::vector<std::byte> block(user_block_bytes(shape, capacity));
  for (const auto copy : {block.data(), block.data() + block.size() / 2}) {
    std::memcpy(copy, &head, sizeof head);
    std::memcpy(copy + sizeof head, table.chunks.data(), table.chunks.size() * sizeof(Chunk));
  }
  return block;
}

bool looks_like_table(std::span<const std::byte> bytes) {
  const auto magic = TableHead::kMagic;
  return bytes.size() >= sizeof magic && std::memcmp(bytes.data(), &magic, sizeof magic) == 0;
}

std::optional<ChunkTable> read_table(std::span<const std::byte> copy, const FrameShape& shape,
                                     std::uint64_t capacity) {
  TableHead head;
  std::vector<Chunk> chunks(chunk_count(shape, capacity));
  if (copy.size() < sizeof head + chunks.size() * sizeof(Chunk) || !looks_like_table(copy)) {
    return std::nullopt;
  }
  std::memcpy(&head, copy.data(), sizeof head);
  std::memcpy(chunks.data(), copy.data() + sizeof head, chunks.size() * sizeof(Chunk));
  const bool intact = head.version == TableHead::kVersion && head.chunks == chunks.size() &&
                      head.frames_a_chunk == chunk_frames(shape, capacity) &&
                      head.table_crc == crc_of(head, chunks);
  if (!intact || !possible(head, chunks, shape, capacity)) {
    return std::nullopt;
  }
  return ChunkTable{static_cast<Codec>(head.codec), head.structure_crc, head.record_offset,
                    head.file_bytes, std::move(chunks)};
}

}  // namespace creel::session
