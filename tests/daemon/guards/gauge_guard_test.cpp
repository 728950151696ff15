#include "daemon/guards/gauge_guard.h"

#include <gtest/gtest.h>

namespace creel {
namespace {

GaugeBand laser(Duration at_most = seconds(60)) {
  return {"laser_power", "power", 18.0, 22.0, {seconds(5), at_most}};
}

BeforeExposure before(double now_s, double power, ExposureKind kind = ExposureKind::specimen) {
  BeforeExposure view;
  view.exposure.kind = kind;
  view.now = WorldTime{} + from_seconds(now_s);
  view.readings = {{"room", "temperature", 21.0}, {"laser_power", "power", power}};
  return view;
}

TEST(GaugeGuard, LetsReadingsInTheBandGoEndsIncluded) {
  GaugeGuard guard(laser());
  for (const double power : {18.0, 20.0, 22.0}) {
    EXPECT_EQ(guard.before(before(1, power)).what, Verdict::What::go) << power;
  }
}

TEST(GaugeGuard, WaitsWhileTheLaserIsOutAndGoesOnWhenItIsBack) {
  GaugeGuard guard(laser());
  const Verdict verdict = guard.before(before(1, 0.1));
  EXPECT_EQ(verdict.what, Verdict::What::wait);
  EXPECT_EQ(verdict.again, seconds(5));
  EXPECT_EQ(verdict.reason, "gauge guard: laser_power power is 0.1; its band is 18 to 22");
  EXPECT_EQ(verdict.numbers["value"], 0.1);
  EXPECT_EQ(guard.before(before(6, 0.1)).what, Verdict::What::wait);
  EXPECT_EQ(guard.before(before(11, 20)).what, Verdict::What::go);
  // The wait is over: a later drop-out has the whole patience again.
  EXPECT_EQ(guard.before(before(100, 0.1)).what, Verdict::What::wait);
}

TEST(GaugeGuard, HoldsForAPersonWhenItLastsTooLong) {
  GaugeGuard guard(laser(seconds(60)));
  EXPECT_EQ(guard.before(before(10, 0)).what, Verdict::What::wait);
  EXPECT_EQ(guard.before(before(69, 0)).what, Verdict::What::wait);
  EXPECT_EQ(guard.before(before(70, 0)).what, Verdict::What::hold);
  guard.went_on();
  EXPECT_EQ(guard.before(before(71, 0)).what, Verdict::What::wait);
}

TEST(GaugeGuard, AReadingThatIsMissingOrNoNumberCountsAsOutside) {
  GaugeGuard guard(laser());
  BeforeExposure blind = before(1, 20);
  blind.readings.pop_back();
  const Verdict verdict = guard.before(blind);
  EXPECT_EQ(verdict.what, Verdict::What::wait);
  EXPECT_TRUE(verdict.numbers.at("value").is_null());
  EXPECT_EQ(guard.before(before(2, std::nan(""))).what, Verdict::What::wait);
}

TEST(GaugeGuard, DarksNeedNoLaser) {
  GaugeGuard guard(laser());
  EXPECT_EQ(guard.before(before(1, 0, ExposureKind::dark)).what, Verdict::What::go);
}

TEST(GaugeGuard, MarksTheFrameDuringWhichTheReadingLeftItsBand) {
  GaugeGuard guard(laser());
  AfterExposure after;
  after.exposure.kind = ExposureKind::specimen;
  after.readings = {{"laser_power", "power", 3.0}};
  EXPECT_EQ(guard.after(after), "laser_power power is 3; its band is 18 to 22");
  after.readings[0].value = 20;
  EXPECT_EQ(guard.after(after), "");
}

TEST(GaugeGuard, ABandMayBeOpenAtOneEnd) {
  GaugeGuard guard({"room", "temperature", std::nullopt, 22.0, {}});
  EXPECT_EQ(guard.before(before(1, 20)).what, Verdict::What::go);
  GaugeGuard least({"room", "temperature", 21.5, std::nullopt, {}});
  EXPECT_EQ(least.before(before(1, 20)).reason,
            "gauge guard: room temperature is 21; its band is at least 21.5");
}

}  // namespace
}  // namespace creel
