#include "daemon/guards/critical_dose_guard.h"

#include "protocol/base/text.h"

namespace creel {

Verdict CriticalDoseGuard::before(const BeforeExposure& view) {
  const Dose limit{limit_.end_at_fraction * limit_.dose.value};
  if (!view.exposure.gives_dose() || view.area_total + view.bound <= limit) {
    return {};
  }
  return {Verdict::What::end,
          "critical-dose guard: area " + view.exposure.area + " has had " +
              number(view.area_total.value) + " e/A^2 over all sessions, and the next exposure " +
              "could bring it beyond " + number(limit.value) + " e/A^2, which is " +
              number(limit_.end_at_fraction, 3) + " of the critical dose of " +
              number(limit_.dose.value) + " (" + limit_.source + ")",
          {{"kind", "leading"},
           {"area_e_per_a2", view.area_total.value},
           {"bound_e_per_a2", view.bound.value},
           {"critical_dose_e_per_a2", limit_.dose.value},
           {"end_at_fraction", limit_.end_at_fraction},
           {"source", limit_.source}}};
}

}  // namespace creel
