#include "daemon/guards/precision_guard.h"

#include <gtest/gtest.h>

namespace creel {
namespace {

BeforeExposure with(std::optional<RunningAnswer> answer) {
  BeforeExposure view;
  view.exposure.kind = ExposureKind::specimen;
  view.exposure.area = "a";
  view.answer = answer;
  return view;
}

TEST(PrecisionGuard, EndsOnceTheRatioIsKnownWellEnough) {
  PrecisionGuard guard({0.02, 20});
  EXPECT_EQ(guard.before(with(RunningAnswer{4.0, 0.081, 50})).what, Verdict::What::go);
  const Verdict verdict = guard.before(with(RunningAnswer{4.0, 0.08, 51}));
  EXPECT_EQ(verdict.what, Verdict::What::end);
  EXPECT_EQ(verdict.numbers["frames"], 51);
}

TEST(PrecisionGuard, NeverEndsOnFewFramesOrOnARatioThatIsNone) {
  PrecisionGuard guard({0.02, 20});
  EXPECT_EQ(guard.before(with(RunningAnswer{4.0, 0.001, 19})).what, Verdict::What::go);
  EXPECT_EQ(guard.before(with(std::nullopt)).what, Verdict::What::go);
  EXPECT_EQ(guard.before(with(RunningAnswer{-4.0, 0.01, 60})).what, Verdict::What::go);
  EXPECT_EQ(guard.before(with(RunningAnswer{4.0, std::nan(""), 60})).what, Verdict::What::go);
}

TEST(PrecisionGuard, LetsFramesGoThatCostNoDose) {
  PrecisionGuard guard({0.02, 20});
  BeforeExposure view = with(RunningAnswer{4.0, 0.01, 60});
  view.exposure.kind = ExposureKind::dark;
  EXPECT_EQ(guard.before(view).what, Verdict::What::go);
}

}  // namespace
}  // namespace creel
