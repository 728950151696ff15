#include "daemon/guards/damage_guard.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "protocol/base/text.h"

namespace creel {

namespace {

/// As it is tested, and what that is called.
Measure tested(const Measure& measure) {
  return measure.kind == MeasureKind::white_line_ratio
             ? Measure{measure.kind, 1 / measure.value,
                       measure.sigma / (measure.value * measure.value)}
             : measure;
}
std::string tested_name(MeasureKind kind) {
  return kind == MeasureKind::white_line_ratio ? "white-line ratio L2/L3"
                                               : std::string(measure_name(kind));
}

Verdict::What what_then(OnDamage then) {
  switch (then) {
    case OnDamage::hold:
      return Verdict::What::hold;
    case OnDamage::end:
      return Verdict::What::end;
    case OnDamage::note:
      return Verdict::What::note;
  }
  return Verdict::What::hold;
}

}  // namespace

DamageGuard::DamageGuard(DamageLimit limit, const std::vector<Planned>& planned, std::size_t areas)
    : limit_(limit) {
  std::vector<Planned> tested;
  for (const Planned& one : planned) {
    if (is_damage_measure(one.kind) && one.values >= limit_.learn_exposures + 2) {
      tested.push_back(one);
    }
  }
  constexpr double kTests = 2;
  for (const Planned& one : tested) {
    const double share =
        limit_.false_alarms_per_night / (kTests * static_cast<double>(tested.size()));
    ChangeTest::Limits limits;
    limits.k = 0.5 * limit_.shift_sigma;
    limits.learn = limit_.learn_exposures;
    limits.cusum = cusum_threshold(limits.k, one.values, share);
    limits.trend = trend_threshold(limits.learn + 1, one.values,
                                   share / static_cast<double>(std::max<std::size_t>(1, areas)));
    limits_of_[one.kind] = limits;
  }
}

std::optional<ChangeTest::Limits> DamageGuard::limits(MeasureKind kind) const {
  const auto found = limits_of_.find(kind);
  return found == limits_of_.end() ? std::nullopt
                                   : std::optional<ChangeTest::Limits>(found->second);
}

void DamageGuard::measured(const FrameMeasures& measures) {
  for (const Measure& one : measures.measures) {
    const auto limits = limits_of_.find(one.kind);
    const Measure as = tested(one);
    if (limits == limits_of_.end() || !std::isfinite(as.value) || !(as.sigma > 0) ||
        !std::isfinite(as.sigma)) {
      continue;
    }
    ChangeTest& test = tests_.try_emplace({measures.area, one.kind}, limits->second).first->second;
    const auto alarm = test.add(as.value, as.sigma, measures.dose);
    if (alarm && alarm_.what == Verdict::What::go) {  // the first one is reported
      report(as, measures, *alarm);
    }
  }
}

void DamageGuard::report(const Measure& measure, const FrameMeasures& of,
                         const ChangeTest::Alarm& alarm) {
  alarm_ = {what_then(limit_.then),
            "damage guard (lagging): " + tested_name(measure.kind) +
                (alarm.rising ? " has risen from " : " has fallen from ") + number(alarm.mean, 4) +
                " +- " + number(alarm.sigma, 2) + " to " + number(measure.value, 4) +
                " by a dose of " + number(of.dose) + " e/A^2, since about " + number(alarm.since) +
                "; the " + (alarm.by_trend ? "trend" : "CUSUM") + " test stands at " +
                number(alarm.statistic, 3) + ", its threshold is " + number(alarm.threshold, 3),
            {{"kind", "lagging"},
             {"test", alarm.by_trend ? "self-starting trend" : "self-starting CUSUM"},
             {"measure", measure_name(measure.kind)},
             {"area", of.area},
             {"statistic", alarm.statistic},
             {"threshold", alarm.threshold},
             {"rising", alarm.rising},
             {"tested_as", tested_name(measure.kind)},
             {"value", measure.value},
             {"sigma", measure.sigma},
             {"learned_mean", alarm.mean},
             {"sigma_with_excess", alarm.sigma},
             {"values", alarm.values},
             {"dose_at_detection_e_per_a2", of.dose},
             {"change_since_e_per_a2", alarm.since},
             {"exposure", of.exposure},
             {"false_alarms_per_night", limit_.false_alarms_per_night}}};
}

Verdict DamageGuard::before(const BeforeExposure& view) {
  if (alarm_.what == Verdict::What::go || !view.exposure.gives_dose()) {
    return {};
  }
  Verdict verdict = alarm_;
  if (verdict.what == Verdict::What::note) {
    alarm_ = {};
  }
  return verdict;
}

void DamageGuard::went_on() {
  tests_.clear();
  alarm_ = {};
}

}  // namespace creel
