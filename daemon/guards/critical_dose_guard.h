// The leading guard against damage: what is known to be destroyed at a critical dose is not brought
// near it. DamageGuard sees damage only once it has happened.
#pragma once

#include <utility>

#include "daemon/guards/guard.h"

namespace creel {

class CriticalDoseGuard : public Guard {
 public:
  explicit CriticalDoseGuard(CriticalDose limit) : limit_(std::move(limit)) {}
  [[nodiscard]] std::string_view name() const override { return "critical_dose"; }
  /// Compares the upper value of all the area ever had, because a specimen does not heal.
  Verdict before(const BeforeExposure& view) override;

 private:
  CriticalDose limit_;
};

}  // namespace creel
