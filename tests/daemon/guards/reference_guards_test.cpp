#include "daemon/guards/reference_guards.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "daemon/guards/critical_dose_guard.h"
#include "tests/daemon/guards/measured.h"

namespace creel {
namespace {

using testing::HasSubstr;

TEST(ContaminationGuard, ActsOnTwoReferencesInARowAboveTheAreasStart) {
  ContaminationGuard guard({0.1, false});
  for (const double one : {0.40, 0.42, 0.44, 0.50, 0.53, 0.51, 0.53}) {
    guard.measured(reference(MeasureKind::t_over_lambda, one));
    EXPECT_EQ(guard.before(next_exposure()).what, Verdict::What::go);
  }
  guard.measured(reference(MeasureKind::t_over_lambda, 0.9, 1));  // another area, its own start
  guard.measured(reference(MeasureKind::t_over_lambda, 0.54));
  const Verdict verdict = guard.before(next_exposure());
  EXPECT_EQ(verdict.what, Verdict::What::hold);
  EXPECT_THAT(verdict.reason, HasSubstr("from 0.42 to 0.54"));
  guard.went_on();
  EXPECT_EQ(guard.before(next_exposure()).what, Verdict::What::go);
}

TEST(ContaminationGuard, EndsWhenTheSeriesSaysSo) {
  ContaminationGuard guard({0.1, true});
  for (const double one : {0.4, 0.4, 0.4, 0.6, 0.6}) {
    guard.measured(reference(MeasureKind::t_over_lambda, one));
  }
  EXPECT_EQ(guard.before(next_exposure()).what, Verdict::What::end);
}

TEST(BroadeningGuard, HoldsWhenTheZeroLossStaysTooWide) {
  BroadeningGuard guard({1.2});
  for (const double one : {0.8, 1.3, 0.9, 1.3}) {
    guard.measured(reference(MeasureKind::zero_loss_fwhm_ev, one));
    EXPECT_EQ(guard.before(next_exposure()).what, Verdict::What::go);
  }
  guard.measured(reference(MeasureKind::zero_loss_fwhm_ev, 1.4));
  const Verdict verdict = guard.before(next_exposure());
  EXPECT_EQ(verdict.what, Verdict::What::hold);
  EXPECT_THAT(verdict.reason, HasSubstr("1.4 eV wide; 1.2 eV are allowed"));
}

TEST(CriticalDoseGuard, EndsBeforeTheFractionCouldBePassed) {
  CriticalDoseGuard guard({Dose{20}, 0.5, "session trial-7"});
  BeforeExposure view = next_exposure();
  view.area_total = Dose{9};
  view.bound = Dose{1};
  EXPECT_EQ(guard.before(view).what, Verdict::What::go);
  view.area_total = Dose{9.01};
  const Verdict verdict = guard.before(view);
  EXPECT_EQ(verdict.what, Verdict::What::end);
  EXPECT_EQ(verdict.numbers.at("kind"), "leading");
  EXPECT_THAT(verdict.reason, HasSubstr("session trial-7"));
  view.exposure.kind = ExposureKind::dark;
  view.exposure.area = "";
  EXPECT_EQ(guard.before(view).what, Verdict::What::go);
}

}  // namespace
}  // namespace creel
