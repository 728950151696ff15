#include "daemon/guards/emission_guard.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/daemon/guards/measured.h"

namespace creel {
namespace {

using testing::HasSubstr;

EmissionLimit limit() {
  EmissionLimit made;
  made.below = 0.7;
  made.device = "laser_power";
  made.channel = "power";
  made.settle = seconds(60);
  made.patience = {seconds(30), seconds(100)};
  return made;
}

BeforeExposure powered(double now_s, double power) {
  BeforeExposure view = next_exposure(now_s);
  view.readings = {{"laser_power", "power", power}};
  return view;
}

FrameMeasures rate(double value) {
  return measured(ExposureKind::specimen, MeasureKind::rate, value);
}

EmissionGuard started() {
  EmissionGuard guard(limit());
  EXPECT_EQ(guard.before(powered(0, 20)).what, Verdict::What::go);
  for (const double one : {1000.0, 1010.0, 990.0, 1000.0}) {
    guard.measured(rate(one));
  }
  return guard;
}

TEST(EmissionGuard, WaitsWhenElectronsFallAwayAlthoughTheLaserReadsWell) {
  EmissionGuard guard = started();
  guard.measured(rate(600));
  EXPECT_EQ(guard.before(powered(10, 20)).what, Verdict::What::go);
  guard.measured(rate(610));
  const Verdict verdict = guard.before(powered(20, 19));
  EXPECT_EQ(verdict.what, Verdict::What::wait);
  EXPECT_EQ(verdict.again, seconds(30));
  EXPECT_THAT(verdict.reason, HasSubstr("61 % of the electrons of the start arrive although "
                                        "laser_power power reads 19 (at the start 20)"));
  EXPECT_EQ(guard.before(powered(50, 20)).what, Verdict::What::go);  // until one is measured
  EXPECT_EQ(guard.before(powered(60, 20)).what, Verdict::What::go);
  guard.measured(rate(600));
  EXPECT_EQ(guard.before(powered(70, 20)).what, Verdict::What::wait);
  guard.measured(rate(600));
  EXPECT_EQ(guard.before(powered(130, 20)).what, Verdict::What::hold);
  guard.went_on();
  guard.measured(rate(600));  // the new start
  EXPECT_EQ(guard.before(powered(140, 20)).what, Verdict::What::go);
}

TEST(EmissionGuard, LeavesAWeakLaserToItsOwnGuard) {
  EmissionGuard guard = started();
  guard.measured(rate(300));
  guard.measured(rate(300));
  EXPECT_EQ(guard.before(powered(20, 6)).what, Verdict::What::go);
}

TEST(EmissionGuard, BlocksAndKindsHaveTheirOwnStart) {
  EmissionGuard guard = started();
  for (int i = 0; i < 6; ++i) {
    FrameMeasures other = measured(ExposureKind::zero_loss, MeasureKind::rate, 100);
    guard.measured(other);
  }
  EXPECT_EQ(guard.before(powered(20, 20)).what, Verdict::What::go);
}

TEST(EmissionGuard, LetsTheCathodeSettle) {
  EmissionGuard guard(limit());
  BeforeExposure view = powered(0, 20);
  view.lit_for = seconds(20);
  const Verdict verdict = guard.before(view);
  EXPECT_EQ(verdict.what, Verdict::What::wait);
  EXPECT_EQ(verdict.again, seconds(40));
  view.lit_for = seconds(60);
  EXPECT_EQ(guard.before(view).what, Verdict::What::go);
  AfterExposure after;
  after.exposure.kind = ExposureKind::specimen;
  after.lit_for = seconds(12);
  EXPECT_EQ(guard.after(after),
            "it began 12 s after the cathode laser was let in, which needs 60 s to settle");
  after.lit_for = seconds(60);
  EXPECT_EQ(guard.after(after), "");
}

}  // namespace
}  // namespace creel
