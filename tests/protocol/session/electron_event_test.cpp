// Lists of electron events: which frames can be, and verify() on a session of them.
#include "protocol/session/electron_event.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstring>
#include <span>
#include <vector>

#include "daemon/store/disk_source.h"
#include "daemon/store/session.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel::session {
namespace {

using testing::HasSubstr;
using testing::IsEmpty;

constexpr FrameShape kShape{2, 70, Pixel::event, 5};
constexpr std::int64_t kExposure_ns = 1000;

std::vector<std::byte> frame(const std::vector<ElectronEvent>& events) {
  std::vector<std::byte> bytes(kShape.bytes());
  const auto from = std::as_bytes(std::span(events));
  std::copy(from.begin(), from.end(), bytes.begin());
  return bytes;
}

std::string fault(const std::vector<ElectronEvent>& events, std::uint64_t said) {
  return fault_of_events(kShape, frame(events), said, kExposure_ns).value_or("");
}

TEST(ElectronEvents, AreLaidOutLikeThatInMemoryAndOnDisk) {
  const ElectronEvent event{0x0807060504030201, 0x0a09, 0x0c0b, 0x100f0e0d};
  std::array<unsigned char, 16> bytes{};
  std::memcpy(bytes.data(), &event, sizeof event);
  for (unsigned i = 0; i < bytes.size(); ++i) {
    EXPECT_EQ(bytes[i], i + 1);
  }
}

TEST(ElectronEvents, AFrameIsAsLongAsItsPlaces) {
  EXPECT_EQ(kShape.bytes(), 80U);
  EXPECT_EQ(kShape.stored_rows(), 1U);
  EXPECT_EQ(kShape.stored_columns(), 5U);
  EXPECT_EQ((FrameShape{2, 70, Pixel::u16}).stored_columns(), 70U);
}

TEST(ElectronEvents, OnTheSensorWithinTheExposureAndNothingBehindThem) {
  EXPECT_EQ(fault({}, 0), "");
  EXPECT_EQ(fault({{0, 0, 0, 0}, {1'000'000, 69, 1, 7}}, 2), "");
  EXPECT_EQ(fault({{0, 0, 0, 0}, {0, 0, 0, 0}, {5, 1, 1, 0}, {4, 0, 0, 0}, {9, 9, 0, 0}}, 5), "");
}

TEST(ElectronEvents, AnythingElseIsSaidInOneSentence) {
  EXPECT_EQ(fault({}, 6), "6 events in a frame that has places for 5");
  EXPECT_EQ(fault({}, UINT64_MAX), "18446744073709551615 events in a frame that has places for 5");
  EXPECT_EQ(fault({{0, 69, 1, 0}, {0, 70, 0, 0}}, 2),
            "event 1 lies at column 70, row 0 of a sensor of 70 columns and 2 rows");
  EXPECT_EQ(fault({{0, 0, 2, 0}}, 1),
            "event 0 lies at column 0, row 2 of a sensor of 70 columns and 2 rows");
  EXPECT_EQ(fault({{1'000'001, 0, 0, 0}}, 1),
            "event 0 comes 1000001 ps after the start of an exposure of 1000 ns");
  EXPECT_EQ(fault({{UINT64_MAX, 0, 0, 0}}, 1),
            "event 0 comes 18446744073709551615 ps after the start of an exposure of 1000 ns");
  EXPECT_EQ(fault({{1, 0, 0, 0}, {1, 0, 0, 0}}, 1), "places behind its 1 events are not zero");
}

TEST(ElectronEvents, ImpossibleShapesAreKnown) {
  EXPECT_TRUE(possible(kShape));
  EXPECT_TRUE(possible({1, 65536, Pixel::event, kMostEvents}));
  EXPECT_FALSE(possible({2, 70, Pixel::event, 0}));
  EXPECT_FALSE(possible({2, 70, Pixel::event, kMostEvents + 1}));
  EXPECT_FALSE(possible({2, 65537, Pixel::event, 5}));
  EXPECT_FALSE(possible({65536, 65536, Pixel::event, 5}));
  EXPECT_FALSE(possible({0, 70, Pixel::event, 5}));
  EXPECT_FALSE(possible({2, 70, Pixel::u16, 5})) << "places for events in a frame of pixels";
  EXPECT_FALSE(possible({1U << 30, 1U << 30, Pixel::f32}));
}

class EventSession : public testing::Test {
 protected:
  void SetUp() override {
    auto made =
        store::create_session(disk_, store::sample::start(store::kDirectory, "ink-a", kShape, 4));
    ASSERT_TRUE(made.ok()) << made.error().text;
    session_ = std::move(made).value();
  }
  void put(const std::vector<ElectronEvent>& events, std::uint64_t said, std::uint64_t lost = 0) {
    Record record = store::sample::record(number_++);
    record.exposure_ns = kExposure_ns;
    record.events = said;
    record.events_lost = lost;
    ASSERT_TRUE(session_->append(record, frame(events)).ok());
    ASSERT_TRUE(session_->commit().ok());
  }
  std::vector<Finding> look(const std::string& path = "/sessions/ink-a") {
    const auto source = store::disk_source(disk_);
    auto report = verify(*source, path);
    EXPECT_TRUE(report.ok());
    return report.ok() ? report->findings : std::vector<Finding>{};
  }

