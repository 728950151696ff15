// The record of a calibration: strict, and the same after a round trip.
#include <gtest/gtest.h>

#include "protocol/series/calibration.h"

namespace creel {
namespace {

using nlohmann::json;

Calibration example() {
  Calibration made;
  made.kind = "energy";
  made.rig = "bench";
  made.devices = {{"camera", {{"serial", "7"}}}};
  made.taken_utc_ns = 1'780'000'000'000'000'000;
  made.valid_until_utc_ns = made.taken_utc_ns + 3'600'000'000'000;
  made.holds_for = {{"high_tension_kv", 200}, {"dispersion_ev_per_channel", 0.5}};
  made.conditions = {{"exposure_s", {0.02, 10.0}}, {"room", 21.5}, {"laser", "on"}};
  made.method = "least squares";
  made.source = "a table";
  made.edge_table = "xraylib 4.0";
  made.values = {{"first_channel_ev", "eV", -24.01, 0.05, 3},
                 {"dispersion", "eV", 0.4998, 0.001, 3, "by hand"}};
  made.covariance_of = {"first_channel_ev", "dispersion"};
  made.covariance = {{0.0025, -1e-5}, {-1e-5, 1e-6}};
  made.sessions = {{"night-1", {{0, 9}, {12, 12}}}};
  made.remarks = {"the room was warm"};
  made.program = "creel test";
  return made;
}

TEST(CalibrationRecord, IsTheSameAfterARoundTrip) {
  const json first = to_json(example());
  const auto read = parse_calibration(first.dump(), "record.json");
  ASSERT_TRUE(read.ok()) << read.error().text;
  EXPECT_EQ(to_json(*read), first);
  EXPECT_EQ(read->origin, "record.json");
  ASSERT_NE(read->find("dispersion"), nullptr);
  EXPECT_EQ(read->find("dispersion")->note, "by hand");
  EXPECT_EQ(read->find("nothing"), nullptr);
  EXPECT_FALSE(read->stale(read->valid_until_utc_ns));
  EXPECT_TRUE(read->stale(read->valid_until_utc_ns + 1));
}

TEST(CalibrationRecord, RefusesWhatIsNotAllowedByNameAndLine) {
  const auto fault = [](const std::function<void(json&)>& spoil) {
    json record = to_json(example());
    spoil(record);
    const auto read = parse_calibration(record.dump(1), "record.json");
    return read.ok() ? std::string("accepted") : read.error().text;
  };
  EXPECT_NE(fault([](json& r) { r["kind"] = "length"; }).find("kind"), std::string::npos);
  EXPECT_NE(fault([](json& r) { r["extra"] = 1; }).find("extra"), std::string::npos);
  EXPECT_NE(fault([](json& r) { r.erase("sessions"); }).find("sessions"), std::string::npos);
  EXPECT_NE(fault([](json& r) { r["values"][0]["sigma"] = -1; }).find("values[0].sigma"),
            std::string::npos);
  EXPECT_NE(fault([](json& r) {
              r["values"][1]["name"] = "first_channel_ev";
            }).find("stands in the list already"),
            std::string::npos);
  EXPECT_NE(fault([](json& r) { r["covariance"]["of"][1] = "third"; }).find("is no value"),
            std::string::npos);
  EXPECT_NE(fault([](json& r) { r["covariance"]["matrix"][1].push_back(1.0); }).find("matrix"),
            std::string::npos);
  EXPECT_NE(fault([](json& r) { r["taken_at"] = "2026-02-30T00:00:00Z"; }).find("taken_at"),
            std::string::npos);
}

TEST(CalibrationRecord, HoldsForTheSettingsItWasTakenAt) {
  const Calibration record = example();
  json series = {{"microscope", {{"high_tension_kv", 200}, {"dispersion_ev_per_channel", 0.5}}}};
  EXPECT_EQ(does_not_hold(record, series), "");
  series["microscope"]["dispersion_ev_per_channel"] = 0.25;
  EXPECT_NE(does_not_hold(record, series).find("dispersion_ev_per_channel"), std::string::npos);
  series["microscope"]["dispersion_ev_per_channel"] = "unknown";
  EXPECT_EQ(does_not_hold(record, series), "");
}

TEST(CalibrationRecord, EveryKindOfTheTableIsAKindOfTheSchema) {
  const json schema = json::parse(calibration_schema());
  std::vector<std::string> kinds = schema["properties"]["kind"]["enum"];
  ASSERT_EQ(kinds.size(), kCalibrationKinds.size());
  for (const std::string& kind : kinds) EXPECT_NE(find_calibration_kind(kind), nullptr) << kind;
}

}  // namespace
}  // namespace creel
