// What a person sees of a live set-up.

#include "client/cli/set_up_screen.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

#include "client/cli/big_digits.h"

namespace creel::cli {
namespace {

using nlohmann::json;
using ::testing::Contains;
using ::testing::Each;
using ::testing::HasSubstr;
using ::testing::Not;

json running() {
  return {{"running", true},
          {"area", "g7/a1"},
          {"doing", "exposing"},
          {"left_s", 552.3},
          {"rate_unit", "electrons"},
          {"notes", {"a lower bound"}},
          {"gauges",
           {{{"gauge", "laser"}, {"channel", "power"}, {"value", 20.0131}, {"unit", "mW"}},
            {{"gauge", "room"}, {"channel", "room"}, {"value", nullptr}, {"unit", "degC"}}}},
          {"dose",
           {{"series_e_per_a2", 0.42},
            {"series_limit_e_per_a2", 26},
            {"area_e_per_a2", 1.3},
            {"area_limit_e_per_a2", 60}}},
          {"live",
           {{"frames", 120},
            {"saturated_frames", 3},
            {"saturated_now", false},
            {"rate_per_s", 6.283e6},
            {"electrons_per_pulse", 6.283},
            {"zero_loss_ev", -0.118},
            {"zero_loss_fwhm_ev", 0.852},
            {"highest_pixel", 812},
            {"peak_rate_per_s", 6.9e6},
            {"peak_ago_s", 12},
            {"peak_60s_per_s", 6.8e6},
            {"rate_trend_percent_per_min", -1.24},
            {"rate_trend_sigma", 0.3},
            {"zero_loss_trend_ev_per_min", 0.012},
            {"zero_loss_trend_sigma", 0.004},
            {"history", {1e6, 3e6, 6e6}}}}};
}

std::size_t characters(const std::string& text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

TEST(BigDigits, AreFiveRowsOfEqualWidthAndReadable) {
  const auto rows = big_text("-1.7", 1, "#");
  ASSERT_EQ(rows.size(), kBigRows);
  for (const std::string& row : rows) {
    EXPECT_EQ(row.size(), big_width("-1.7", 1));
  }
  EXPECT_EQ(rows[0], "          ##        ######  ");
  EXPECT_EQ(rows[2], "######    ##            ##  ");
  EXPECT_EQ(rows[4], "        ######  ##      ##  ");
  EXPECT_EQ(big_text("8", 2, "█").size(), 2 * kBigRows);
  EXPECT_EQ(characters(big_text("8", 2, "█")[0]), big_width("8", 2));
}

TEST(SetUpScreen, FitsATerminalOfAnySizeAndGrowsWithIt) {
  for (const auto& [columns, rows] :
       {std::pair<std::size_t, std::size_t>{80, 24}, {100, 30}, {200, 60}, {40, 10}, {25, 6}}) {
    ScreenLook look;
    look.columns = columns;
    look.rows = rows;
    const auto lines = set_up_screen(running(), look);
    for (const std::string& line : lines) {
      EXPECT_LE(characters(line), columns) << line;
    }
    if (rows >= 24) {
      EXPECT_LE(lines.size(), rows);
    }
    const auto blocks = static_cast<std::size_t>(std::count_if(
        lines.begin(), lines.end(),
        [](const std::string& line) { return line.find("██████") != std::string::npos; }));
    EXPECT_GE(blocks, rows >= 60 ? 14U : rows >= 24 ? 7U : 0U) << rows;
  }
}

TEST(SetUpScreen, SaysCautionsNumbersPeakTrendAndDose) {
  const auto lines = set_up_screen(running(), {});
  EXPECT_THAT(lines[0], HasSubstr("g7/a1: ends by itself in 9 min 12 s; Ctrl-C ends it now"));
  EXPECT_THAT(lines, Contains(HasSubstr("Class 4 laser")));
  EXPECT_THAT(lines, Contains(HasSubstr("not a safety interlock")));
  EXPECT_THAT(lines, Contains(HasSubstr("rate, M electrons / s")));
  EXPECT_THAT(lines, Contains(HasSubstr("not saturated: 3 of 120 frames")));
  EXPECT_THAT(lines, Contains(HasSubstr("peak 6.900 M / s, 12 s ago")));
  EXPECT_THAT(lines, Contains(HasSubstr("rate -1.2 +/- 0.3 %/min, zero loss +0.012 +/- 0.004")));
  EXPECT_THAT(lines,
              Contains(HasSubstr("dose 0.42 of 26 e/A^2 in this set-up; the area 1.3 of 60")));
  EXPECT_THAT(lines, Contains(HasSubstr("a lower bound")));
  EXPECT_THAT(lines, Contains("laser power 20.013 mW; room --"));
  EXPECT_THAT(set_up_line(running()), HasSubstr("electrons per pulse 6.283"));
  EXPECT_THAT(set_up_line(running()), HasSubstr("laser power 20.013 mW; room --;"));
}

TEST(SetUpScreen, SaturationIsShoutedAndColourIsOnlyForThoseWhoWantIt) {
  json status = running();
  status["live"]["saturated_now"] = true;
  EXPECT_THAT(set_up_screen(status, {}), Contains(HasSubstr("\033[1;7m>>> SATURATED <<<")));
  ScreenLook plain;
  plain.colour = false;
  plain.block = "#";
  const auto lines = set_up_screen(status, plain);
  EXPECT_THAT(lines, Contains(HasSubstr(">>> SATURATED <<<")));
  EXPECT_THAT(lines, Each(Not(HasSubstr("\033"))));
  EXPECT_THAT(lines, Each(Not(HasSubstr("█"))));
}

TEST(SetUpScreen, WhatIsNotKnownIsADash) {
  const json status = {{"running", true}, {"live", {{"rate_per_s", nullptr}}}};
  EXPECT_THAT(set_up_line(status), HasSubstr("electrons per pulse --"));
  EXPECT_FALSE(set_up_screen(status, {}).empty());
  EXPECT_EQ(scaled(999.96).digits, "1.000");
  EXPECT_EQ(scaled(999.96).prefix, "k");
  EXPECT_EQ(scaled(-54321).digits, "-54.32");
  EXPECT_EQ(scaled(0).digits, "0.000");
}

TEST(SetUpScreen, TheEndSaysWhyAndHowMuch) {
  json last = running();
  last["outcome"] = "clock";
  last["reason"] = "its time of 10 min is over";
  const std::string text = set_up_summary(last);
  EXPECT_THAT(text, HasSubstr("set-up on g7/a1 ended: clock (its time of 10 min is over)"));
  EXPECT_THAT(text, HasSubstr("dose 0.42 e/A^2, charged to the area"));
  EXPECT_THAT(text, HasSubstr("at the end: rate, M electrons / s 6.283"));
}

}  // namespace
}  // namespace creel::cli
