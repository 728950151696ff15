#include "daemon/guards/dose_guard.h"

#include "protocol/base/text.h"

namespace creel {

Verdict DoseGuard::before(const BeforeExposure& view) {
  if (!view.exposure.gives_dose()) {
    return {};
  }
  const Dose series_after = view.series_on_area + view.bound;
  const Dose area_after = view.area_total + view.bound;
  const nlohmann::json numbers = {{"bound_e_per_a2", view.bound.value},
                                  {"series_e_per_a2", view.series_on_area.value},
                                  {"series_limit_e_per_a2", limit_.value},
                                  {"area_e_per_a2", view.area_total.value},
                                  {"area_limit_e_per_a2", view.area_limit.value}};
  if (series_after > limit_) {
    return {Verdict::What::end,
            "dose guard: area " + view.exposure.area + " has had " +
                number(view.series_on_area.value) + " e/A^2 of this series' " +
                number(limit_.value) + "; the next exposure could give " + number(view.bound.value),
            numbers, Duration{}};
  }
  if (area_after > view.area_limit) {
    return {Verdict::What::end,
            "dose guard: area " + view.exposure.area + " has had " + number(view.area_total.value) +
                " e/A^2 of its limit of " + number(view.area_limit.value) +
                " over all sessions; the next exposure could give " + number(view.bound.value),
            numbers, Duration{}};
  }
  return {};
}

}  // namespace creel
