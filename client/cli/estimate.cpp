#include "client/cli/estimate.h"

namespace creel::cli {

namespace {

void count(const Series& series, const Block& block, ExposureKind kind, std::uint64_t times,
           Duration each, Estimate& into) {
  into.exposures += times;
  const double time_s = static_cast<double>(times) * in_seconds(each);
  into.exposed_s += time_s;
  const Area* area = series.find_area(block.area);
  if (kind == ExposureKind::dark || block.where != Where::specimen || area == nullptr) {
    return;
  }
  // With the cathode laser blocked only the residual beam reaches the specimen; unknown counts in
  // full.
  const bool residual = kind == ExposureKind::background && series.beam.residual.has_value();
  const DoseRate rate = residual ? *series.beam.residual : series.beam.dose_rate;
  into.planned[area->key()] += Dose{rate.value * time_s};
}

}  // namespace

Estimate estimate(const Series& series) {
  Estimate result;
  for (const Block& block : series.blocks) {
    const std::uint64_t values = block.vary ? block.vary->values.size() : 1;
    count(series, block, block.kind, values * block.count, block.exposure, result);
    for (const Interleave& between : block.interleave) {
      const std::uint64_t groups = block.count == 0 ? 0 : (block.count - 1) / between.every + 1;
      count(series, block, between.kind, values * groups * between.count, between.exposure, result);
    }
  }
  return result;
}

}  // namespace creel::cli
