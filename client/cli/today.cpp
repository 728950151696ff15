#include "client/cli/today.h"

#include <chrono>

namespace creel::cli {

std::int64_t utc_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(
             std::chrono::system_clock::now().time_since_epoch())
      .count();
}

}  // namespace creel::cli
