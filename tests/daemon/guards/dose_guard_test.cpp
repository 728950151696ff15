#include "daemon/guards/dose_guard.h"

#include <gtest/gtest.h>

namespace creel {
namespace {

BeforeExposure view(double bound, double series, double area, double limit) {
  BeforeExposure view;
  view.exposure.kind = ExposureKind::specimen;
  view.exposure.area = "A1";
  view.bound = Dose{bound};
  view.series_on_area = Dose{series};
  view.area_total = Dose{area};
  view.area_limit = Dose{limit};
  return view;
}

TEST(DoseGuard, LetsAnExposureGoThatReachesTheLimitExactly) {
  DoseGuard guard(Dose{10});
  EXPECT_EQ(guard.before(view(2, 8, 8, 40)).what, Verdict::What::go);
}

TEST(DoseGuard, EndsBeforeTheSeriesLimitWouldBePassed) {
  DoseGuard guard(Dose{10});
  const Verdict verdict = guard.before(view(2.5, 8, 8, 40));
  EXPECT_EQ(verdict.what, Verdict::What::end);
  EXPECT_EQ(
      verdict.reason,
      "dose guard: area A1 has had 8 e/A^2 of this series' 10; the next exposure could give 2.5");
  EXPECT_EQ(verdict.numbers["series_limit_e_per_a2"], 10.0);
}

TEST(DoseGuard, CountsWhatEarlierSessionsGaveTheArea) {
  DoseGuard guard(Dose{10});
  const Verdict verdict = guard.before(view(2, 0, 39, 40));
  EXPECT_EQ(verdict.what, Verdict::What::end);
  EXPECT_NE(verdict.reason.find("over all sessions"), std::string::npos);
}

TEST(DoseGuard, NeverStopsADark) {
  DoseGuard guard(Dose{10});
  BeforeExposure dark = view(0, 10, 40, 40);
  dark.exposure.kind = ExposureKind::dark;
  EXPECT_EQ(guard.before(dark).what, Verdict::What::go);
}

}  // namespace
}  // namespace creel
