// Every class of fault of a series document, with the exact sentence a person gets.

#include "protocol/series/series.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <string>
#include <vector>

#include "documents.h"
#include "protocol/series/measures.h"

namespace creel {
namespace {

using namespace testing_documents;

struct Case {
  const char* from;
  const char* to;
  const char* sentence;
};

void expect_faults(const std::vector<Case>& cases) {
  for (const Case& test : cases) {
    EXPECT_EQ(series_fault(with(kSeries, test.from, test.to)), test.sentence) << test.to;
  }
}

std::vector<std::string> warnings_of(const std::string& text) {
  const auto series = parse_series(text, "s.json");
  if (!series.ok()) return {"not accepted: " + series.error().text};
  return series->warnings;
}

TEST(Series, ACompleteDocumentIsReadWithAllItsFields) {
  const auto series = parse_series(kSeries, "s.json");
  ASSERT_TRUE(series.ok()) << series.error().text;
  EXPECT_EQ(series->name, "ink");
  EXPECT_EQ(series->detector, "camera");
  EXPECT_EQ(series->shutter, "beam_shutter");
  EXPECT_EQ(series->cathode_shutter, "cathode_shutter");
  EXPECT_EQ(series->gauges, std::vector<std::string>{"room"});
  EXPECT_EQ(series->gating, Gating::detector);
  EXPECT_EQ(series->gating_margin, milliseconds(20));
  EXPECT_EQ(series->beam.dose_rate, DoseRate{0.02});
  EXPECT_EQ(series->beam.residual, DoseRate{0.0001});
  ASSERT_EQ(series->areas.size(), 2U);
  EXPECT_EQ(series->areas[0].key(), "g1/a");
  EXPECT_EQ(series->areas[0].dose_limit, Dose{40});
  EXPECT_EQ(series->areas[0].square, "unknown");
  EXPECT_FALSE(series->areas[0].x_um.has_value());
  ASSERT_EQ(series->blocks.size(), 3U);
  EXPECT_EQ(series->blocks[1].kind, ExposureKind::specimen);
  EXPECT_EQ(series->blocks[1].exposure, seconds(10));
  ASSERT_EQ(series->blocks[1].interleave.size(), 1U);
  EXPECT_EQ(series->blocks[1].interleave[0].count, 1U);
  EXPECT_EQ(series->blocks[1].interleave[0].exposure, seconds(10));  // the block's own
  EXPECT_EQ(series->guards.dose, Dose{30});
  EXPECT_EQ(series->after_restart, AfterRestart::hold);
  EXPECT_EQ(series->document.at("laser").at("wavelength_nm"), 257.5);
  EXPECT_EQ(series->text, kSeries);
  EXPECT_TRUE(series->warnings.empty()) << series->warnings[0];
}

TEST(Series, AWrongTypeOrValueNamesWhatWasGivenAndWhatIsAllowed) {
  expect_faults({
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure_s\": \"fast\",\n     \"count\"",
       "s.json:48: blocks[1].exposure_s: got \"fast\"; must be a number of seconds, 1e-6 to 86400"},
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure_s\": \"10\",\n     \"count\"",
       "s.json:48: blocks[1].exposure_s: got \"10\"; must be a number of seconds, 1e-6 to 86400, "
       "written "
       "without quotes"},
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure_s\": 0,\n     \"count\"",
       "s.json:48: blocks[1].exposure_s: got 0; must be a number of seconds, 1e-6 to 86400"},
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure_s\": 86401,\n     \"count\"",
       "s.json:48: blocks[1].exposure_s: got 86401; must be a number of seconds, 1e-6 to 86400"},
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure_s\": 1e300,\n     \"count\"",
       "s.json:48: blocks[1].exposure_s: got 1e+300; must be a number of seconds, 1e-6 to 86400"},
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure_s\": null,\n     \"count\"",
       "s.json:48: blocks[1].exposure_s: got null; must be a number of seconds, 1e-6 to 86400"},
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure_s\": [10],\n     \"count\"",
       "s.json:48: blocks[1].exposure_s: got a list of 1; must be a number of seconds, 1e-6 to "
       "86400"},
      {"     \"count\": 20,\n", "     \"count\": 2.5,\n",
       "s.json:49: blocks[1].count: got 2.5; must be a whole number, 1 to 1000000"},
      {"     \"count\": 20,\n", "     \"count\": 20.0,\n",
       "s.json:49: blocks[1].count: got 20.0; must be a whole number, 1 to 1000000, written "
       "without a "
       "decimal point"},
      {"     \"count\": 20,\n", "     \"count\": 0,\n",
       "s.json:49: blocks[1].count: got 0; must be a whole number, 1 to 1000000"},
      {"     \"count\": 20,\n", "     \"count\": 9223372036854775807,\n",
       "s.json:49: blocks[1].count: got 9223372036854775807; must be a whole number, 1 to 1000000"},
      {"\"every\": 5", "\"every\": 0",
       "s.json:50: blocks[1].interleave[0].every: got 0; must be a whole number, 1 to 1000000"},
      {"\"dose_rate_e_per_a2_s\": 0.02", "\"dose_rate_e_per_a2_s\": -0.02",
       "s.json:32: beam.dose_rate_e_per_a2_s: got -0.02; must be a number of e/A^2/s, above 0 and "
       "at most "
       "1000000000"},
      {"\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": 40",
       "\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": 0",
       "s.json:17: areas[0].dose_limit_e_per_a2: got 0; must be a number of e/A^2, above 0 and at "
       "most "
       "1000000000"},
      {"\"high_tension_kv\": 200", "\"high_tension_kv\": \"200 kV\"",
       "s.json:21: microscope.high_tension_kv: got \"200 kV\"; must be a number of kV, 1 to 3000, "
       "or "
       "\"unknown\""},
      {"\"high_tension_kv\": 200", "\"high_tension_kv\": 200000",
       "s.json:21: microscope.high_tension_kv: got 200000; must be a number of kV, 1 to 3000, or "
       "\"unknown\""},
      {"\"kind\": \"dark\",\n", "\"kind\": \"drak\",\n",
       "s.json:45: blocks[0].kind: got \"drak\"; must be \"specimen\", \"dark\", \"gain\", "
       "\"zero_loss\" or "
       "\"background\""},
      {"\"after_restart\": \"hold\"", "\"after_restart\": true",
       "s.json:55: after_restart: got true; must be \"continue\" or \"hold\""},
      {"\"elements\": [\"C\", \"O\", \"Fe\"]", "\"elements\": [\"C\", \"Fr2\"]",
       "s.json:7: specimen.elements[1]: got \"Fr2\"; must be the symbol of a chemical element, "
       "such as \"Fe\""},
      {"\"elements\": [\"C\", \"O\", \"Fe\"]",
       "\"elements\": [\"C\", \"O\", \"Fe\"], \"composition\": {\"C\": 0}",
       "s.json:7: specimen.composition: got an object; must be an object of elements and their "
       "numbers of atoms, each above 0, such as {\"C\": 14, \"O\": 7, \"Fe\": 1}"},
      {"\"elements\": [\"C\", \"O\", \"Fe\"]", "\"elements\": []",
       "s.json:7: specimen.elements: got a list of 0; must be a list of 1 to 118 symbols of "
       "chemical elements"},
      {"\"measured_at\": \"2026-03-14T20:50:00Z\"", "\"measured_at\": \"14.3.2026 20:50\"",
       "s.json:34: beam.measured_at: got \"14.3.2026 20:50\"; must be a date and time with its "
       "zone, such as "
       "2026-03-14T21:30:00+01:00"},
      {"\"name\": \"ink\",\n", "\"name\": \"../ink\",\n",
       "s.json:3: name: got \"../ink\"; must be a name of letters, digits, . _ and -, beginning "
       "with a letter "
       "or digit, at most 100 characters"},
      {"\"name\": \"ink\",\n", "\"name\": \"ink\\nfilm\",\n",
       "s.json:3: name: got \"ink\\nfilm\"; must be a name of letters, digits, . _ and -, "
       "beginning with a "
       "letter or digit, at most 100 characters"},
      {"\"creel_series\": 0", "\"creel_series\": 7", "s.json:2: creel_series: got 7; must be 0"},
      {"\"gating\": {\"by\": \"detector\"}", "\"gating\": \"detector\"",
       "s.json:43: gating: got \"detector\"; must be an object with by (\"shutter\" or "
       "\"detector\") and "
       "margin_ms"},
  });
}

