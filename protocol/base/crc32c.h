// CRC-32C (Castagnoli), the checksum of every frame, record and log line that Creel stores.
// Reflected polynomial 0x82F63B78, initial value and final XOR 0xFFFFFFFF.
// Source: RFC 3720 appendix B.4 (iSCSI); check value of "123456789" is 0xE3069283.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace creel {

/// CRC-32C of `bytes`. Pass the CRC of what went before as `previous` to continue a longer run.
/// Uses the processor's CRC32 instruction where there is one. Any thread.
std::uint32_t crc32c(std::span<const std::byte> bytes, std::uint32_t previous = 0);

/// The table-driven version, whatever the processor can do; the tests compare the two.
std::uint32_t crc32c_portable(std::span<const std::byte> bytes, std::uint32_t previous = 0);

}  // namespace creel
