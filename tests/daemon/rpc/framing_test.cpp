#include "daemon/rpc/framing.h"

#include <gtest/gtest.h>

#include <vector>

namespace creel::rpc {
namespace {

struct Collector {
  LineSplitter splitter{8};
  std::vector<std::string> lines;
  void feed(std::string_view bytes) {
    splitter.feed(bytes, [this](std::string_view line) {
      lines.emplace_back(line);
      return true;
    });
  }
  void finish() {
    splitter.finish([this](std::string_view line) {
      lines.emplace_back(line);
      return true;
    });
  }
};

using Lines = std::vector<std::string>;

// ndjson-spec 1.0.0 (https://github.com/ndjson/ndjson-spec): LF ends a line, a parser also accepts
// CRLF.
TEST(LineSplitterTest, CutsAtLfAndTakesCrOff) {
  Collector c;
  c.feed("one\ntwo\r\n\n\r\nth\rree\n");
  EXPECT_EQ(c.lines, (Lines{"one", "two", "", "", "th\rree"}));
}

TEST(LineSplitterTest, GivesTheSameLinesHoweverTheBytesArrive) {
  const std::string text =
      "one\r\ntwelve\n\nmuch too long a line\nafter\n12345678\n123456789\nlast\n";
  Collector whole;
  whole.feed(text);
  for (std::size_t piece = 1; piece < text.size(); ++piece) {
    Collector pieces;
    for (std::size_t at = 0; at < text.size(); at += piece)
      pieces.feed(std::string_view(text).substr(at, piece));
    EXPECT_EQ(pieces.lines, whole.lines) << "in pieces of " << piece;
  }
  EXPECT_EQ(whole.lines,
            (Lines{"one", "twelve", "", "much too ", "after", "12345678", "123456789", "last"}));
}

TEST(LineSplitterTest, HoldsNoMoreThanTheLimitOfALineThatNeverEnds) {
  Collector c;
  for (int i = 0; i < 1000; ++i) {
    c.feed("xxxxxxxxxxxxxxxx");
    EXPECT_LE(c.splitter.held_bytes(), 9U);
  }
  c.feed("\nnext\n");
  EXPECT_EQ(c.lines, (Lines{"xxxxxxxxx", "next"}));
}

TEST(LineSplitterTest, ACutOffLineIsNeverTakenForAWholeOne) {
  Collector c;
  c.feed("12345678\rrest\n");  // its first nine bytes end in CR, but the line goes on
  EXPECT_EQ(c.lines, (Lines{"12345678\r"}));
}

TEST(LineSplitterTest, HandsOnALastLineWithoutItsEnd) {
  Collector c;
  c.feed("one\ntwo");
  c.finish();
  EXPECT_EQ(c.lines, (Lines{"one", "two"}));
}

TEST(LineSplitterTest, StopsWhenToldTo) {
  LineSplitter splitter(8);
  int seen = 0;
  EXPECT_FALSE(splitter.feed("1\n2\n3\n", [&](std::string_view) { return ++seen < 2; }));
  EXPECT_EQ(seen, 2);
}

}  // namespace
}  // namespace creel::rpc
