#include "daemon/guards/guards_for.h"

#include "daemon/guards/counts_guard.h"
#include "daemon/guards/disk_guard.h"
#include "daemon/guards/dose_guard.h"
#include "daemon/guards/gauge_guard.h"
#include "daemon/guards/precision_guard.h"

namespace creel {

std::vector<std::unique_ptr<Guard>> guards_for(const Guards& guards) {
  std::vector<std::unique_ptr<Guard>> list;
  list.push_back(std::make_unique<DoseGuard>(guards.dose));
  list.push_back(std::make_unique<DiskGuard>());
  if (guards.precision) list.push_back(std::make_unique<PrecisionGuard>(*guards.precision));
  for (const GaugeBand& band : guards.gauges) list.push_back(std::make_unique<GaugeGuard>(band));
  if (guards.low_counts) list.push_back(std::make_unique<CountsGuard>(*guards.low_counts));
  return list;
}

}  // namespace creel
