#include "daemon/guards/counts_guard.h"

#include <gtest/gtest.h>

namespace creel {
namespace {

CountsLimit limit() {
  return {0.5, 2, {seconds(30), seconds(100)}};
}

AfterExposure after(ExposureKind kind, double counts) {
  AfterExposure view;
  view.exposure.kind = kind;
  view.exposure.exposure = seconds(10);
  view.counts = counts;
  return view;
}

BeforeExposure before(double now_s) {
  BeforeExposure view;
  view.exposure.kind = ExposureKind::specimen;
  view.now = WorldTime{} + from_seconds(now_s);
  return view;
}

/// A guard that knows what is usual: 1000 counts above a dark of 200.
CountsGuard settled() {
  CountsGuard guard(limit());
  guard.after(after(ExposureKind::dark, 200));
  for (int i = 0; i < 5; ++i) {
    EXPECT_EQ(guard.after(after(ExposureKind::specimen, 1190 + 5 * i)), "");
  }
  return guard;
}

TEST(CountsGuard, MarksAFrameWithLessThanItsPartOfTheUsual) {
  CountsGuard guard = settled();
  EXPECT_EQ(guard.after(after(ExposureKind::specimen, 701)), "");
  EXPECT_EQ(guard.after(after(ExposureKind::specimen, 600)), "its counts are 40 % of the usual");
}

TEST(CountsGuard, WaitsAfterLowFramesInARowAndLetsOneExposureTry) {
  CountsGuard guard = settled();
  guard.after(after(ExposureKind::specimen, 300));
  EXPECT_EQ(guard.before(before(1)).what, Verdict::What::go);
  guard.after(after(ExposureKind::specimen, 300));
  const Verdict verdict = guard.before(before(2));
  EXPECT_EQ(verdict.what, Verdict::What::wait);
  EXPECT_EQ(verdict.again, seconds(30));
  EXPECT_EQ(guard.before(before(32)).what, Verdict::What::go);  // the one that tries
  guard.after(after(ExposureKind::specimen, 1200));
  EXPECT_EQ(guard.before(before(43)).what, Verdict::What::go);
}

TEST(CountsGuard, HoldsForAPersonWhenTheElectronsStayAway) {
  CountsGuard guard = settled();
  double now = 0;
  Verdict::What last = Verdict::What::go;
  for (int step = 0; step < 20 && last != Verdict::What::hold; ++step) {
    guard.after(after(ExposureKind::specimen, 210));
    while ((last = guard.before(before(now)).what) == Verdict::What::wait) {
      now += 30;
    }
    now += 10;
  }
  EXPECT_EQ(last, Verdict::What::hold);
  EXPECT_LT(now, 200);
  guard.went_on();  // a person looked: what comes now is the new usual
  EXPECT_EQ(guard.after(after(ExposureKind::specimen, 210)), "");
}

TEST(CountsGuard, JudgesNothingWithoutADarkOrBeforeFourGoodFrames) {
  CountsGuard guard(limit());
  EXPECT_EQ(guard.after(after(ExposureKind::specimen, 5)), "");
  guard.after(after(ExposureKind::dark, 200));
  for (const double counts : {1200.0, 210.0, 1200.0, 205.0}) {
    EXPECT_EQ(guard.after(after(ExposureKind::specimen, counts)), "");
  }
}

}  // namespace
}  // namespace creel