TEST(Series, AFieldWithoutItsUnitOrMisspeltIsRefusedWithTheNearestName) {
  expect_faults({
      {"\"exposure_s\": 10,\n     \"count\"", "\"exposure\": 10,\n     \"count\"",
       "s.json:48: blocks[1].exposure: there is no such field here; did you mean exposure_s?"},
      {"\"exposure_s\": 10,\n     \"count\"",
       "\"exposure_s\": 10, \"exposure_ms\": 10,\n     \"count\"",
       "s.json:48: blocks[1].exposure_ms: there is no such field here; did you mean exposure_s?"},
      {"     \"count\": 20,\n", "     \"cuont\": 20,\n",
       "s.json:49: blocks[1].cuont: there is no such field here; did you mean count?"},
      {"\"dose_rate_e_per_a2_s\": 0.02", "\"dose_rate\": 0.02",
       "s.json:32: beam.dose_rate: there is no such field here; did you mean "
       "dose_rate_e_per_a2_s?"},
      {"\"every\": 5", "\"every\": 5, \"wobble\": 1",
       "s.json:50: blocks[1].interleave[0].wobble: there is no such field here; the fields are "
       "count, energy_offset_ev, every, exposure_s, frames, kind, pulses, settings"},
      {"\"creel_series\": 0", "\"creel_series\": 0, \"Name\": 1",
       "s.json:2: Name: there is no such field here; did you mean name?"},
  });
}

