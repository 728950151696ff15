// CRC-32C against the examples of RFC 3720 (iSCSI), appendix B.4, and against the plain table.
#include "protocol/base/crc32c.h"

#include <gtest/gtest.h>

#include <random>
#include <span>
#include <string_view>
#include <vector>

namespace creel {
namespace {

std::vector<std::byte> counted(int first, int step) {
  std::vector<std::byte> bytes;
  for (int i = 0; i < 32; ++i) {
    bytes.push_back(static_cast<std::byte>(first + step * i));
  }
  return bytes;
}

std::vector<std::byte> random_bytes(std::size_t count, unsigned seed) {
  std::mt19937 random(seed);
  std::vector<std::byte> bytes(count);
  for (auto& byte : bytes) {
    byte = static_cast<std::byte>(random());
  }
  return bytes;
}

TEST(Crc32c, GivesTheValuesOfRfc3720) {
  EXPECT_EQ(crc32c(std::vector<std::byte>(32)), 0x8A9136AAU);
  EXPECT_EQ(crc32c(std::vector<std::byte>(32, std::byte{0xFF})), 0x62A8AB43U);
  EXPECT_EQ(crc32c(counted(0, 1)), 0x46DD794EU);
  EXPECT_EQ(crc32c(counted(31, -1)), 0x113FDB5CU);
  EXPECT_EQ(crc32c(std::as_bytes(std::span(std::string_view("123456789")))), 0xE3069283U);
}

// Lengths around every change of method: bytes, words, and the three lanes of 4096 bytes.
TEST(Crc32c, IsTheSameFromTheInstructionAndFromTheTable) {
  const auto bytes = random_bytes(40000, 1);
  for (const std::size_t length :
       {0, 1, 7, 8, 9, 63, 4096, 12287, 12288, 12289, 12296, 24575, 24576, 36865, 39999}) {
    for (const std::size_t offset : {0, 1}) {
      const auto part = std::span(bytes).subspan(offset, length);
      EXPECT_EQ(crc32c(part), crc32c_portable(part)) << length << " bytes from " << offset;
    }
  }
}

TEST(Crc32c, GoesOnWhereItStopped) {
  const auto bytes = random_bytes(30000, 2);
  const auto whole = crc32c(bytes);
  for (const std::size_t cut : {0, 1, 5, 4096, 12288, 20001, 30000}) {
    const auto first = crc32c(std::span(bytes).first(cut));
    EXPECT_EQ(crc32c(std::span(bytes).subspan(cut), first), whole) << "cut at " << cut;
  }
}

}  // namespace
}  // namespace creel
