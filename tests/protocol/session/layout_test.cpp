#include "protocol/session/layout.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstring>

#include "protocol/session/reader.h"
#include "protocol/session/shape.h"

namespace creel::session {
namespace {

using testing::ElementsAre;
using testing::IsEmpty;

TEST(Layout, PiecesAreNumberedWithoutPadding) {
  EXPECT_EQ(piece_name(0), "piece-0.h5");
  EXPECT_EQ(piece_name(12), "piece-12.h5");
}

TEST(Layout, ASealedRecordHoldsUntilAnyBitOfItChanges) {
  Record record;
  record.sequence = 7;
  record.dose = 0.25;
  EXPECT_FALSE(sealed(record));
  seal(record);
  EXPECT_TRUE(sealed(record));
  for (std::size_t bit = 0; bit < sizeof(Record) * 8; ++bit) {
    Record flipped = record;
    auto* bytes = reinterpret_cast<unsigned char*>(&flipped);
    bytes[bit / 8] ^= static_cast<unsigned char>(1U << (bit % 8));
    EXPECT_FALSE(sealed(flipped)) << bit;
  }
}

TEST(Layout, AnEmptyPlaceIsNoRecord) {
  EXPECT_FALSE(sealed(Record{}));
}

TEST(Layout, AnEventLineBeginsWithTheChecksumOfItsText) {
  // CRC-32C of "123456789" is E3069283: RFC 3720 appendix B.4, and the catalogues of CRC
  // algorithms.
  EXPECT_EQ(event_line("123456789"), "e3069283 123456789\n");
}

TEST(Layout, EveryPixelTypeHasItsNameAndSize) {
  EXPECT_EQ(pixel_bytes(Pixel::u8), 1U);
  EXPECT_EQ(pixel_bytes(Pixel::u16), 2U);
  EXPECT_EQ(pixel_bytes(Pixel::u32), 4U);
  EXPECT_EQ(pixel_bytes(Pixel::f32), 4U);
  EXPECT_EQ(pixel_bytes(Pixel::event), 16U);
  for (const auto pixel : {Pixel::u8, Pixel::u16, Pixel::u32, Pixel::f32, Pixel::event}) {
    EXPECT_EQ(pixel_from(pixel_name(pixel)), pixel);
  }
  EXPECT_FALSE(pixel_from("u64"));
  EXPECT_EQ((FrameShape{3, 5, Pixel::u32}).bytes(), 60U);
}

TEST(EventLog, WholeLinesCountAndATornOneIsTheEnd) {
  const auto first = event_line(R"({"event":"a"})");
  const auto second = event_line(R"({"event":"b"})");
  for (std::size_t cut = 1; cut < second.size(); ++cut) {
    const auto log = parse_event_log(first + second.substr(0, cut));
    EXPECT_EQ(log.events.size(), 1U) << cut;
    EXPECT_TRUE(log.torn) << cut;
    EXPECT_THAT(log.bad_lines, IsEmpty()) << cut;
    EXPECT_EQ(log.good_bytes, first.size()) << cut;
  }
  const auto log = parse_event_log(first + second);
  EXPECT_EQ(log.events.size(), 2U);
  EXPECT_FALSE(log.torn);
}

TEST(EventLog, MayComeInPartsCutAnywhere) {
  auto text = event_line(R"({"event":"a"})");
  text += "no event\n";
  text += event_line(R"({"event":"b"})");
  text += event_line(R"({"event":"c"})").substr(0, 11);
  const auto whole = parse_event_log(text);
  ASSERT_EQ(whole.events.size(), 2U);
  for (std::size_t cut = 0; cut <= text.size(); ++cut) {
    for (const std::size_t more : {std::size_t{0}, std::size_t{1}, text.size() / 3}) {
      std::vector<nlohmann::json> events;
      EventParser parser([&](nlohmann::json&& event) { events.push_back(std::move(event)); });
      const auto second = std::min(text.size(), cut + more);
      parser.add(std::string_view(text).substr(0, cut));
      parser.add(std::string_view(text).substr(cut, second - cut));
      parser.add(std::string_view(text).substr(second));
      const auto log = parser.end();
      EXPECT_EQ(events, whole.events) << cut;
      EXPECT_EQ(log.bad_lines, whole.bad_lines) << cut;
      EXPECT_EQ(log.good_bytes, whole.good_bytes) << cut;
      EXPECT_TRUE(log.torn) << cut;
    }
  }
}

TEST(EventLog, EventsThatNobodyAskedForAreCheckedAndNotGiven) {
  auto damaged = event_line(R"({"event":"c"})");
  damaged[12] = 'x';
  int given = 0;
  EventParser parser([&](const nlohmann::json& event) { given += event["event"] == "b" ? 1 : 100; },
                     {"\"b\""});
  parser.add(event_line(R"({"event":"a"})"));
  parser.add(event_line(R"({"event":"b"})"));
  parser.add(damaged);
  EXPECT_THAT(parser.end().bad_lines, ElementsAre(3));
  EXPECT_EQ(given, 1);
}

TEST(EventLog, ADamagedLineIsReportedAndTheOthersAreKept) {
  const auto good = event_line(R"({"event":"a"})");
  for (std::size_t at = 0; at + 1 < good.size(); ++at) {
    auto bad = good;
    bad[at] = static_cast<char>(bad[at] ^ 1);
    const auto log = parse_event_log(good + bad + good);
    EXPECT_EQ(log.events.size(), 2U) << at;
    EXPECT_THAT(log.bad_lines, ElementsAre(2)) << at;
  }
}

TEST(EventLog, AnythingElseIsABadLine) {
  for (const auto* text : {"\n", "x\n", "00000000\n", "00000000 \n", "e3069283 123456789\n"}) {
    const auto log = parse_event_log(text);
    EXPECT_THAT(log.events, IsEmpty()) << text;
    EXPECT_THAT(log.bad_lines, ElementsAre(1)) << text;
  }
  EXPECT_THAT(parse_event_log(std::string(100, '\0')).events, IsEmpty());
}

}  // namespace
}  // namespace creel::session
