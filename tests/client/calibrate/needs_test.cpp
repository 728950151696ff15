// Stale, missing and foreign calibrations; typed settings that do not go together; the library.
#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <iterator>

#include "client/calibrate/needs.h"
#include "client/calibrate/standards.h"
#include "client/calibrate/typed_settings.h"

namespace creel::calibrate {
namespace {

using nlohmann::json;

constexpr std::int64_t kHour = 3'600'000'000'000;
constexpr std::int64_t kNow = 1'790'000'000'000'000'000;

Series ink_film() {
  const char* source = std::getenv("CREEL_SOURCE");
  const std::string path =
      std::string(source == nullptr ? "." : source) + "/sim/scenarios/ink-film.series.json";
  std::ifstream file(path);
  auto series = parse_series(std::string{std::istreambuf_iterator<char>(file), {}}, path);
  EXPECT_TRUE(series.ok());
  return *series;
}

Calibration record(const std::string& kind, std::int64_t taken, std::int64_t until) {
  Calibration made;
  made.kind = kind;
  made.rig = "rig";
  made.taken_utc_ns = taken;
  made.valid_until_utc_ns = until;
  made.holds_for = {{"high_tension_kv", 200}};
  made.values = {{"dispersion_ev_per_channel", "eV", 0.49, 0.001, 3}};
  made.origin = kind + ".json";
  return made;
}

State state_at(const Shelf& shelf, std::int64_t at, std::string_view rig = "rig") {
  return need("energy", rig, ink_film().document, shelf, at).state;
}

TEST(Needs, ARecordIsMissingStaleForOtherSettingsOrInDate) {
  Shelf shelf;
  EXPECT_EQ(state_at(shelf, kNow), State::missing);
  shelf.records = {record("energy", kNow, kNow + kHour)};
  EXPECT_EQ(state_at(shelf, kNow), State::in_date);
  EXPECT_EQ(state_at(shelf, kNow + 2 * kHour), State::stale);
  EXPECT_EQ(state_at(shelf, kNow, "another rig"), State::missing);
  // Taken after the session, it holds as long back as forward.
  EXPECT_EQ(state_at(shelf, kNow - kHour / 2), State::in_date);
  EXPECT_EQ(state_at(shelf, kNow - 2 * kHour), State::stale);
  // A newer one supersedes, but not for sessions before it.
  shelf.records.insert(shelf.records.begin(), record("energy", kNow + kHour / 2, kNow + 9 * kHour));
  EXPECT_EQ(need("energy", "rig", {}, shelf, kNow + kHour).record, &shelf.records[0]);
  EXPECT_EQ(need("energy", "rig", {}, shelf, kNow).record, &shelf.records[1]);
  shelf.records[0].holds_for["high_tension_kv"] = 80;
  EXPECT_EQ(state_at(shelf, kNow + kHour), State::does_not_hold);
  const auto refused = required("energy", "rig", ink_film().document, shelf, kNow + kHour);
  ASSERT_FALSE(refused.ok());
  EXPECT_NE(refused.error().text.find("high_tension_kv was 80 then and is 200 now"),
            std::string::npos);
}

TEST(Needs, ASeriesRestsOnWhatItUses) {
  Series series = ink_film();
  const auto kinds = [&] {
    std::string all;
    for (const Need& one : needs(series, "rig", {}, kNow)) {
      all += one.kind + " ";
      EXPECT_NE(one.sentence.find("creel calibrate " + one.kind), std::string::npos);
    }
    return all;
  };
  const std::string usual = kinds();
  for (const char* kind : {"photon-transfer", "gain", "energy ", "energy-offset", "dose-rate",
                           "beam-profile", "residual"}) {
    EXPECT_NE(usual.find(kind), std::string::npos) << kind;
  }
  EXPECT_EQ(usual.find("dark"), std::string::npos) << "the series takes its own";
  EXPECT_EQ(usual.find("shutter"), std::string::npos) << "the detector gates";
  series.gating = Gating::shutter;
  EXPECT_NE(kinds().find("shutter"), std::string::npos);
  std::erase_if(series.blocks,
                [](const Block& block) { return block.kind != ExposureKind::specimen; });
  for (Block& block : series.blocks) block.interleave.clear();
  EXPECT_NE(kinds().find("dark"), std::string::npos);
  EXPECT_EQ(kinds().find("energy-offset"), std::string::npos) << "nothing moves the axis";
}

TEST(Implausible, AngleAgainstGeometryAndNominalAgainstCalibrated) {
  Series series = ink_film();
  Shelf shelf;
  EXPECT_TRUE(implausible(series, "rig", shelf).empty());
  // Half of 3 mm over 600 mm is 2.5 mrad: 10 mrad is four times that.
  series.document["microscope"]["camera_length_mm"] = 600;
  ASSERT_EQ(implausible(series, "rig", shelf).size(), 1U);
  EXPECT_NE(implausible(series, "rig", shelf)[0].find("2.5 mrad"), std::string::npos);
  series.document["microscope"]["camera_length_mm"] = "unknown";
  EXPECT_TRUE(implausible(series, "rig", shelf).empty());
  shelf.records = {record("energy", kNow, kNow + kHour)};
  ASSERT_EQ(implausible(series, "rig", shelf).size(), 1U);
  EXPECT_NE(implausible(series, "rig", shelf)[0].find("0.49"), std::string::npos);
}

TEST(TypedSettings, WhatCalibrationsMeasuredSinceStandsInThePlaceOfWhatWasTyped) {
  const auto rate = [](std::int64_t taken) {
    Calibration made = record("dose-rate", taken, taken + kHour);
    made.method = "counts in vacuum";
    made.values = {{"dose_rate_e_per_a2_s", "1/angstrom^2/s", 0.025, 0.001, 40}};
    return made;
  };
  Calibration residual = record("residual", kNow, kNow + kHour);
  residual.values = {{"fraction", "1", 0.002, 0.0001, 12}};
  json document = ink_film().document;
  const json typed = document["beam"];

  Shelf shelf;
  shelf.records = {rate(kNow), residual};
  EXPECT_EQ(put_measured(document, "another rig", shelf, kNow), std::vector<std::string>{});
  EXPECT_EQ(put_measured(document, "rig", shelf, kNow + 2 * kHour), std::vector<std::string>{})
      << "they have run out";
  EXPECT_EQ(document["beam"], typed);

  const auto names = put_measured(document, "rig", shelf, kNow);
  EXPECT_EQ(names.size(), 5U);
  EXPECT_EQ(document["beam"]["dose_rate_e_per_a2_s"], 0.025);
  EXPECT_DOUBLE_EQ(document["beam"]["relative_uncertainty"].get<double>(), 0.04);
  EXPECT_DOUBLE_EQ(document["beam"]["residual_e_per_a2_s"].get<double>(), 0.002 * 0.025);
  EXPECT_EQ(document["beam"]["method"], "creel calibrate dose-rate: counts in vacuum");
  EXPECT_TRUE(parse_series(document.dump(), "taken over").ok());

  // What was typed after the measurement is newer than it.
  document["beam"] = typed;
  document["beam"]["measured_at"] = "2126-01-01T00:00:00Z";
  EXPECT_EQ(put_measured(document, "rig", shelf, kNow), std::vector<std::string>{});
}

TEST(TypedSettings, AreTakenOverOneByOne) {
  json document = ink_film().document;
  EXPECT_TRUE(put_typed(document, "microscope.camera_length_mm", "72.5").ok());
  EXPECT_EQ(document["microscope"]["camera_length_mm"], 72.5);
  EXPECT_TRUE(put_typed(document, "microscope.camera_length_mm", "unknown").ok());
  EXPECT_TRUE(put_typed(document, "microscope.camera_length_mm", "80").ok())
      << "a number again where \"unknown\" stood";
  EXPECT_TRUE(put_typed(document, "microscope.spot_size", "5").ok());
  EXPECT_EQ(document["microscope"]["spot_size"], "5") << "a text stays a text";
  EXPECT_FALSE(put_typed(document, "microscope.camera_length_mm", "long").ok());
  EXPECT_FALSE(put_typed(document, "microscope.knobs", "7").ok());
  json other = ink_film().document;
  copy_typed(document, other);
  EXPECT_EQ(other["microscope"], document["microscope"]);
}

TEST(Standards, ARecordIsTheSameAfterARoundTripAndStrict) {
  Standard one;
  one.name = "oxide";
  one.element = "Fe";
  one.state = 3;
  one.known_from = "diffraction";
  one.session = "/sessions/oxide.h5";
  one.resolution_fwhm_ev = 0.8;
  one.taken_utc_ns = kNow;
  one.expires_utc_ns = kNow + kHour;
  one.program = "creel test";
  const json first = to_json(one);
  const auto read = parse_standard(first.dump(), "oxide.json");
  ASSERT_TRUE(read.ok()) << read.error().text;
  EXPECT_EQ(to_json(*read), first);
  EXPECT_FALSE(read->t_over_lambda);
  json spoiled = first;
  spoiled["colour"] = "red";
  EXPECT_NE(parse_standard(spoiled.dump(), "x").error().text.find("colour"), std::string::npos);
  spoiled = first;
  spoiled.erase("session");
  EXPECT_FALSE(parse_standard(spoiled.dump(), "x").ok());
}

}  // namespace
}  // namespace creel::calibrate
