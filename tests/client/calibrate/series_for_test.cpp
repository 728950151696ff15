// The series that take calibrations: each is valid, does what its kind needs, and gives no more
// dose than it says.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <set>

#include "client/calibrate/series_for.h"
#include "protocol/series/calibration.h"
#include "protocol/series/estimate.h"

namespace creel::calibrate {
namespace {

using nlohmann::json;

Series scenario(const std::string& name) {
  const char* source = std::getenv("CREEL_SOURCE");
  const std::string path =
      std::string(source == nullptr ? "." : source) + "/sim/scenarios/" + name + ".series.json";
  std::ifstream file(path);
  auto series = parse_series(std::string{std::istreambuf_iterator<char>(file), {}}, path);
  EXPECT_TRUE(series.ok()) << series.error().text;
  return *series;
}

Series made(std::string_view kind, const Series& base, SeriesOptions options = {}) {
  options.edge = "x=500";
  options.attenuator = "stage.attenuator";
  auto document = series_for(kind, base, options);
  EXPECT_TRUE(document.ok()) << document.error().text;
  auto series = parse_series(document->dump(2), std::string(kind));
  EXPECT_TRUE(series.ok()) << series.error().text;
  return *series;
}

TEST(SeriesFor, EveryKindMakesAValidSeriesWithTheDevicesOfItsBase) {
  const Series base = scenario("ink-film");
  for (const CalibrationKind& kind : kCalibrationKinds) {
    SeriesOptions options;
    options.even = "camera.illumination=even,spectrum";
    const Series series = made(kind.name, base, options);
    EXPECT_EQ(series.name, "calibrate-" + std::string(kind.name));
    EXPECT_EQ(series.detector, base.detector);
    const Estimate sum = estimate(series);
    double dose = 0;
    for (const auto& [area, planned] : sum.planned) dose += planned.value;
    const bool through = kind.name == "energy" || kind.name == "beam-profile";
    EXPECT_EQ(dose > 0, through) << kind.name;
    EXPECT_LT(dose, 6) << kind.name;
    EXPECT_GT(series.guards.dose.value, dose);
  }
}

TEST(SeriesFor, DarksHaveEveryExposureTimeOfTheSeriesAndAnother) {
  const Series base = scenario("ink-film");
  const Series darks = made("dark", base);
  for (const Block& block : base.blocks) {
    EXPECT_TRUE(std::any_of(darks.blocks.begin(), darks.blocks.end(),
                            [&](const Block& dark) { return dark.exposure == block.exposure; }));
  }
  EXPECT_GE(darks.blocks.size(), 2U);
}

TEST(SeriesFor, EvenLightIsSetAsTheGainBlockSetsItAndTakenBack) {
  const Series gain = made("gain", scenario("ink-gain"));
  const Block& even = gain.blocks.at(1);
  EXPECT_EQ(even.kind, ExposureKind::gain);
  const auto lit = std::find_if(even.settings.begin(), even.settings.end(),
                                [](const Setting& one) { return one.name == "illumination"; });
  ASSERT_NE(lit, even.settings.end());
  EXPECT_EQ(lit->value, "even");
  const auto after =
      std::find_if(gain.blocks.back().settings.begin(), gain.blocks.back().settings.end(),
                   [](const Setting& one) { return one.name == "illumination"; });
  ASSERT_NE(after, gain.blocks.back().settings.end());
  EXPECT_EQ(after->value, "spectrum");
}

// A laser that dropped out during the scan made the mean charge a third of the true one.
TEST(SeriesFor, EmissionIsHeldByALaserThatDropsOutButNotByTheAttenuator) {
  const Series base = scenario("ink-film");
  const Series emission = made("emission", base);
  ASSERT_FALSE(base.guards.gauges.empty());
  ASSERT_EQ(emission.guards.gauges.size(), base.guards.gauges.size());
  const auto& wide = emission.guards.gauges[0];
  const auto& usual = base.guards.gauges[0];
  ASSERT_TRUE(wide.least && usual.least);
  EXPECT_LT(*wide.least, 0.5 * *usual.least);
  EXPECT_GT(*wide.least, 0.1 * *usual.least);
  EXPECT_EQ(wide.most, usual.most);
}

TEST(SeriesFor, AMovedSpectrumIsMovedByWholeChannelsAndBack) {
  const Series base = scenario("standard-fe2");
  SeriesOptions options;
  options.dithered = true;
  const Series gain = made("gain", base, options);
  std::set<double> places;
  double last = 0;
  for (const Block& block : gain.blocks) {
    if (block.kind != ExposureKind::gain) continue;
    EXPECT_EQ(block.area, base.areas[0].name);
    EXPECT_GE(block.count, 2U) << "one frame alone shows no noise";
    // The supply is moved as the axis is said to be, from the core loss's 224 and 200 eV.
    ASSERT_EQ(block.settings.size(), 1U);
    const double supply = block.settings[0].value.get<double>() - 224;
    last = (block.energy_offset_ev.value() - 200) / base.dispersion_ev.value();
    EXPECT_NEAR(supply, last * base.dispersion_ev.value(), 1e-9);
    EXPECT_NEAR(last, std::round(last), 1e-9);
    places.insert(std::round(last));
  }
  EXPECT_GE(places.size(), 10U);
  EXPECT_EQ(last, 0) << "the supply is left as the next series expects it";
  double dose = 0;
  for (const auto& [area, planned] : estimate(gain).planned) dose += planned.value;
  EXPECT_GT(dose, 0);
  EXPECT_GT(gain.guards.dose.value, dose);
}

TEST(SeriesFor, ShutterFramesHaveDarksOfTheirTime) {
  const Series shutter = made("shutter", scenario("ink-film"));
  EXPECT_EQ(shutter.gating, Gating::shutter);
  for (const Block& lit : shutter.blocks) {
    if (lit.kind == ExposureKind::dark) continue;
    EXPECT_TRUE(std::any_of(shutter.blocks.begin(), shutter.blocks.end(), [&](const Block& dark) {
      return dark.kind == ExposureKind::dark && dark.exposure == lit.exposure;
    }));
  }
}

TEST(SeriesFor, WhatIsMissingOrMistypedIsSaid) {
  const Series base = scenario("ink-film");
  const auto fault = [&](std::string_view kind, const SeriesOptions& options) {
    const auto document = series_for(kind, base, options);
    return document.ok() ? std::string("accepted") : document.error().text;
  };
  EXPECT_NE(fault("length", {}).find("must be one of dark"), std::string::npos);
  EXPECT_NE(fault("emission", {}).find("--attenuator"), std::string::npos);
  EXPECT_NE(fault("beam-profile", {}).find("--edge"), std::string::npos);
  SeriesOptions options;
  options.even = "illumination";
  EXPECT_NE(fault("gain", options).find("DEVICE.SETTING=LIT,AFTER"), std::string::npos);
  options.dithered = true;
  EXPECT_NE(
      series_for("gain", scenario("ink-gain"), options).error().text.find("specimen exposures"),
      std::string::npos);
  options.area = "elsewhere";
  EXPECT_NE(fault("energy", options).find("has no area \"elsewhere\""), std::string::npos);
}

}  // namespace
}  // namespace creel::calibrate
