// A series against the rig it is to run on.

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "documents.h"

namespace creel {
namespace {

using namespace testing_documents;
using Sentences = std::vector<std::string>;

/// The error, else the warnings, one a line; "" for none.
std::string check(const std::string& series_text, const std::string& rig_text) {
  const auto series = parse_series(series_text, "s.json");
  const auto rig = parse_rig(rig_text, "r.json");
  EXPECT_TRUE(series.ok()) << series.error().text;
  EXPECT_TRUE(rig.ok()) << rig.error().text;
  if (!series.ok() || !rig.ok()) return "not accepted";
  const auto result = check_against_rig(*series, *rig);
  if (!result.ok()) return result.error().text;
  std::string text;
  for (const std::string& warning : *result) text += (text.empty() ? "W " : "\nW ") + warning;
  return text;
}

TEST(RigCheck, ASeriesThatFitsItsRigHasNoFaultAndNoWarning) {
  EXPECT_EQ(check(kSeries, kRig), "");
}

TEST(RigCheck, DevicesMustExistAndBeOfTheRightKind) {
  EXPECT_EQ(check(with(kSeries, "\"detector\": \"camera\"", "\"detector\": \"camra\""), kRig),
            "s.json:38: devices.detector: got \"camra\", which the rig \"bench\" does not have; "
            "did you mean "
            "\"camera\"?");
  EXPECT_EQ(check(with(kSeries, "\"detector\": \"camera\"", "\"detector\": \"room\""), kRig),
            "s.json:38: devices.detector: got \"room\", which is a gauge in the rig \"bench\"; "
            "must be a detector");
  EXPECT_EQ(check(with(kSeries, "[\"room\"]", "[\"room\", \"delay_line\", \"vacuum\"]"), kRig),
            "s.json:41: devices.gauges[1]: got \"delay_line\", which is a stage in the rig "
            "\"bench\"; must be a "
            "gauge\n"
            "s.json:41: devices.gauges[2]: got \"vacuum\", which the rig \"bench\" does not have; "
            "must be "
            "\"room\"");
  EXPECT_EQ(
      check(
          kSeries,
          with(kRig, "    {\"name\": \"room\", \"kind\": \"gauge\", \"driver\": \"simulated\"},\n",
               "")),
      "s.json:41: devices.gauges[0]: got \"room\", which the rig \"bench\" does not have; it has "
      "no gauge "
      "at all");
}

TEST(RigCheck, OnlyAShutterAboveTheSpecimenEndsTheDose) {
  const auto blocks = [](const std::string& what) {
    // The cathode shutter is its fallback no longer, or the rig itself would be at fault.
    return with(with(kRig, "\"electrons_above_specimen\"", "\"" + what + "\""),
                ",\n     \"fallback\": \"beam_shutter\"", "");
  };
  EXPECT_EQ(check(kSeries, blocks("electrons_below_specimen")),
            "s.json:39: devices.shutter: got \"beam_shutter\", which blocks "
            "electrons_below_specimen: it protects "
            "the detector, but the specimen goes on getting dose; must be a shutter that blocks "
            "electrons_above_specimen or cathode_laser");
  EXPECT_EQ(check(kSeries, blocks("pump_laser")),
            "s.json:39: devices.shutter: got \"beam_shutter\", which blocks pump_laser and no "
            "electrons; must be a "
            "shutter that blocks electrons_above_specimen or cathode_laser");
}

TEST(RigCheck, WarnsWhenTheDoseShutterMayStayOpen) {
  const std::string rig =
      with(kRig, "     \"fails_safe\": \"yes\",\n     \"fallback\": \"cathode_shutter\"",
           "     \"fails_safe\": \"no\"");
  EXPECT_EQ(check(kSeries, rig),
            "W s.json:39: devices.shutter: fails_safe of the rig \"bench\": got \"no\": at a power "
            "cut the shutter "
            "\"beam_shutter\" stays as it is; if it stands open, the beam stays on the specimen "
            "until someone "
            "closes it, and the ledger charges no more than up to the end of the lease (2 s)\n"
            "W s.json:39: devices.shutter: no fallback is named: when the shutter \"beam_shutter\" "
            "does not close, "
            "Creel can only raise an alarm, and the dose goes on until someone closes it");
}

TEST(RigCheck, WarnsWhenTheBeamBehindABlockedCathodeLaserIsNotKnown) {
  const std::string gate =
      with(kSeries, "\"shutter\": \"beam_shutter\"", "\"shutter\": \"cathode_shutter\"");
  EXPECT_EQ(check(gate, kRig), "");
  EXPECT_EQ(
      check(with(gate, "\"residual_e_per_a2_s\": 0.0001", "\"residual_e_per_a2_s\": \"unknown\""),
            kRig),
      "W s.json:39: devices.shutter: got \"cathode_shutter\", which blocks the laser to the "
      "cathode, while "
      "beam.residual_e_per_a2_s is unknown: what the cathode still emits (thermionic, field, stray "
      "light) "
      "reaches the specimen all the time and is not in the ledger; measure it with the laser "
      "blocked");
}

TEST(RigCheck, TheCathodeShutterMustBlockTheCathodeLaser) {
  EXPECT_EQ(check(with(kSeries, "\"cathode_shutter\": \"cathode_shutter\"",
                       "\"cathode_shutter\": \"beam_shutter\""),
                  kRig),
            "s.json:40: devices.cathode_shutter: got \"beam_shutter\", which blocks "
            "electrons_above_specimen in "
            "the rig \"bench\"; must be a shutter that blocks cathode_laser");
}

TEST(RigCheck, WhatABlockVariesIsAStageAndWhatItSetsExists) {
  const std::string from = "     \"exposure_s\": 1, \"count\": 20}";
  const auto block = [&](const std::string& more) {
    return with(kSeries, from, "     \"exposure_s\": 1, \"count\": 20,\n" + more + "}");
  };
  EXPECT_EQ(
      check(
          block("\"vary\": {\"device\": \"delay_line\", \"axis\": \"delay\", \"values\": [0, 1]}"),
          kRig),
      "");
  EXPECT_EQ(
      check(block("\"vary\": {\"device\": \"room\", \"axis\": \"delay\", \"values\": [0, 1]}"),
            kRig),
      "s.json:53: blocks[2].vary.device: got \"room\", which is a gauge in the rig \"bench\"; must "
      "be a stage");
  EXPECT_EQ(
      check(block("\"settings\": [{\"device\": \"camera2\", \"name\": \"gain\", \"value\": 1}]"),
            kRig),
      "s.json:53: blocks[2].settings[0].device: got \"camera2\", which the rig \"bench\" does not "
      "have; did "
      "you mean \"camera\"?");
}

TEST(RigCheck, APlanThatPassesTheLimitOfAnAreaIsRefusedWithTheNumbers) {
  // 20 exposures of 10 s at 0.02 e/A^2/s = 4 e/A^2; 3.3 are reached after 16.5 of them.
  const auto limit = [](const std::string& value) {
    return with(with(kSeries, "\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": 40",
                     "\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": " + value),
                "\"guards\": {\"dose_e_per_a2\": 30}", "\"guards\": {\"dose_e_per_a2\": 3}");
  };
  EXPECT_EQ(check(limit("3.3"), kRig),
            "s.json:17: areas[0].dose_limit_e_per_a2: got 3.3; the plan gives it 4 e/A^2; 3.3 are "
            "reached in block "
            "\"film-a\", where about 16 of 20 exposures that give dose fit; must be at least the "
            "planned dose: take "
            "fewer or shorter exposures");
  // One late closing: (2 s + 0.1 s) at 0.02 e/A^2/s.
  EXPECT_EQ(check(limit("4.03"), kRig),
            "W s.json:17: areas[0].dose_limit_e_per_a2: got 4.03; the plan gives 4 e/A^2, which "
            "leaves less than "
            "the 0.042 e/A^2 that one late closing may cost (lease and closing time): the last "
            "exposures may be "
            "refused");
  EXPECT_EQ(check(limit("4.05"), kRig), "");
}

TEST(RigCheck, TheDoseOfReferencesAndOfEveryValueCounts) {
  // Zero loss through the specimen: 4 of 5 s = 0.4; background 4 of 10 s at 0.0001 = 0.004; times 3
  // values.
  const std::string text = with(
      with(
          with(
              kSeries, "[{\"kind\": \"dark\", \"every\": 5}]",
              "[{\"kind\": \"dark\", \"every\": 5}, {\"kind\": \"zero_loss\", \"every\": 5, "
              "\"exposure_s\": 5},\n"
              "{\"kind\": \"background\", \"every\": 5}],\n"
              "\"vary\": {\"device\": \"delay_line\", \"axis\": \"delay\", \"values\": [0, 1, 2]}"),
          "\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": 40",
          "\"a\", \"grid\": \"g1\", \"dose_limit_e_per_a2\": 13.2"),
      "\"guards\": {\"dose_e_per_a2\": 30}", "\"guards\": {\"dose_e_per_a2\": 13.2}");
  EXPECT_EQ(check(text, kRig),
            "s.json:17: areas[0].dose_limit_e_per_a2: got 13.2; the plan gives it 13.212 e/A^2; "
            "13.2 are reached in "
            "block \"film-a\", where about 83 of 84 exposures that give dose fit; must be at least "
            "the planned dose: "
            "take fewer or shorter exposures");
}

TEST(RigCheck, WarnsWhenTheGatingMarginIsShorterThanTheShutterTakes) {
  EXPECT_EQ(check(with(kSeries, "\"gating\": {\"by\": \"detector\"}",
                       "\"gating\": {\"by\": \"shutter\", \"margin_ms\": 50}"),
                  kRig),
            "W s.json:43: gating: the margin of 50 ms is shorter than the closing time of "
            "\"beam_shutter\", 100 ms: "
            "the end of an exposure may be cut off");
}

TEST(RigCheck, ASeriesWithoutItsTextIsCheckedWithoutLines) {
  auto series =
      parse_series(with(kSeries, "\"detector\": \"camera\"", "\"detector\": \"camra\""), "s.json");
  ASSERT_TRUE(series.ok()) << series.error().text;
  series->text.clear();
  const auto result = check_against_rig(*series, *parse_rig(kRig, "r.json"));
  ASSERT_FALSE(result.ok());
  EXPECT_EQ(result.error().text,
            "s.json: devices.detector: got \"camra\", which the rig \"bench\" does not have; did "
            "you mean \"camera\"?");
}

}  // namespace
}  // namespace creel
