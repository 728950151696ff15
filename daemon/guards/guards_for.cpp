#include "daemon/guards/guards_for.h"

#include <set>
#include <string>

#include "daemon/guards/clock_guard.h"
#include "daemon/guards/counts_guard.h"
#include "daemon/guards/critical_dose_guard.h"
#include "daemon/guards/damage_guard.h"
#include "daemon/guards/disk_guard.h"
#include "daemon/guards/dose_guard.h"
#include "daemon/guards/drift_guard.h"
#include "daemon/guards/emission_guard.h"
#include "daemon/guards/gauge_guard.h"
#include "daemon/guards/precision_guard.h"
#include "daemon/guards/reference_guards.h"

namespace creel {

namespace {

std::unique_ptr<Guard> damage_guard(const Series& series) {
  std::vector<DamageGuard::Planned> planned;
  for (const MeasureKind kind : kMeasureKinds) {
    planned.push_back(
        {kind, planned_measures(series, kind, series.guards.damage->slice_exposures)});
  }
  std::set<std::string> areas;
  for (const Block& block : series.blocks) areas.insert(block.area);
  areas.erase("");
  return std::make_unique<DamageGuard>(*series.guards.damage, planned, areas.size());
}

}  // namespace

std::vector<std::unique_ptr<Guard>> guards_for(const Series& series) {
  const Guards& guards = series.guards;
  std::vector<std::unique_ptr<Guard>> list;
  list.push_back(std::make_unique<DoseGuard>(guards.dose));
  if (guards.critical_dose) {
    list.push_back(std::make_unique<CriticalDoseGuard>(*guards.critical_dose));
  }
  if (guards.clock) list.push_back(std::make_unique<ClockGuard>(*guards.clock));
  if (guards.precision) list.push_back(std::make_unique<PrecisionGuard>(*guards.precision));
  if (guards.damage) list.push_back(damage_guard(series));
  if (guards.contamination) {
    list.push_back(std::make_unique<ContaminationGuard>(*guards.contamination));
  }
  if (guards.broadening) list.push_back(std::make_unique<BroadeningGuard>(*guards.broadening));
  if (guards.zero_loss_drift) list.push_back(std::make_unique<DriftGuard>(*guards.zero_loss_drift));
  list.push_back(std::make_unique<DiskGuard>());
  for (const GaugeBand& band : guards.gauges) list.push_back(std::make_unique<GaugeGuard>(band));
  if (guards.low_counts) list.push_back(std::make_unique<CountsGuard>(*guards.low_counts));
  if (guards.emission) list.push_back(std::make_unique<EmissionGuard>(*guards.emission));
  return list;
}

}  // namespace creel
