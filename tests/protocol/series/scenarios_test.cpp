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

constexpr const char* kInkSeries[] = {"ink-film.series.json", "standard-fe2.series.json",
                                      "standard-fe3.series.json", "ink-gain.series.json",
                                      "ink-trial.series.json"};

void expect_fit(const char* series_name, const char* rig_name) {
  const auto checked = check_against_rig(example_series(series_name), example_rig(rig_name));
  ASSERT_TRUE(checked.ok()) << checked.error().text;
  EXPECT_TRUE(checked->empty()) << checked->front();
}

TEST(Scenarios, TheInkSeriesWarnOfNothingButWhatNobodyKnows) {
  for (const char* name : kInkSeries) {
    const std::vector<std::string> warnings = example_series(name).warnings;
    ASSERT_EQ(warnings.size(), 1U) << name;
    EXPECT_EQ(warnings[0].find(std::string(name) +
                               ":1: the document: the session will say \"unknown\" for specimen."),
              0U)
        << warnings[0];
  }
}

TEST(Scenarios, TheInkSeriesFitTheirRigs) {
  for (const char* name : kInkSeries) {
    expect_fit(name, "ink-lab.rig.json");
    expect_fit(name, "ink-lab-real-time.rig.json");
  }
}

TEST(Scenarios, TheTrialRunsUnchangedOnTheNetworkCamera) {
  expect_fit("ink-trial.series.json", "network-camera.rig.json");
}

TEST(Scenarios, TheStandardsSayWhatTheyAreAndTheFilmDoesNot) {
  EXPECT_EQ(example_series("standard-fe2.series.json").known_state->state, 2);
  EXPECT_EQ(example_series("standard-fe3.series.json").known_state->state, 3);
  EXPECT_FALSE(example_series("ink-film.series.json").known_state);
}

/// The core loss is taken with the zero loss off the detector, its references with it on.
TEST(Scenarios, TheEnergyAxisFollowsTheSettings) {
  const Series film = example_series("ink-film.series.json");
  const Plan plan(film);
  for (std::uint64_t i = 0; i < plan.size(); ++i) {
    const PlannedExposure one = plan.at(i);
    if (one.kind == ExposureKind::specimen || one.kind == ExposureKind::zero_loss) {
      const bool core = one.kind == ExposureKind::specimen;
      EXPECT_EQ(first_channel_ev(film, one), core ? 200 : -24);
      EXPECT_EQ(settings_for(film, one)[0].value, core ? 224 : 0);
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
  EXPECT_EQ(plan.size(), 200U);
  EXPECT_EQ(counts, (std::vector<int>{120, 64, 0, 12, 4}));
  EXPECT_NEAR(dose, 120 * 0.2 + 12 * 0.0004 + 4 * 0.0004, 1e-9);
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