TEST(Series, AMissingFieldIsNamedWithWhatItMustBe) {
  expect_faults({
      {"     \"count\": 20,\n", "",
       "s.json:47: blocks[1].count: missing; must be a whole number, 1 to 1000000"},
      {"    \"repetition_rate_khz\": 1000,\n", "",
       "s.json:26: laser.repetition_rate_khz: missing; must be a number of kHz, above 0 and at "
       "most 10000000, "
       "or \"unknown\""},
      {"\"by\": \"someone\",\n", "\n",
       "s.json:10: specimen.preparation.by: missing; must be a text of 1 to 200 characters"},
      {"     \"exposure_s\": 10,\n     \"count\"", "     \"count\"",
       "s.json:47: blocks[1].exposure_s: missing; must be a number of seconds, 1e-6 to 86400 (or "
       "give pulses "
       "instead)"},
      {"  \"after_restart\": \"hold\"\n", "  \"notes\": \"x\"\n",
       "s.json:1: after_restart: missing; must be \"continue\" or \"hold\""},
  });
}

TEST(Series, EveryFaultIsListedInTheOrderOfTheText) {
  std::string text = with(kSeries, "\"thickness_nm\": 50", "\"thickness_nm\": \"thin\"");
  text = with(text, "     \"count\": 20,\n", "     \"count\": \"many\",\n");
  text = with(text, "\"creel_series\": 0", "\"creel_series\": 1");
  text = with(text, "\"by\": \"detector\"", "\"by\": \"hand\"");
  EXPECT_EQ(
      series_fault(text),
      "s.json:2: creel_series: got 1; must be 0\n"
      "s.json:8: specimen.thickness_nm: got \"thin\"; must be a number of nm, above 0 and at most "
      "1000000, or \"unknown\"\n"
      "s.json:43: gating.by: got \"hand\"; must be \"shutter\" or \"detector\"\n"
      "s.json:49: blocks[1].count: got \"many\"; must be a whole number, 1 to 1000000");
}

TEST(Series, BeyondFiftyFaultsOnlyTheirNumberIsGiven) {
  std::string blocks;
  for (int i = 0; i < 60; ++i) blocks += "7,\n";
  const std::string fault =
      series_fault(with(kSeries, "\"blocks\": [\n", "\"blocks\": [\n" + blocks));
  EXPECT_EQ(std::count(fault.begin(), fault.end(), '\n'), 50);
  EXPECT_EQ(fault.substr(fault.rfind('\n')), "\n... and 10 more");
}

