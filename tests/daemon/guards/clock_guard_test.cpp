#include "daemon/guards/clock_guard.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "protocol/base/text.h"
#include "tests/daemon/guards/measured.h"

namespace creel {
namespace {

using testing::HasSubstr;

BeforeExposure at_utc(const char* utc) {
  BeforeExposure view = next_exposure();
  view.utc_ns = *utc_from_text(utc);
  return view;
}

TEST(ClockGuard, EndsBeforeAnExposureThatCouldNotBeFinished) {
  ClockGuard guard({utc_from_text("2026-03-15T06:00:00+01:00"), {}});
  EXPECT_EQ(guard.before(at_utc("2026-03-15T04:59:50Z")).what, Verdict::What::go);
  const Verdict verdict = guard.before(at_utc("2026-03-15T04:59:50.001Z"));
  EXPECT_EQ(verdict.what, Verdict::What::end);
  EXPECT_THAT(verdict.reason, HasSubstr("the series ends at 2026-03-15T05:00:00.000Z"));
  EXPECT_EQ(verdict.numbers.at("exposure_takes_s"), 10);
}

TEST(ClockGuard, EndsAfterTheStatedLength) {
  ClockGuard guard({{}, seconds(3600)});
  BeforeExposure view = next_exposure();
  view.session_age = seconds(3590);
  EXPECT_EQ(guard.before(view).what, Verdict::What::go);
  view.session_age = seconds(3591);
  const Verdict verdict = guard.before(view);
  EXPECT_EQ(verdict.what, Verdict::What::end);
  EXPECT_THAT(verdict.reason, HasSubstr("ends after 1 h"));
}

}  // namespace
}  // namespace creel
