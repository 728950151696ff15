#include "daemon/guards/clock_guard.h"

#include "protocol/base/text.h"

namespace creel {

Verdict ClockGuard::before(const BeforeExposure& view) {
  const std::string next =
      "; the next exposure takes " + time_span(in_seconds(view.takes)) + " and is left";
  if (limit_.ends_at_utc_ns && view.utc_ns + view.takes.value > *limit_.ends_at_utc_ns) {
    return {Verdict::What::end,
            "clock guard: it is " + utc_text(view.utc_ns) + ", and the series ends at " +
                utc_text(*limit_.ends_at_utc_ns) + next,
            {{"utc", utc_text(view.utc_ns)},
             {"ends_at", utc_text(*limit_.ends_at_utc_ns)},
             {"exposure_takes_s", in_seconds(view.takes)}}};
  }
  if (limit_.ends_after && view.session_age + view.takes > *limit_.ends_after) {
    return {Verdict::What::end,
            "clock guard: the session is " + time_span(in_seconds(view.session_age)) +
                " old, and ends after " + time_span(in_seconds(*limit_.ends_after)) + next,
            {{"session_age_s", in_seconds(view.session_age)},
             {"ends_after_s", in_seconds(*limit_.ends_after)},
             {"exposure_takes_s", in_seconds(view.takes)}}};
  }
  return {};
}

}  // namespace creel
