// Reading a file at a place, whole.
#pragma once

#include <unistd.h>
#include <cerrno>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

namespace creel {

/// Reads bytes.size() bytes at `offset`; fewer only at the end of the file. Nothing, with errno
/// set, when the system refuses. Does not move the file's position.
inline std::optional<std::size_t> read_whole(int descriptor, std::uint64_t offset,
                                             std::span<std::byte> bytes) {
  std::size_t done = 0;
  while (done < bytes.size()) {
    const ssize_t got = ::pread(descriptor, bytes.data() + done, bytes.size() - done,
                                static_cast<off_t>(offset + done));
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return std::nullopt;
    if (got == 0) break;
    done += static_cast<std::size_t>(got);
  }
  return done;
}

}  // namespace creel