TEST(Series, WhatIsNotAnObjectOrNotJsonHasOneSentence) {
  EXPECT_EQ(series_fault("[]"),
            "s.json:1: the document: got a list of 0; must be a series: an object");
  EXPECT_EQ(series_fault("null"), "s.json:1: the document: got null; must be a series: an object");
  EXPECT_EQ(
      series_fault(with(kSeries, "\"count\": 20,\n", "\"count\": NaN,\n")),
      "s.json:49:15: 'NaN' is not JSON; a value is a text in double quotes, a finite number, true, "
      "false, null, a list or an object");
  EXPECT_EQ(series_fault(with(kSeries, "\"count\": 20,\n", "\"count\": 20, \"count\": 30,\n")),
            "s.json:49:25: the name 'count' stands twice in the same object");
  EXPECT_EQ(series_fault("\xEF\xBB\xBF" + kSeries),
            "s.json:1:1: the text starts with a byte order mark; save it as UTF-8 without one");
  const auto nameless =
      parse_series(with(kSeries, "\"creel_series\": 0", "\"creel_series\": 2"), "");
  ASSERT_FALSE(nameless.ok());
  EXPECT_EQ(nameless.error().text, "line 2: creel_series: got 2; must be 0");
}

TEST(Series, LinesAreRightWithCrLf) {
  std::string text;
  for (const char c : with(kSeries, "     \"count\": 20,\n", "     \"count\": 0,\n")) {
    text += c == '\n' ? std::string("\r\n") : std::string(1, c);
  }
  EXPECT_EQ(series_fault(text),
            "s.json:49: blocks[1].count: got 0; must be a whole number, 1 to 1000000");
}

TEST(Series, NamesMustNotBeUsedTwice) {
  expect_faults({
      {"{\"name\": \"b\"", "{\"name\": \"a\"",
       "s.json:18: areas[1].name: got \"a\", which areas[0] has already; each area needs a name of "
       "its own\n"
       "s.json:51: blocks[2].area: got \"b\", which is not in areas; did you mean \"a\"?"},
      {"\"name\": \"film-b\"", "\"name\": \"film-a\"",
       "s.json:51: blocks[2].name: got \"film-a\", which blocks[1] has already; each block needs a "
       "name of its "
       "own"},
      {"[\"room\"]", "[\"room\", \"room\"]",
       "s.json:41: devices.gauges[1]: got \"room\", which gauges[0] names already; each gauge may "
       "be named "
       "once"},
      {"\"elements\": [\"C\", \"O\", \"Fe\"]", "\"elements\": [\"C\", \"C\"]",
       "s.json:7: specimen.elements[1]: got \"C\", which elements[0] names already; each element "
       "is named "
       "once"},
      {"\"elements\": [\"C\", \"O\", \"Fe\"]",
       "\"elements\": [\"C\", \"O\", \"Fe\"], \"composition\": {\"C\": 14, \"F\": 1}",
       "s.json:7: specimen.composition.F: got \"F\", which is not in specimen.elements; did you "
       "mean "
       "\"C\"?"},
      {"\"shutter\": \"beam_shutter\"", "\"shutter\": \"camera\"",
       "s.json:39: devices.shutter: got \"camera\", which is the detector; must be a shutter"},
  });
}

TEST(Series, ABlockMustSayWhereItsBeamGoes) {
  const std::string film = "\"name\": \"film-b\", \"kind\": \"specimen\", \"area\": \"b\"";
  const auto fault = [&](const std::string& block) {
    // The area b stays used, so that only the block under test is at fault.
    return series_fault(with(kSeries, film, "\"name\": \"x\", " + block));
  };
  EXPECT_EQ(fault("\"kind\": \"specimen\", \"area\": \"b1\""),
            "s.json:51: blocks[2].area: got \"b1\", which is not in areas; did you mean \"b\"?");
  EXPECT_EQ(fault("\"kind\": \"specimen\""),
            "s.json:51: blocks[2].area: missing; a block that sends beam through the specimen must "
            "name the "
            "area; must be one of \"a\", \"b\"");
  EXPECT_EQ(fault("\"kind\": \"specimen\", \"area\": \"b\", \"where\": \"vacuum\""),
            "s.json:51: blocks[2].where: got \"vacuum\"; must be \"specimen\" or left out in a "
            "block of kind "
            "specimen");
  EXPECT_EQ(fault("\"kind\": \"zero_loss\", \"area\": \"b\""),
            "s.json:51: blocks[2].where: missing; a block of kind zero_loss must say \"specimen\" "
            "(gives dose) "
            "or \"vacuum\" (gives none)");
  EXPECT_EQ(fault("\"kind\": \"dark\", \"where\": \"vacuum\""),
            "s.json:51: blocks[2].where: a dark block has no such field: its shutter stays closed; "
            "leave it out");
  EXPECT_EQ(
      fault("\"kind\": \"dark\", \"area\": \"b\""),
      "s.json:51: blocks[2].area: got \"b\"; must be left out, because this block gives no dose");
  EXPECT_EQ(fault("\"kind\": \"zero_loss\", \"where\": \"vacuum\""), "no fault");
  EXPECT_EQ(fault("\"kind\": \"gain\", \"where\": \"specimen\", \"area\": \"b\""), "no fault");
}

