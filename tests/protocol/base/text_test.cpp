#include "protocol/base/text.h"

#include <gtest/gtest.h>

namespace creel {
namespace {

TEST(Text, ATimeSpanHasTheUnitOfTheNumberThatIsShown) {
  EXPECT_EQ(time_span(0.0035), "3.5 ms");
  EXPECT_EQ(time_span(0.9994), "999 ms");
  EXPECT_EQ(time_span(0.9996), "1 s");
  EXPECT_EQ(time_span(12.5), "12.5 s");
  EXPECT_EQ(time_span(59.94), "59.9 s");
  EXPECT_EQ(time_span(59.96), "1 min 0 s");
  EXPECT_EQ(time_span(250), "4 min 10 s");
  EXPECT_EQ(time_span(7500), "2 h 5 min");
}

TEST(Text, ANumberIsWrittenAsAPersonWritesIt) {
  EXPECT_EQ(number(0.02), "0.02");
  EXPECT_EQ(number(12.5), "12.5");
  EXPECT_EQ(number(12.3456, 3), "12.3");
}

TEST(Text, BytesHaveDecimalPrefixes) {
  EXPECT_EQ(bytes_text(0), "0 B");
  EXPECT_EQ(bytes_text(999), "999 B");
  EXPECT_EQ(bytes_text(999.9e3), "1 MB");
  EXPECT_EQ(bytes_text(12.34e9), "12.3 GB");
}

TEST(Text, UtcIsRfc3339AlsoBefore1970) {
  EXPECT_EQ(utc_text(0), "1970-01-01T00:00:00.000Z");
  EXPECT_EQ(utc_text(1'500'000'000), "1970-01-01T00:00:01.500Z");
  EXPECT_EQ(utc_text(-500'000'000), "1969-12-31T23:59:59.500Z");
}

// The examples of RFC 3339, section 5.8.
TEST(Text, UtcIsReadFromAnyRfc3339Moment) {
  EXPECT_EQ(utc_from_text("1985-04-12T23:20:50.52Z"), 482'196'050'520'000'000);
  EXPECT_EQ(utc_from_text("1996-12-19T16:39:57-08:00"), utc_from_text("1996-12-20T00:39:57Z"));
  EXPECT_EQ(utc_from_text("1937-01-01T12:00:27.87+00:20"),
            utc_from_text("1937-01-01T11:40:27.87Z"));
  EXPECT_EQ(utc_from_text("1990-12-31T23:59:60Z"), utc_from_text("1991-01-01T00:00:00Z"));
  EXPECT_EQ(utc_text(*utc_from_text("2026-03-14T21:30:00.25Z")), "2026-03-14T21:30:00.250Z");
  for (const char* text : {"2026-02-30T00:00:00Z", "2026-03-14", "2026-03-14T21:30:00",
                           "2026-03-14T21:30:00+1:00", "2026-03-14T25:30:00Z", "tomorrow", ""}) {
    EXPECT_FALSE(utc_from_text(text)) << text;
  }
}

}  // namespace
}  // namespace creel
