#include "protocol/series/estimate.h"

#include "protocol/series/series_check.h"

namespace creel {

Estimate estimate(const Series& series) {
  Estimate result;
  const auto count = [&result](std::uint64_t times, std::uint32_t frames, Duration each) {
    result.exposures += times;
    result.frames += times * frames;
    result.exposed_s += static_cast<double>(times * frames) * in_seconds(each);
  };
  for (const Block& block : series.blocks) {
    const std::uint64_t values = block.vary ? block.vary->values.size() : 1;
    count(values * block.count, block.frames, block.exposure);
    for (const Interleave& between : block.interleave) {
      count(values * times_taken(between, block.count) * between.count, between.frames,
            between.exposure);
    }
  }
  for (const Area& area : series.areas) {
    result.planned[area.key()] += documents::planned_dose(series, area).total;
  }
  return result;
}

}  // namespace creel