TEST(Series, InterleavesMustMakeSenseInTheirBlock) {
  expect_faults({
      {"[{\"kind\": \"dark\", \"every\": 5}]", "[{\"kind\": \"specimen\", \"every\": 5}]",
       "s.json:50: blocks[1].interleave[0].kind: got \"specimen\"; must be \"dark\", \"zero_loss\" "
       "or "
       "\"background\""},
      {"\"exposure_s\": 10, \"count\": 4",
       "\"exposure_s\": 10, \"count\": 4, \"interleave\": [{\"kind\": "
       "\"dark\", \"every\": 1}, {\"kind\": \"zero_loss\", \"every\": 1}]",
       "s.json:46: blocks[0].interleave[0].kind: got \"dark\", the kind of the block itself; must "
       "be another "
       "kind\n"
       "s.json:46: blocks[0].interleave[1].kind: got \"zero_loss\"; must be left out: a dark block "
       "has no beam "
       "and no area for it"},
  });
}

TEST(Series, BackgroundNeedsAShutterForTheCathodeLaserOfItsOwn) {
  const std::string text = with(kSeries, "[{\"kind\": \"dark\", \"every\": 5}]",
                                "[{\"kind\": \"background\", \"every\": 5}]");
  EXPECT_EQ(series_fault(text), "no fault");
  EXPECT_EQ(
      series_fault(with(text, "    \"cathode_shutter\": \"cathode_shutter\",\n", "")),
      "s.json:49: blocks[1].interleave[0].kind: got \"background\", which blocks the laser to the "
      "cathode; needs devices.cathode_shutter");
  EXPECT_EQ(
      series_fault(with(text, "\"shutter\": \"beam_shutter\"", "\"shutter\": \"cathode_shutter\"")),
      "s.json:50: blocks[1].interleave[0].kind: got \"background\", which needs the electron path "
      "open "
      "while the laser is blocked; devices.cathode_shutter must be another shutter than "
      "devices.shutter");
}

TEST(Series, AnExposureMayBeGivenInPulses) {
  const std::string from = "\"exposure_s\": 10,\n     \"count\"";
  const auto series =
      parse_series(with(kSeries, from, "\"pulses\": 2500000,\n     \"count\""), "s.json");
  ASSERT_TRUE(series.ok()) << series.error().text;
  EXPECT_EQ(series->blocks[1].exposure, milliseconds(2500));  // 2.5e6 pulses at 1 MHz
  EXPECT_EQ(series->blocks[1].interleave[0].exposure, milliseconds(2500));
  EXPECT_EQ(series_fault(with(kSeries, from, "\"pulses\": 5, \"exposure_s\": 10,\n     \"count\"")),
            "s.json:48: blocks[1].pulses: given together with exposure_s; only one of the two may "
            "be given");
  const std::string unknown_rate =
      with(kSeries, "\"repetition_rate_khz\": 1000", "\"repetition_rate_khz\": \"unknown\"");
  EXPECT_EQ(series_fault(with(unknown_rate, from, "\"pulses\": 5,\n     \"count\"")),
            "s.json:48: blocks[1].pulses: got 5, but laser.repetition_rate_khz is unknown; give "
            "the rate, or "
            "exposure_s instead");
  EXPECT_EQ(series_fault(with(kSeries, from, "\"pulses\": 1000000000000,\n     \"count\"")),
            "s.json:48: blocks[1].pulses: got 1000000000000, which at laser.repetition_rate_khz = "
            "1000 take "
            "1000000 seconds; must take 1e-6 to 86400 seconds");
}

