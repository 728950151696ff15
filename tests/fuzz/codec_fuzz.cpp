// Arbitrary bytes as a packed chunk, and as a chunk table with its checksum put right. The first
// two bytes choose codec, pixel and size.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <cstring>
#include <span>
#include <vector>

#include "protocol/base/crc32c.h"
#include "protocol/session/chunk_table.h"
#include "protocol/session/codec.h"

namespace {

using namespace creel::session;  // NOLINT(google-build-using-namespace): one small program

void try_table(std::span<const std::byte> bytes) {
  constexpr FrameShape shape{1, 3000, Pixel::u16};
  constexpr std::uint64_t capacity = 700;
  TableHead head;
  std::vector<std::byte> copy(user_block_bytes(shape, capacity) / 2);
  std::memcpy(copy.data(), bytes.data(), std::min(copy.size(), bytes.size()));
  std::memcpy(&head, copy.data(), sizeof head);
  head.magic = TableHead::kMagic;
  head.version = TableHead::kVersion;
  head.frames_a_chunk = chunk_frames(shape, capacity);
  head.chunks = chunk_count(shape, capacity);
  head.table_crc = 0;
  std::memcpy(copy.data(), &head, sizeof head);
  head.table_crc =
      creel::crc32c(std::span(copy).first(sizeof head + head.chunks * sizeof(ChunkTable::Chunk)));
  std::memcpy(copy.data(), &head, sizeof head);
  const auto table = read_table(copy, shape, capacity);
  for (const auto& chunk : table ? table->chunks : std::vector<ChunkTable::Chunk>()) {
    if (chunk.offset > table->file_bytes || chunk.bytes > table->file_bytes - chunk.offset) {
      std::abort();
    }
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 18) {  // at least one element of any kind
    return 0;
  }
  const auto codec = static_cast<Codec>(data[0] % 3);
  const auto pixel = static_cast<Pixel>(data[0] / 3 % 5);
  const auto bytes = std::as_bytes(std::span(data, size)).subspan(2);
  std::vector<std::byte> frames((data[1] + 1U) * 37 * pixel_bytes(pixel));
  (void)unpack(codec, pixel, bytes, frames);
  // What was packed comes back.
  const auto whole = bytes.first(bytes.size() - bytes.size() % pixel_bytes(pixel));
  std::vector<std::byte> chunk, back(whole.size());
  pack(codec, pixel, whole, chunk);
  if (!unpack(codec, pixel, chunk, back) || !std::equal(back.begin(), back.end(), whole.begin())) {
    std::abort();
  }
  try_table(bytes);
  return 0;
}
