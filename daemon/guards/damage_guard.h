// The lagging guard against damage: a sequential test of every measure that damage may change, on
// every area, against dose. What it sees has happened already; CriticalDoseGuard leads.
//
// One pair of tests (change_test.h) for each measure and area. The stated probability of a false
// alarm is shared out equally among measures and tests (Bonferroni: the sum bounds the whole,
// however they depend on each other), and the thresholds follow from the share and from how many
// values the series plans. A measure of which too few are planned to learn and to test takes no
// part. A ratio is tested with the poorly known number above the line (L2/L3 for the white lines):
// below it, its noise would not be normal.
//
// Not tested: the electron rate. A source drifts slowly, which is no damage; the others are ratios
// and positions, in which the source cancels.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <optional>
#include <utility>
#include <vector>

#include "daemon/guards/change_test.h"
#include "daemon/guards/guard.h"

namespace creel {

class DamageGuard : public Guard {
 public:
  struct Planned {
    MeasureKind kind = MeasureKind::rate;
    std::uint64_t values = 0;  ///< of the whole series
  };
  /// `areas` that the series exposes: each has tests of its own.
  DamageGuard(DamageLimit limit, const std::vector<Planned>& planned, std::size_t areas = 1);
  [[nodiscard]] std::string_view name() const override { return "damage"; }
  /// After an alarm: holds, ends, or notes it, as the series says.
  Verdict before(const BeforeExposure& view) override;
  void measured(const FrameMeasures& measures) override;
  /// A person looked and goes on: what comes now is the new undamaged state. The stated probability
  /// counts from here on again.
  void went_on() override;
  /// Of the tests of a measure; nothing = it is not tested.
  [[nodiscard]] std::optional<ChangeTest::Limits> limits(MeasureKind kind) const;

 private:
  void report(const Measure& measure, const FrameMeasures& of, const ChangeTest::Alarm& alarm);

  DamageLimit limit_;
  std::map<MeasureKind, ChangeTest::Limits> limits_of_;
  std::map<std::pair<std::uint16_t, MeasureKind>, ChangeTest> tests_;  ///< by area
  Verdict alarm_;                                                      ///< what = go: none
};

}  // namespace creel