TEST(Series, DaysThatDoNotExistAreRefused) {
  expect_faults({
      {"\"measured_at\": \"2026-03-14T20:50:00Z\"", "\"measured_at\": \"2026-02-29T20:50:00Z\"",
       "s.json:34: beam.measured_at: got \"2026-02-29T20:50:00Z\"; that month has no such day"},
      {"\"at\": \"2026-03-12\"", "\"at\": \"2100-02-29\"",
       "s.json:13: specimen.preparation.steps[0].at: got \"2100-02-29\"; that month has no such "
       "day"},
      {"\"at\": \"2026-03-12\"", "\"at\": \"2024-02-29\"", "no fault"},
      {"\"at\": \"2026-03-12\"", "\"at\": \"unknown\"", "no fault"},
  });
}

TEST(Series, TheDoseRateComesFromANamedMeasurement) {
  expect_faults({
      {"\"method\": \"Faraday cup\"", "\"method\": \"unknown\"",
       "s.json:34: beam.method: got \"unknown\"; must name the measurement, because every dose "
       "follows from "
       "it"},
      {"\"residual_e_per_a2_s\": 0.0001", "\"residual_e_per_a2_s\": 0.5",
       "s.json:35: beam.residual_e_per_a2_s: got 0.5; must be below dose_rate_e_per_a2_s = 0.02, "
       "of which it "
       "is a part"},
      {"\"residual_e_per_a2_s\": 0.0001", "\"residual_e_per_a2_s\": \"unknown\"", "no fault"},
      {"\"relative_uncertainty\": 0.1", "\"relative_uncertainty\": 10",
       "s.json:33: beam.relative_uncertainty: got 10; must be a number, 0 to 1"},
  });
}

TEST(Series, ASeriesHasAnEnd) {
  EXPECT_EQ(
      series_fault(with(kSeries,
                        "\"count\": 20,\n     \"interleave\": [{\"kind\": \"dark\", \"every\": 5}]",
                        "\"count\": 1000000, \"interleave\": [{\"kind\": \"dark\", \"every\": 1, "
                        "\"count\": 1000000}]")),
      "s.json:44: blocks: the series has 1.000001e12 frames in all; must be at most 1000000000");
}

