#include "daemon/guards/drift_guard.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/daemon/guards/measured.h"

namespace creel {
namespace {

using testing::HasSubstr;

DriftGuard told(DriftLimit limit, std::initializer_list<double> positions) {
  DriftGuard guard(std::move(limit));
  for (const double one : positions) {
    guard.measured(reference(MeasureKind::zero_loss_ev, one));
  }
  return guard;
}

DriftLimit with_setting() {
  return {0.5, "camera", "energy_offset_ev", 2};
}

BeforeExposure moved(double offset_ev) {
  BeforeExposure view = next_exposure();
  view.offset_ev = offset_ev;
  return view;
}

TEST(DriftGuard, OneReferenceOffIsNotBelievedTwoAre) {
  DriftGuard guard = told(with_setting(), {0.1, 0.2, 0.7});
  EXPECT_EQ(guard.before(moved(0)).what, Verdict::What::go);
  guard.measured(reference(MeasureKind::zero_loss_ev, 0.8));
  const Verdict verdict = guard.before(moved(0));
  EXPECT_EQ(verdict.what, Verdict::What::recentre);
  EXPECT_NEAR(verdict.offset_ev, 0.7, 1e-12);  // back to where it was first
  EXPECT_EQ(verdict.numbers.at("zero_loss_ev"), 0.8);
}

TEST(DriftGuard, PositionsOnTheMovedAxisTellWhetherItHelped) {
  DriftGuard guard = told(with_setting(), {0, 0.7, 0.8});
  EXPECT_EQ(guard.before(moved(0)).what, Verdict::What::recentre);
  guard.measured(reference(MeasureKind::zero_loss_ev, 0.8));  // late: taken before the move
  guard.measured(reference(MeasureKind::zero_loss_ev, 0.9));
  EXPECT_EQ(guard.before(moved(0.8)).what, Verdict::What::go);
}

TEST(DriftGuard, HoldsWhenMovingDoesNotHelp) {
  DriftGuard guard = told(with_setting(), {0, 0.7, 0.8});
  guard.before(moved(0));
  // The setting does nothing: the axis is recorded as moved, the peak stays in its channel.
  guard.measured(reference(MeasureKind::zero_loss_ev, 1.6));
  guard.measured(reference(MeasureKind::zero_loss_ev, 1.6));
  const Verdict verdict = guard.before(moved(0.8));
  EXPECT_EQ(verdict.what, Verdict::What::hold);
  EXPECT_THAT(verdict.reason, HasSubstr("does camera.energy_offset_ev work?"));
}

TEST(DriftGuard, HoldsAfterAsManyMovesAsAllowed) {
  DriftGuard guard = told(with_setting(), {0});
  double drift = 0;
  double offset = 0;
  Verdict verdict;
  for (int i = 0; i < 40 && verdict.what != Verdict::What::hold; ++i) {
    drift += 0.2;
    guard.measured(reference(MeasureKind::zero_loss_ev, drift));
    verdict = guard.before(moved(offset));
    offset = verdict.what == Verdict::What::recentre ? verdict.offset_ev : offset;
  }
  EXPECT_EQ(verdict.what, Verdict::What::hold);
  EXPECT_EQ(verdict.numbers.at("moved_times"), 2);
}

TEST(DriftGuard, HoldsWithoutASettingAndWithoutAPeak) {
  EXPECT_EQ(told({0.5, "", "", 8}, {0, -0.6, -0.7}).before(moved(0)).what, Verdict::What::hold);
  DriftGuard guard = told(with_setting(), {0});
  FrameMeasures nothing;
  nothing.kind = ExposureKind::zero_loss;
  guard.measured(nothing);
  EXPECT_EQ(guard.before(moved(0)).what, Verdict::What::go);
  guard.measured(nothing);
  EXPECT_THAT(guard.before(moved(0)).reason, HasSubstr("no zero-loss peak is found"));
  guard.went_on();
  EXPECT_EQ(guard.before(moved(0)).what, Verdict::What::go);
}

}  // namespace
}  // namespace creel
