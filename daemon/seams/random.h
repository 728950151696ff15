// Where the daemon's own chance comes from (names, jitter). Seeded in tests; physics never uses it.
#pragma once

#include <cstdint>

namespace creel {

class Random {
 public:
  virtual ~Random() = default;
  /// 64 uniform bits. One thread.
  virtual std::uint64_t next() = 0;
};

}  // namespace creel