TEST(Series, WarnsWhenAGuardWillHoldTheSeriesBeforeItsEnd) {
  // 20 exposures of 10 s at 0.02 e/A^2/s give 4 e/A^2.
  EXPECT_EQ(warnings_of(with(kSeries, "\"guards\": {\"dose_e_per_a2\": 30}",
                             "\"guards\": {\"dose_e_per_a2\": 3}")),
            std::vector<std::string>{"s.json:54: guards.dose_e_per_a2: the series will hold before "
                                     "its end on area \"a\": the plan "
                                     "gives it 4 e/A^2; 3 are reached in block \"film-a\", where "
                                     "about 15 of 20 exposures that give "
                                     "dose fit"});
  EXPECT_EQ(warnings_of(with(kSeries, "\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": 40",
                             "\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": 20")),
            std::vector<std::string>{"s.json:54: guards.dose_e_per_a2: got 30, above the 20 e/A^2 "
                                     "that area \"a\" may ever get: that "
                                     "limit acts first"});
}

/// The document with these guards beside the dose, and a block that can feed them.
std::string guarded(const std::string& guards, const std::string& interleave = R"(,
      {"kind": "zero_loss", "every": 5, "exposure_s": 0.02})") {
  return with(with(kSeries, "\"guards\": {\"dose_e_per_a2\": 30}",
                   "\"guards\": {\"dose_e_per_a2\": 30, " + guards + "}"),
              "{\"kind\": \"dark\", \"every\": 5}",
              "{\"kind\": \"dark\", \"every\": 5}" + interleave);
}

TEST(Series, ReadsTheGuardsThatWatchFramesAndTheClock) {
  const auto series = parse_series(
      guarded(R"("clock": {"ends_at": "2026-03-15T06:00:00+01:00", "ends_after_s": 3600},
                 "zero_loss_drift": {"limit_ev": 0.5},
                 "emission": {"below": 0.7, "settle_s": 60, "wait_s": 5},
                 "contamination": {"t_over_lambda_rise": 0.1, "then": "end"},
                 "broadening": {"zero_loss_fwhm_ev": 1.2},
                 "critical_dose": {"dose_e_per_a2": 20, "end_at_fraction": 0.5, "source": "notebook"},
                 "damage": {"false_alarms_per_night": 0.01, "then": "note"})"),
      "s.json");
  ASSERT_TRUE(series.ok()) << series.error().text;
  const Guards& guards = series->guards;
  EXPECT_EQ(guards.clock->ends_at_utc_ns, 1'773'550'800'000'000'000);
  EXPECT_EQ(guards.clock->ends_after, seconds(3600));
  EXPECT_EQ(guards.zero_loss_drift->limit_ev, 0.5);
  EXPECT_EQ(guards.zero_loss_drift->setting, "");
  EXPECT_EQ(guards.emission->settle, seconds(60));
  EXPECT_EQ(guards.emission->in_a_row, 2U);
  EXPECT_EQ(guards.emission->patience.again, seconds(5));
  EXPECT_TRUE(guards.contamination->ends);
  EXPECT_EQ(guards.broadening->zero_loss_fwhm_ev, 1.2);
  EXPECT_EQ(guards.critical_dose->dose, Dose{20});
  EXPECT_EQ(guards.critical_dose->source, "notebook");
  EXPECT_EQ(guards.damage->learn_exposures, 5U);
  EXPECT_EQ(guards.damage->then, OnDamage::note);
}

TEST(Series, RefusesGuardsThatCouldNeverAct) {
  const auto fault = [](const std::string& text) {
    const std::string sentence = series_fault(text);
    return sentence.substr(0, sentence.find('\n')).substr(sentence.find("guards"));
  };
  EXPECT_EQ(fault(guarded(R"("zero_loss_drift": {"limit_ev": 0.5})", "")),
            "guards.zero_loss_drift: given, but the series has no zero_loss exposures, which it "
            "looks at; must have some");
  EXPECT_EQ(fault(guarded(R"("zero_loss_drift": {"limit_ev": 0.5,
                             "recentre": {"device": "camera", "setting": "energy_offset_ev"}})")),
            "guards.zero_loss_drift.recentre.setting: got \"energy_offset_ev\" of \"camera\", "
            "which block \"film-a\" does not state as a number; every block with beam must state "
            "it in its settings");
  EXPECT_EQ(fault(guarded(R"("emission": {"below": 0.7, "device": "room"})")),
            "guards.emission: has only one of device and channel; must have both or neither");
  EXPECT_EQ(fault(guarded(R"("clock": {"ends_at": "2026-02-30T06:00:00Z"})")),
            "guards.clock.ends_at: got \"2026-02-30T06:00:00Z\"; that month has no such day");
  EXPECT_EQ(fault(with(guarded(R"("broadening": {"zero_loss_fwhm_ev": 1.2})"),
                       "\"energy_offset_ev\": -24", "\"energy_offset_ev\": \"unknown\"")),
            "guards: has guards that look at spectra (zero_loss_drift, emission, contamination, "
            "broadening, damage), but the energy axis is unknown; must state "
            "microscope.dispersion_ev_per_channel and microscope.energy_offset_ev");
}

TEST(Series, WarnsWhenNothingWatchesABeamSensitiveSpecimen) {
  const std::string warning =
      "guards: the specimen is beam-sensitive, and nothing watches for damage: critical_dose ends "
      "the series before it, damage rings after it; only the dose limit acts";
  const auto warned = [&](const std::string& text) {
    const auto warnings = warnings_of(text);
    return std::any_of(warnings.begin(), warnings.end(), [&](const std::string& one) {
      return one.find(warning) != std::string::npos;
    });
  };
  const std::string organic =
      with(kSeries, "\"elements\": [\"C\", \"O\", \"Fe\"]", "\"elements\": [\"C\", \"H\"]");
  EXPECT_TRUE(warned(organic));
  EXPECT_FALSE(warned(kSeries));
  EXPECT_TRUE(warned(
      with(kSeries, "\"thickness_nm\": 50", "\"beam_sensitive\": true, \"thickness_nm\": 50")));
  EXPECT_FALSE(warned(
      with(organic, "\"thickness_nm\": 50", "\"beam_sensitive\": false, \"thickness_nm\": 50")));
  EXPECT_FALSE(
      warned(with(organic, "\"guards\": {\"dose_e_per_a2\": 30}",
                  "\"guards\": {\"dose_e_per_a2\": 30, \"critical_dose\": {\"dose_e_per_a2\": 60, "
                  "\"end_at_fraction\": 0.5, \"source\": \"trial\"}}")));
}

TEST(Series, PlannedMeasuresAreCountedOverAllBlocks) {
  const auto series =
      parse_series(guarded(R"("broadening": {"zero_loss_fwhm_ev": 1.2})"), "s.json");
  ASSERT_TRUE(series.ok()) << series.error().text;
  std::uint64_t specimen = 0;
  std::uint64_t references = 0;
  const Plan plan(*series);
  for (std::uint64_t i = 0; i < plan.size(); ++i) {
    specimen += plan.at(i).kind == ExposureKind::specimen ? 1 : 0;
    references += plan.at(i).kind == ExposureKind::zero_loss ? 1 : 0;
  }
  EXPECT_EQ(planned_measures(*series, MeasureKind::zero_loss_ev, 10), references);
  EXPECT_EQ(planned_measures(*series, MeasureKind::oxygen_carbon, 10), specimen);
  EXPECT_EQ(planned_measures(*series, MeasureKind::rate, 10), specimen + references);
  EXPECT_EQ(planned_measures(*series, MeasureKind::l3_ev, 10), specimen / 10);
}

TEST(Series, WarnsWhereAUnitIsProbablyWrong) {
  EXPECT_EQ(warnings_of(with(kSeries, "\"collection_semi_angle_mrad\": 10",
                             "\"collection_semi_angle_mrad\": 0.01")),
            std::vector<std::string>{
                "s.json:22: microscope.collection_semi_angle_mrad: got 0.01; 0.1 to 200 "
                "mrad is usual: is the unit right?"});
  EXPECT_EQ(
      warnings_of(with(kSeries, "\"thickness_nm\": 50", "\"thickness_nm\": 0.05")),
      std::vector<std::string>{
          "s.json:8: specimen.thickness_nm: got 0.05; 1 to 1000 nm is usual: is the unit right?"});
}

TEST(Series, UnknownIsAcceptedAndKeptAndSaidOnce) {
  const std::string text =
      with(with(kSeries, "\"high_tension_kv\": 200", "\"high_tension_kv\": \"unknown\""),
           "\"date\": \"2026-03-12T16:40:00+01:00\"", "\"date\": \"2026-03-12\"");
  EXPECT_EQ(
      warnings_of(text),
      (std::vector<std::string>{
          "s.json:1: the document: the session will say \"unknown\" for microscope.high_tension_kv",
          "s.json:11: specimen.preparation.date: a date without a time of day; the session can "
          "conform to "
          "NXem only with both"}));
  EXPECT_EQ(parse_series(text, "s.json")->document.at("microscope").at("high_tension_kv"),
            "unknown");
}

TEST(Series, WarnsOfAnAreaThatNothingUses) {
  EXPECT_EQ(warnings_of(with(kSeries, "\"kind\": \"specimen\", \"area\": \"b\"",
                             "\"kind\": \"specimen\", \"area\": \"a\"")),
            std::vector<std::string>{"s.json:18: areas[1]: no block uses the area \"b\""});
}

TEST(Series, LongTextsAreShownShortAndDoNotHarm) {
  const std::string huge(100'000, 'x');
  EXPECT_EQ(series_fault(with(kSeries, "\"name\": \"ink\",\n", "\"name\": \"" + huge + "\",\n")),
            "s.json:3: name: got \"" + std::string(59, 'x') +
                "...; must be a name of letters, digits, . _ and -, beginning with a letter or "
                "digit, at most "
                "100 characters");
  EXPECT_EQ(series_fault(with(kSeries, "\"date\": \"2026-03-12T16:40:00+01:00\"",
                              "\"date\": \"" + huge + "\""))
                .substr(0, 50),
            "s.json:11: specimen.preparation.date: got \"xxxxxxx");
}

TEST(Series, AnUnknownFieldWithAStrangeNameIsStillOneShortLine) {
  const auto fault = [](const std::string& name) {
    const std::string text =
        series_fault(with(kSeries, "\"every\": 5", "\"every\": 5, \"" + name + "\": 1"));
    return text.substr(0, text.find(": there is no such field here; the fields are count, "));
  };
  EXPECT_EQ(fault(std::string(100'000, 'x')),
            "s.json:50: blocks[1].interleave[0].\"" + std::string(59, 'x') + "...");
  EXPECT_EQ(fault("two\\nlines"), "s.json:50: blocks[1].interleave[0].\"two\\nlines\"");
  EXPECT_EQ(fault(""), "s.json:50: blocks[1].interleave[0].\"\"");
}

}  // namespace
}  // namespace creel
