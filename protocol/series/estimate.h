// What a series comes to on paper: how many exposures, how long, how much dose.
#pragma once

#include <cstdint>
#include <map>
#include <string>

#include "protocol/series/series.h"

namespace creel {

struct Estimate {
  std::uint64_t exposures = 0;
  std::uint64_t frames = 0;
  double exposed_s = 0;  ///< sum of all frames' exposure times; overheads come on top
  std::map<std::string, Dose> planned;  ///< area (grid/name) -> dose by the series' own dose rates
};

/// Computed block by block, never exposure by exposure: a plan may have 1e8 of them. The residual
/// beam of background exposures counts at its own rate, or at the full one where that is unknown.
Estimate estimate(const Series& series);

}  // namespace creel
