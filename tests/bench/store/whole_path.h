// The whole path: a real creeld with its hosts, the `blank` driver as the detector.
#pragma once

#include <cstdint>
#include <string>

namespace creel::bench {

struct PathRun {
  double bytes_per_s = 0;
  double frames_per_s = 0;
  double processor_s_per_gib = 0;   ///< of creeld alone
  std::uint64_t private_bytes = 0;  ///< of creeld, the most that was seen; the ring is not in it
};

/// Streams `frames` frames of `rows` x `columns` 16-bit pixels, in blocks of `block`, as fast as
/// they go, with creeld's `codec`; measured from the first frames that are durable to the last.
/// Throws std::runtime_error when creeld refuses.
PathRun stream(const std::string& directory, std::uint64_t rows, std::uint64_t columns,
               std::uint64_t block, std::uint64_t frames, const std::string& codec = "none");

}  // namespace creel::bench
