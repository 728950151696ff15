// The example documents, and broken ones that an independent validator refuses too
// (schemas_test.py).

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "documents.h"

namespace creel {
namespace {

using namespace testing_documents;
using nlohmann::json;

Series example_series(const std::string& name) {
  auto series = parse_series(source_file("sim/scenarios/" + name), name);
  EXPECT_TRUE(series.ok()) << series.error().text;
  return std::move(series).value();
}

Rig example_rig(const std::string& name) {
  auto rig = parse_rig(source_file("sim/scenarios/" + name), name);
  EXPECT_TRUE(rig.ok()) << rig.error().text;
  return std::move(rig).value();
}

TEST(Scenarios, EveryRigIsCleanAndEveryShutterInItFailsSafeWithAFallback) {
  for (const char* name : {"ink-lab.rig.json", "ink-lab-real-time.rig.json",
                           "network-camera.rig.json", "fast-line.rig.json"}) {
    EXPECT_TRUE(example_rig(name).warnings.empty()) << name;
  }
}

TEST(Scenarios, TheInkSeriesRunUnchangedOnTheSimulatedAndOnTheNetworkCamera) {
  for (const char* series_name : {"ink-film.series.json", "ink-trial.series.json"}) {
    const Series series = example_series(series_name);
    EXPECT_EQ(
        series.warnings,
        std::vector<std::string>{std::string(series_name) +
                                 ":1: the document: the session will say \"unknown\" for "
                                 "specimen.density_g_per_cm3, microscope.apertures[1].diameter_um, "
                                 "laser.polarisation"});
    for (const char* rig_name :
         {"ink-lab.rig.json", "ink-lab-real-time.rig.json", "network-camera.rig.json"}) {
      const auto checked = check_against_rig(series, example_rig(rig_name));
      ASSERT_TRUE(checked.ok()) << checked.error().text;
      EXPECT_TRUE(checked->empty()) << checked->front();
    }
  }
}

TEST(Scenarios, TheFastLineSeriesFitsItsRig) {
  const auto checked =
      check_against_rig(example_series("fast-line.series.json"), example_rig("fast-line.rig.json"));
  ASSERT_TRUE(checked.ok()) << checked.error().text;
  EXPECT_TRUE(checked->empty());
}

TEST(Scenarios, TheInkFilmSeriesHasEveryKindOfExposureItNeeds) {
  const Series series = example_series("ink-film.series.json");
  const Plan plan(series);
  std::vector<int> counts(5, 0);
  double dose = 0;
  for (std::uint64_t i = 0; i < plan.size(); ++i) {
    const PlannedExposure planned = plan.at(i);
    ++counts[static_cast<std::size_t>(planned.kind)];
    if (!planned.gives_dose()) continue;
    const DoseRate rate = planned.kind == ExposureKind::background ? series.beam.residual.value()
                                                                   : series.beam.dose_rate;
    dose += (rate * planned.exposure).value;
  }
  EXPECT_EQ(plan.size(), 82U);
  EXPECT_EQ(counts, (std::vector<int>{60, 14, 0, 4, 4}));
  EXPECT_NEAR(dose, 60 * 0.2 + 4 * 0.01 + 4 * 0.0004, 1e-9);
}

TEST(Scenarios, WhatAnIndependentValidatorRefusesIsRefusedHereToo) {
  const json changes = json::parse(source_file("tests/protocol/series/broken.json"));
  ASSERT_GT(changes.size(), 20U);
  for (const json& change : changes) {
    const bool is_rig = change.at("kind") == "rig";
    json document = json::parse(source_file(is_rig ? "sim/scenarios/ink-lab.rig.json"
                                                   : "sim/scenarios/ink-film.series.json"));
    json::json_pointer at(change.at("path").get<std::string>());
    if (change.value("remove", false)) {
      const std::string name = at.back();
      at.pop_back();
      document.at(at).erase(name);
    } else {
      document[at] = change.at("value");
    }
    const bool accepted =
        is_rig ? parse_rig(document.dump(), "x").ok() : parse_series(document.dump(), "x").ok();
    EXPECT_FALSE(accepted) << change.dump();
  }
}

}  // namespace
}  // namespace creel
