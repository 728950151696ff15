// The whole evaluation on made-up sessions, and what it says when it cannot tell.
#include "daemon/analysis/evaluate.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "daemon/analysis/evaluation_json.h"
#include "daemon/analysis/running_ratio.h"
#include "tests/spectra/made_up.h"

namespace creel::analysis {
namespace {

SessionSpectra session(const MadeUp& what, const std::string& name = "made up") {
  auto made = MadeUpSession(what).collected(name);
  EXPECT_TRUE(made.ok()) << made.error().text;
  return std::move(*made);
}

const SessionSpectra& low_reference() {
  static const SessionSpectra made = [] {
    MadeUp what;
    what.x = 0;
    what.thickness = 0.2;
    what.seed = 21;
    return session(what, "low");
  }();
  return made;
}
const SessionSpectra& high_reference() {
  static const SessionSpectra made = [] {
    MadeUp what;
    what.x = 1;
    what.thickness = 0.5;
    what.drift_per_s = -0.004;
    what.seed = 22;
    return session(what, "high");
  }();
  return made;
}
std::vector<Reference> references() {
  return {{&low_reference(), 2.0}, {&high_reference(), 3.0}};
}

TEST(Evaluate, FindsStateRatioAndThickness) {
  MadeUp what;
  what.x = 0.6;
  what.k = 0.05;
  what.thickness = 0.8;
  what.drift_per_s = 0.003;
  const auto made = evaluate(session(what), references(), {});
  ASSERT_TRUE(made.ok()) << made.error().text;
  ASSERT_TRUE(made->oxidation) << made->oxidation_withheld;
  EXPECT_NEAR(made->oxidation->x0, 0.6, 4 * made->oxidation->sigma_x0);
  EXPECT_LT(made->oxidation->sigma_x0, 0.05);
  EXPECT_NEAR(made->state, 2 + made->oxidation->x0, 1e-12);
  EXPECT_NEAR(made->oxidation->k, 0.05, 4 * made->oxidation->sigma_k);
  ASSERT_TRUE(made->references[0].ratio && made->references[1].ratio);
  // 4:1 and 5:1 by construction. The step is blurred in the spectrum and sharp in the method: a few
  // per cent of the L2 line.
  EXPECT_NEAR(made->references[0].ratio->value, 4.0, 0.15 + 3 * made->references[0].ratio->sigma);
  EXPECT_NEAR(made->references[1].ratio->value, 5.0, 0.15 + 3 * made->references[1].ratio->sigma);
  EXPECT_NEAR(*made->specimen.t_over_lambda, 0.8, 0.02);
  EXPECT_NEAR(made->specimen.zero_loss_fwhm_ev, 0.35 * 2.3548, 0.02);
  EXPECT_NEAR(made->specimen.counts_per_electron, 1.0, 0.2);
  EXPECT_EQ(made->by_dose.size(), 10U);
  EXPECT_NEAR(made->by_dose[0].dose, 0.5, 1e-9);
  EXPECT_EQ(made->energy_ev.size(), made->fit.size());
  // The picture's fit describes the edge: residuals within their noise.
  double chi = 0;
  int channels = 0;
  for (std::size_t c = 0; c < made->edge.size(); ++c) {
    if (made->energy_ev[c] > 703 && made->energy_ev[c] < 800) {
      chi += std::pow(made->residual[c] / made->residual_sigma[c], 2);
      ++channels;
    }
  }
  EXPECT_NEAR(chi / channels, 1.0, 0.4);
}

TEST(Evaluate, ReferencesMayComeInAnyOrder) {
  MadeUp what;
  const SessionSpectra specimen = session(what);
  auto turned = references();
  std::swap(turned[0], turned[1]);
  const auto a = evaluate(specimen, references(), {});
  const auto b = evaluate(specimen, turned, {});
  ASSERT_TRUE(a.ok() && b.ok());
  EXPECT_EQ(a->state, b->state);
  EXPECT_EQ(b->references[0].name, "low");
}

TEST(Evaluate, ReferencesOfEachOthersStateAreFoundOut) {
  const std::vector<Reference> wrong = {{&high_reference(), 2.0}, {&low_reference(), 3.0}};
  const auto made = evaluate(session({}), wrong, {});
  ASSERT_TRUE(made.ok());
  EXPECT_FALSE(made->oxidation);
  EXPECT_NE(made->oxidation_withheld.find("swapped"), std::string::npos);
  EXPECT_TRUE(std::isnan(made->state));
  EXPECT_TRUE(made->ratio);  // what can be told is told
  const std::vector<Reference> same = {{&low_reference(), 2.0}, {&low_reference(), 3.0}};
  EXPECT_NE(evaluate(session({}), same, {})->oxidation_withheld.find("do not differ"),
            std::string::npos);
}

TEST(Evaluate, BadRequestsGetOneClearError) {
  const SessionSpectra specimen = session({});
  const std::vector<Reference> one = {{&low_reference(), 2.0}};
  EXPECT_FALSE(evaluate(specimen, one, {}).ok());
  const std::vector<Reference> equal = {{&low_reference(), 2.0}, {&high_reference(), 2.0}};
  EXPECT_FALSE(evaluate(specimen, equal, {}).ok());
  EvaluationOptions carbon;
  carbon.element = "C";
  EXPECT_NE(evaluate(specimen, {}, carbon).error().text.find("Cr, Mn"), std::string::npos);
  EvaluationOptions nickel;
  nickel.element = "Ni";  // needs more than 856 eV
  const auto off = evaluate(specimen, {}, nickel);
  ASSERT_FALSE(off.ok());
  EXPECT_NE(off.error().text.find("the energy axis covers"), std::string::npos) << off.error().text;
  SessionSpectra coarse = low_reference();
  coarse.dispersion_ev = 1;
  const std::vector<Reference> other = {{&coarse, 2.0}, {&high_reference(), 3.0}};
  EXPECT_NE(evaluate(specimen, other, {}).error().text.find("eV per channel"), std::string::npos);
}

TEST(Evaluate, NoIronMeansNoRatioAndNoState) {
  MadeUp what;
  what.size = 0;
  const auto made = evaluate(session(what), references(), {});
  ASSERT_TRUE(made.ok()) << made.error().text;
  EXPECT_FALSE(made->ratio);
  EXPECT_NE(made->ratio_withheld.find("three standard deviations"), std::string::npos);
  EXPECT_FALSE(made->oxidation);
  EXPECT_FALSE(made->sum.empty());
}

TEST(Evaluate, ZeroCountsAreAnErrorNotANumber) {
  MadeUp what;
  what.size = 0;
  what.background = 0;
  const auto made = evaluate(session(what), references(), {});
  if (made.ok()) {  // noise may leave a sum above zero: then nothing may come of it
    EXPECT_FALSE(made->ratio);
    EXPECT_FALSE(made->oxidation);
  } else {
    EXPECT_NE(made.error().text.find("no background to fit"), std::string::npos)
        << made.error().text;
  }
}

TEST(Evaluate, FewExposuresGiveFewerDoseGroups) {
  MadeUp what;
  what.exposures = 9;
  const auto made = evaluate(session(what), references(), {});
  ASSERT_TRUE(made.ok());
  EXPECT_EQ(made->by_dose.size(), 2U);
  ASSERT_TRUE(made->oxidation);
  EXPECT_TRUE(std::isnan(made->oxidation->sigma_k));
  MadeUp two = what;
  two.exposures = 2;
  const auto none = evaluate(session(two), references(), {});
  ASSERT_FALSE(none.ok());
  EXPECT_NE(none.error().text.find("at least 3"), std::string::npos);
}

TEST(Evaluate, AxisErrorWidensTheErrorBar) {
  const SessionSpectra specimen = session({});
  EvaluationOptions options;
  const auto sharp = evaluate(specimen, references(), options);
  options.axis_error_ev = 0.1;
  const auto blunt = evaluate(specimen, references(), options);
  ASSERT_TRUE(sharp.ok() && blunt.ok() && sharp->oxidation && blunt->oxidation);
  EXPECT_GT(blunt->oxidation->sigma_x0, 1.5 * sharp->oxidation->sigma_x0);
  EXPECT_GT(std::fabs(sharp->x0_by_tenth_ev), 0.01);
}

TEST(Evaluate, BootstrapAgreesWithTheQuotedErrorAndRepeats) {
  EvaluationOptions options;
  options.vary_background = false;
#ifdef CREEL_SANITIZED
  options.bootstrap = 4;
#else
  options.bootstrap = 40;
#endif
  const SessionSpectra specimen = session({});
  const auto made = evaluate(specimen, references(), options);
  ASSERT_TRUE(made.ok() && made->oxidation);
  EXPECT_EQ(made->bootstrap_evaluations, options.bootstrap);
  // A scatter of n is known to 1/sqrt(2 n); darks are not drawn anew.
  const double chance = 3 / std::sqrt(2.0 * static_cast<double>(options.bootstrap));
  EXPECT_NEAR(made->bootstrap_sigma_x0 / made->oxidation->sigma_x0, 1, 0.1 + chance);
  EXPECT_EQ(evaluate(specimen, references(), options)->bootstrap_sigma_x0,
            made->bootstrap_sigma_x0);
}

const LawCompared* law_of(const Evaluation& made, DamageLaw law) {
  for (const LawCompared& one : made.oxidation->laws) {
    if (one.law == law) {
      return &one;
    }
  }
  return nullptr;
}

TEST(Evaluate, PowerOfTheDoseRateIsTriedWhereThereAreTwoRates) {
  MadeUp what;
  what.x = 0.8;
  what.k = 0.05;
  what.exposures = 80;
  what.other_rate = 4;
  what.power = 0.6;
  const auto made = evaluate(session(what), references(), {});
  ASSERT_TRUE(made.ok() && made->oxidation) << made->oxidation_withheld;
  const LawCompared* power = law_of(*made, DamageLaw::rate_power);
  ASSERT_NE(power, nullptr) << made->oxidation->rate_law_withheld;
  EXPECT_TRUE(made->oxidation->rate_law_withheld.empty());
  EXPECT_NEAR(power->shape, 0.6, 0.15);
  EXPECT_NEAR(power->x0, 0.8, 4 * power->sigma_x0);
  EXPECT_LT(power->evidence, -6);
  // k belongs to the geometric mean of the rates by dose: 4^(4/5) times the first one.
  EXPECT_NEAR(power->k, 0.05 * std::pow(4, 0.8 * 0.6), 0.015);
  const bool told =
      std::any_of(made->remarks.begin(), made->remarks.end(), [](const std::string& remark) {
        return remark.find("by a power of the dose rate") != std::string::npos;
      });
  EXPECT_TRUE(told);
  // Where the rate does nothing, the number more is not worth its price.
  what.power = 0;
  const auto none = evaluate(session(what), references(), {});
  ASSERT_TRUE(none.ok() && none->oxidation && law_of(*none, DamageLaw::rate_power));
  EXPECT_NEAR(law_of(*none, DamageLaw::rate_power)->shape, 0, 0.2);
  EXPECT_GT(law_of(*none, DamageLaw::rate_power)->evidence, 0);
}

TEST(Evaluate, OneDoseRateTellsNothingOfWhatTheRateDoes) {
  MadeUp what;
  what.k = 0.05;
  const auto made = evaluate(session(what), references(), {});
  ASSERT_TRUE(made.ok() && made->oxidation);
  EXPECT_EQ(law_of(*made, DamageLaw::rate_power), nullptr);
  EXPECT_NE(made->oxidation->rate_law_withheld.find("one dose rate"), std::string::npos);
  const auto json = to_json(*made, false)["oxidation"];
  EXPECT_EQ(json["power_of_dose_rate_withheld"], made->oxidation->rate_law_withheld);
  EXPECT_EQ(json["axis_shift_by_dose_ev"].size(), made->by_dose.size());
  for (const auto& law : json["damage_laws"]) {
    EXPECT_TRUE(law["power_of_dose_rate"].is_null());
    EXPECT_EQ(law["plateau"].is_null(), law["law"] != name(DamageLaw::plateau));
  }
  // Asked for all the same, the fit has no power to find and stays first order.
  EvaluationOptions options;
  options.law = DamageLaw::rate_power;
  const auto asked = evaluate(session(what), references(), options);
  ASSERT_TRUE(asked.ok() && asked->oxidation);
  EXPECT_NEAR(asked->oxidation->x0, made->oxidation->x0, 1e-6);
  EXPECT_FALSE(asked->oxidation->fit.free[kShape]);
}

TEST(Evaluate, DriftIsTakenOut) {
  MadeUp still;
  still.noise = 0.05;
  MadeUp moving = still;
  moving.drift_per_s = 0.02;  // 0.9 eV over the session
  const auto a = evaluate(session(still), references(), {});
  const auto b = evaluate(session(moving), references(), {});
  ASSERT_TRUE(a.ok() && b.ok() && a->oxidation && b->oxidation);
  EXPECT_NEAR(a->oxidation->x0, b->oxidation->x0, 0.01);
}

TEST(EvaluationJson, CarriesUnitsAndNullsForWhatIsNotKnown) {
  const auto made = evaluate(session({}), {}, {});
  ASSERT_TRUE(made.ok());
  const nlohmann::json j = to_json(*made);
  EXPECT_TRUE(j["oxidation"].is_null());
  EXPECT_EQ(j["oxidation_withheld"], "no reference sessions were given");
  EXPECT_NEAR(j["ratio"]["value"].get<double>(), made->ratio->value, 1e-12);
  EXPECT_EQ(j["spectra"]["sum_counts"].size(), 512U);
  EXPECT_TRUE(j["specimen"]["state"].is_null());
  EXPECT_EQ(j["by_dose"][0]["high_state_part"], nullptr);
  EXPECT_GT(j["by_dose"][0]["dose_e_per_a2"].get<double>(), 0);
  EXPECT_FALSE(to_json(*made, false).contains("spectra"));
  const auto whole = evaluate(session({}), references(), {});
  ASSERT_TRUE(whole.ok());
  EXPECT_NEAR(to_json(*whole)["oxidation"]["state"].get<double>(), whole->state, 1e-12);
}

TEST(RunningRatio, TellsNothingUntilItCanAndThenWhatTheEvaluationSays) {
  MadeUp what;
  what.thickness = 0.5;
  RunningRatio running(MadeUpSession::setup(), "Fe");
  RunningRatio twin(MadeUpSession::setup(), "Fe");
  EXPECT_FALSE(running.current().ratio);
  EXPECT_FALSE(running.current().why_not.empty());
  EXPECT_FALSE(running.current().mean_counts);
  int frames = 0;
  double first_sigma = 0;
  MadeUpSession(what).each_frame([&](const FrameInfo& of, std::span<const std::byte> frame) {
    ASSERT_TRUE(running.add(of, frame).ok());
    ASSERT_TRUE(twin.add(of, frame).ok());
    frames += of.kind == ExposureKind::specimen ? 1 : 0;
    if (frames == 10 && first_sigma == 0) {
      const auto early = running.current();
      ASSERT_TRUE(early.ratio) << early.why_not;
      first_sigma = early.ratio->sigma;
    }
  });
  const RunningEstimate now = running.current();
  ASSERT_TRUE(now.ratio) << now.why_not;
  EXPECT_EQ(now.specimen_frames, 40U);
  EXPECT_NEAR(now.ratio->sigma / first_sigma, 0.5, 0.15);
  EXPECT_EQ(now.ratio->value, twin.current().ratio->value);
  EvaluationOptions options;
  options.dose_groups = 1;
  const auto whole = evaluate(session(what), {}, options);
  ASSERT_TRUE(whole.ok() && whole->ratio);
  EXPECT_NEAR(now.ratio->value, whole->ratio->value, 1e-9);
  // 512 channels of background and edge; the offset is gone.
  ASSERT_TRUE(now.mean_counts && now.last_counts);
  EXPECT_NEAR(*now.mean_counts, *now.last_counts, 0.01 * *now.mean_counts);
  EXPECT_GT(*now.mean_counts, 512 * 500.0);
}

}  // namespace
}  // namespace creel::analysis
