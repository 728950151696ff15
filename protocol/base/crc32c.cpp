#include "protocol/base/crc32c.h"

#include <array>
#include <cstring>

#if defined(__x86_64__)
#include <nmmintrin.h>
#endif

namespace creel {
namespace {

constexpr std::array<std::uint32_t, 256> make_table() {
  std::array<std::uint32_t, 256> table{};
  for (std::uint32_t i = 0; i < 256; ++i) {
    std::uint32_t crc = i;
    for (int bit = 0; bit < 8; ++bit) {
      crc = (crc >> 1) ^ ((crc & 1U) != 0U ? 0x82F63B78U : 0U);
    }
    table[i] = crc;
  }
  return table;
}
constexpr auto kTable = make_table();

#if defined(__x86_64__)
__attribute__((target("sse4.2"))) std::uint32_t crc32c_instruction(std::span<const std::byte> bytes,
                                                                   std::uint32_t previous) {
  std::uint64_t crc = ~previous;
  const std::byte* at = bytes.data();
  std::size_t left = bytes.size();
  for (; left >= 8; left -= 8, at += 8) {
    std::uint64_t word = 0;
    std::memcpy(&word, at, sizeof word);
    crc = _mm_crc32_u64(crc, word);
  }
  auto crc32 = static_cast<std::uint32_t>(crc);
  for (; left > 0; --left, ++at) {
    crc32 = _mm_crc32_u8(crc32, std::to_integer<std::uint8_t>(*at));
  }
  return ~crc32;
}
#endif

}  // namespace

std::uint32_t crc32c_portable(std::span<const std::byte> bytes, std::uint32_t previous) {
  std::uint32_t crc = ~previous;
  for (const std::byte byte : bytes) {
    crc = (crc >> 8) ^ kTable[(crc ^ std::to_integer<std::uint32_t>(byte)) & 0xFFU];
  }
  return ~crc;
}

std::uint32_t crc32c(std::span<const std::byte> bytes, std::uint32_t previous) {
#if defined(__x86_64__)
  static const bool has_instruction = __builtin_cpu_supports("sse4.2") != 0;
  if (has_instruction) {
    return crc32c_instruction(bytes, previous);
  }
#endif
  return crc32c_portable(bytes, previous);
}

}  // namespace creel
