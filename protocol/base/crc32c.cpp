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

// Appending zeros to what was summed is a linear map of the 32-bit state; as four tables, one for
// each byte of the state.
class Zeros {
 public:
  explicit Zeros(std::size_t count) {
    for (unsigned byte = 0; byte < 4; ++byte) {
      for (unsigned bit = 0; bit < 8; ++bit) {
        std::uint32_t state = 1U << (8 * byte + bit);
        for (std::size_t i = 0; i < count; ++i) {
          state = (state >> 8) ^ kTable[state & 0xFFU];
        }
        for (unsigned value = 0; value < 256; ++value) {
          tables_[byte][value] ^= (value >> bit & 1U) != 0U ? state : 0U;
        }
      }
    }
  }
  [[nodiscard]] std::uint32_t after(std::uint32_t state) const {
    return tables_[0][state & 0xFFU] ^ tables_[1][state >> 8 & 0xFFU] ^
           tables_[2][state >> 16 & 0xFFU] ^ tables_[3][state >> 24];
  }

 private:
  std::array<std::array<std::uint32_t, 256>, 4> tables_{};
};

#if defined(__x86_64__)
std::uint64_t word_at(const std::byte* at) {
  std::uint64_t word = 0;
  std::memcpy(&word, at, sizeof word);
  return word;
}

// The instruction has a latency of three cycles and can start one each cycle: three independent
// lanes of the same length keep it busy, and are joined by appending zeros.
constexpr std::size_t kLane = 4096;

__attribute__((target("sse4.2"))) std::uint32_t crc32c_instruction(std::span<const std::byte> bytes,
                                                                   std::uint32_t previous) {
  static const Zeros lane_of_zeros(kLane);
  std::uint64_t crc = ~previous;
  const std::byte* at = bytes.data();
  std::size_t left = bytes.size();
  for (; left >= 3 * kLane; left -= 3 * kLane, at += 3 * kLane) {
    std::uint64_t second = 0, third = 0;
    for (std::size_t i = 0; i < kLane; i += 8) {
      crc = _mm_crc32_u64(crc, word_at(at + i));
      second = _mm_crc32_u64(second, word_at(at + kLane + i));
      third = _mm_crc32_u64(third, word_at(at + 2 * kLane + i));
    }
    const auto first_two =
        lane_of_zeros.after(static_cast<std::uint32_t>(crc)) ^ static_cast<std::uint32_t>(second);
    crc = lane_of_zeros.after(first_two) ^ static_cast<std::uint32_t>(third);
  }
  for (; left >= 8; left -= 8, at += 8) {
    crc = _mm_crc32_u64(crc, word_at(at));
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