  fakes::FakeDisk disk_;
  std::unique_ptr<store::Session> session_;
  std::uint64_t number_ = 0;
};

TEST_F(EventSession, ComesBackEventByEventWithNothingToFind) {
  for (std::uint16_t i = 0; i < 6; ++i) {  // more than one piece
    put({{i, i, 1, 3}, {std::uint64_t{i} + 1, 9, 0, 0}}, 2);
  }
  EXPECT_THAT(look(), IsEmpty());
  ASSERT_TRUE(session_->fold(store::sample::summary(6), {}).ok());
  EXPECT_THAT(look("/sessions/ink-a.h5"), IsEmpty());
  const auto source = store::disk_source(disk_);
  const auto reader = store::open_reader(*source, "/sessions/ink-a.h5");
  EXPECT_EQ(reader->documents().shape, kShape);
  std::vector<std::byte> bytes(kShape.bytes());
  ASSERT_TRUE(reader->read_frame(5, bytes).ok());
  EXPECT_EQ(reader->records()[5].events, 2U);
  EXPECT_EQ(event_at(bytes, 0).column, 5);
  EXPECT_EQ(event_at(bytes, 0).charge, 3U);
  EXPECT_EQ(event_at(bytes, 1).time_ps, 6U);
}

TEST_F(EventSession, WithEventsThatNoSensorSawIsDamaged) {
  put({{0, 70, 0, 0}}, 1);
  put({}, 6);
  put({{1, 1, 1, 0}}, 1);
  const auto findings = look();
  ASSERT_EQ(findings.size(), 2U);
  EXPECT_EQ(findings[0].severity, Severity::error);
  EXPECT_EQ(findings[0].place, "piece-0.h5 place 0 (frame 0)");
  EXPECT_EQ(findings[0].sentence,
            "event 0 lies at column 70, row 0 of a sensor of 70 columns and 2 rows");
  EXPECT_EQ(findings[1].place, "piece-0.h5 place 1 (frame 1)");
  EXPECT_EQ(findings[1].sentence, "6 events in a frame that has places for 5");
}

TEST_F(EventSession, SaysHowManyElectronsHadNoRoom) {
  put({{1, 1, 1, 0}}, 1, 12);
  const auto findings = look();
  ASSERT_EQ(findings.size(), 1U);
  EXPECT_EQ(findings[0].severity, Severity::note);
  EXPECT_THAT(findings[0].sentence, HasSubstr("no room for 12 more electrons"));
}

TEST_F(EventSession, CannotBeMadeWithoutPlaces) {
  auto made = store::create_session(
      disk_, store::sample::start(store::kDirectory, "none", {2, 70, Pixel::event, 0}, 4));
  ASSERT_FALSE(made.ok());
  EXPECT_EQ(made.error().text,
            "none: a frame of 2 rows and 70 columns with places for 0 events cannot be stored; "
            "allowed is 1 to 67108864 events on 1 to 65536 rows and columns, 268435456 pixels in "
            "all");
}

}  // namespace
}  // namespace creel::session
