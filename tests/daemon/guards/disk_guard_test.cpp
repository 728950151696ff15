#include "daemon/guards/disk_guard.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace creel {
namespace {

using testing::HasSubstr;

BeforeExposure at(std::int64_t seconds_now, std::optional<Room> room) {
  BeforeExposure view{};
  view.now = WorldTime{seconds_now * 1'000'000'000};
  view.room = room;
  return view;
}

TEST(DiskGuard, LetsGoWhileTheNextExposureFits) {
  DiskGuard guard;
  EXPECT_EQ(guard.before(at(0, Room{1000, 1000})).what, Verdict::What::go);
  EXPECT_EQ(guard.before(at(0, std::nullopt)).what, Verdict::What::go) << "nothing is known";
}

TEST(DiskGuard, WaitsForRoomAndThenForAPerson) {
  DiskGuard guard;
  const Room full{12'300'000, 84'000'000};
  const auto first = guard.before(at(0, full));
  EXPECT_EQ(first.what, Verdict::What::wait);
  EXPECT_THAT(first.reason, HasSubstr("12.3 MB are free"));
  EXPECT_THAT(first.reason, HasSubstr("may need 84 MB"));
  EXPECT_EQ(first.numbers.at("free_bytes"), full.free);
  EXPECT_EQ(guard.before(at(3599, full)).what, Verdict::What::wait);
  EXPECT_EQ(guard.before(at(3600, full)).what, Verdict::What::hold);
}

TEST(DiskGuard, WaitsAnewAfterThereWasRoomOrAPersonSaidGoOn) {
  DiskGuard guard;
  const Room full{1, 2};
  EXPECT_EQ(guard.before(at(0, full)).what, Verdict::What::wait);
  EXPECT_EQ(guard.before(at(10, Room{2, 2})).what, Verdict::What::go);
  EXPECT_EQ(guard.before(at(4000, full)).what, Verdict::What::wait);
  EXPECT_EQ(guard.before(at(7600, full)).what, Verdict::What::hold);
  guard.went_on();
  EXPECT_EQ(guard.before(at(7601, full)).what, Verdict::What::wait);
}

}  // namespace
}  // namespace creel
