// The real date, for ages of records.
#pragma once

#include <cstdint>

namespace creel::cli {

/// UTC in nanoseconds since 1970-01-01T00:00:00Z.
std::int64_t utc_now_ns();

}  // namespace creel::cli
