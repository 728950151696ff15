// Is the error bar honest? Many short first nights with different truths, drifts, damage and noise;
// the answer's deviation from the truth over its quoted error must have mean 0 and variance 1.
//
// The acceptance is that of statistics, not of taste: for N nights the mean of N(0, 1) numbers lies
// within 3/sqrt(N) with 99.7 %, (N - 1) times their variance is chi-square distributed with N - 1
// degrees of freedom (interval of 99.7 % by the cube-root approximation of E. B. Wilson and M. M.
// Hilferty, Proc. Natl. Acad. Sci. 17, 684 (1931)). Seeds are fixed: nothing here fails by bad
// luck.
//
// CREEL_PULL_SEEDS sets the number of nights.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <string>

#include "daemon/analysis/budget.h"
#include "tests/pulls/pulls.h"

namespace creel::pulls {
namespace {

TEST(Pulls, ErrorBarIsNeitherTooWideNorTooNarrow) {
  const Rig rig(1, 60);
  ASSERT_TRUE(rig.gain);
  Moments pull, sigma, error, chi_square, ferrous_ratio, ferrous_sigma, damage;
  Moments area_pull, area_sigma, area_chi_square;
  for (int seed = 1; seed <= nights(); ++seed) {
    const Answer one = answer(rig, seed, Night{}, 50);
    ASSERT_TRUE(one.evaluation.ok()) << "seed " << seed << ": " << one.evaluation.error().text;
    ASSERT_TRUE(one.evaluation->oxidation)
        << "seed " << seed << ": " << one.evaluation->oxidation_withheld;
    const auto& fit = *one.evaluation->oxidation;
    const double off = fit.x0 - one.truth.fe3_fraction;
    pull.add(off / fit.sigma_x0);
    error.add(off);
    sigma.add(fit.sigma_x0);
    chi_square.add(fit.chi_square / static_cast<double>(fit.degrees_of_freedom));
    ASSERT_TRUE(one.evaluation->by_areas) << one.evaluation->by_areas_withheld;
    const auto& areas = *one.evaluation->by_areas;
    area_pull.add((areas.x0 - one.truth.fe3_fraction) / areas.sigma_x0);
    area_sigma.add(areas.sigma_x0);
    area_chi_square.add(areas.chi_square / static_cast<double>(areas.degrees_of_freedom));
    damage.add((fit.k * 1.07 - 1.0 / one.truth.critical_dose) / fit.sigma_k);
    const auto& ratio = one.evaluation->references.front().ratio;
    ASSERT_TRUE(ratio);
    ferrous_ratio.add(ratio->value);
    ferrous_sigma.add(ratio->sigma);
  }
  const double n = pull.n;
  const double scatter = std::sqrt(error.squares / n);
  std::printf(
      "  %.0f nights: pull %+.3f +- %.3f, variance %.3f; mean error bar %.4f, scatter %.4f; "
      "chi-square/dof %.3f\n"
      "  damage: pull %+.2f, variance %.2f; ratio of one reference: error bar %.3f, scatter "
      "%.3f\n",
      n, pull.mean(), 1 / std::sqrt(n), pull.variance(), sigma.mean(), scatter, chi_square.mean(),
      damage.mean(), damage.variance(), ferrous_sigma.mean(), std::sqrt(ferrous_ratio.variance()));
  std::printf(
      "  three areas of the lines: pull %+.3f, variance %.3f; mean error bar %.4f, so the "
      "component "
      "fit needs %.2f of their dose\n",
      area_pull.mean(), area_pull.variance(), area_sigma.mean(),
      std::pow(sigma.mean() / area_sigma.mean(), 2));
  EXPECT_LT(std::fabs(area_pull.mean()), 3 / std::sqrt(n));
  EXPECT_GT(area_pull.variance(), variance_limit(n, -3));
  EXPECT_LT(area_pull.variance(), variance_limit(n, 3));
  EXPECT_LT(sigma.mean(), area_sigma.mean());
  EXPECT_LT(std::fabs(pull.mean()), 3 / std::sqrt(n));
  EXPECT_GT(pull.variance(), variance_limit(n, -3));
  EXPECT_LT(pull.variance(), variance_limit(n, 3));
  // The mean error bar is the scatter: within 10 % where there are nights enough to tell that.
  const auto within_chance = [n](double seen, double quoted) {
    const double part = seen * seen / (quoted * quoted);
    return part > variance_limit(n, -3) && part < variance_limit(n, 3);
  };
  EXPECT_TRUE(within_chance(scatter, sigma.mean()));
  EXPECT_TRUE(within_chance(std::sqrt(ferrous_ratio.variance()), ferrous_sigma.mean()));
  if (n >= 200) {
    EXPECT_NEAR(sigma.mean() / scatter, 1, 0.10);
  }
  EXPECT_NEAR(area_chi_square.mean(), 1, 3 * std::sqrt(2.0 / (18 * n)) + 0.02);
  // Frames moved by fractions of a channel scatter a little less than the raw ones.
  EXPECT_NEAR(chi_square.mean(), 0.96, 0.06);
}

/// What the budget says of such a night, from a pilot of a quarter of its length.
analysis::Budget foretold(const Rig& rig, std::optional<double> charge_adds_ev2) {
  const sim::View view(rig.laboratory, 4711, kDispersion_ev);
  Night night;
  night.exposures = 30;
  Night reference;
  reference.exposures = 50;
  reference.begin_s = 3e7;
  const auto pilot = record(night, view, rig.sensor, rig.gain);
  const auto low = record(reference, rig.ferrous, rig.sensor, rig.gain);
  const auto high = record(reference, rig.ferric, rig.sensor, rig.gain);
  EXPECT_TRUE(pilot.ok() && low.ok() && high.ok());
  analysis::BudgetPlan plan;
  plan.dose_rate = plan.pilot_dose_rate = 0.02;
  plan.exposure_s = plan.pilot_exposure_s = 10;
  plan.seconds_per_area = 1200;
  plan.dose_per_area = 24;
  analysis::BudgetOptions options;
  options.critical_dose = 30;
  options.x0 = 0.75;
  options.charge_adds_ev2 = charge_adds_ev2;
  const auto made = analysis::make_budget(plan, *pilot, *low, *high, options);
  EXPECT_TRUE(made.ok()) << made.error().text;
  return made ? *made : analysis::Budget{};
}

TEST(Pulls, BudgetForetellsTheErrorWithinTenPerCent) {
  Rig rig(1, 60);
  rig.laboratory.specimen.fe3_fraction = {0.75, 0.75};
  rig.laboratory.specimen.critical_dose = {30, 30};
  rig.laboratory.specimen.t_over_lambda = {0.45, 0.45};
  const double before = foretold(rig, std::nullopt).sigma_x0;
  Moments sigma, error;
  for (int seed = 1; seed <= std::min(nights(), 60); ++seed) {
    const Answer one = answer(rig, seed, Night{}, 50);
    ASSERT_TRUE(one.evaluation.ok() && one.evaluation->oxidation) << "seed " << seed;
    sigma.add(one.evaluation->oxidation->sigma_x0);
    error.add(one.evaluation->oxidation->x0 - one.truth.fe3_fraction);
  }
  const double scatter = std::sqrt(error.squares / error.n);
  std::printf("  budget: foretold %.4f, quoted afterwards %.4f, scatter %.4f (%.0f nights)\n",
              before, sigma.mean(), scatter, error.n);
  EXPECT_NEAR(before / sigma.mean(), 1, 0.10);
  EXPECT_NEAR(before / scatter, 1, 0.10 + 3 / std::sqrt(2 * error.n));
}

TEST(Pulls, BudgetForetellsWhatMoreChargeInAPulseCosts) {
  // 0.08 eV for each electron: 0.5 eV at 6.28 of them, 1 eV at twice as many.
  Rig rig(1, 60);
  rig.laboratory.specimen.fe3_fraction = {0.75, 0.75};
  rig.laboratory.specimen.critical_dose = {30, 30};
  rig.laboratory.source.charge_widening_ev = 0.08;
  const double added = std::pow(sim::charge_fwhm_ev(rig.laboratory.source), 2);
  const auto before = foretold(rig, added);
  const auto twice = std::find_if(
      before.what_if.begin(), before.what_if.end(),
      [](const auto& one) { return one.what.starts_with("2 times the electrons in a pulse"); });
  ASSERT_NE(twice, before.what_if.end());
  // The same night, recorded with such a zero loss.
  rig.laboratory.source.charge_widening_ev = 0.16;
  const auto wide = foretold(rig, std::nullopt);
  std::printf(
      "  twice the charge (zero loss %.2f instead of %.2f eV): foretold %.4f, %.4f with it, "
      "%.4f without; a tenth is lost at %.2f eV\n",
      wide.zero_loss_fwhm_ev, before.zero_loss_fwhm_ev, twice->sigma_x0, wide.sigma_x0,
      before.sigma_x0, before.widest_fwhm_ev);
  EXPECT_NEAR(std::pow(wide.zero_loss_fwhm_ev, 2) - std::pow(before.zero_loss_fwhm_ev, 2),
              3 * added, 0.1 * added);
  EXPECT_GT(twice->sigma_x0, 1.02 * before.sigma_x0);
  EXPECT_NEAR(twice->sigma_x0 / wide.sigma_x0, 1, 0.10);
  EXPECT_GT(before.most_charge, 1);
}

TEST(Pulls, SystematicErrorIsFarBelowTheErrorBar) {
  // Noise a hundredth of the real one: what is left is background model, alignment, plural
  // scattering, mass loss. Compared with the error bar of a real night, about 0.038.
  const Rig rig(1, 2);
  Night night;
  night.noise = 0.01;
  Moments off;
  double worst = 0;
  for (int seed = 1; seed <= std::min(nights(), 16); ++seed) {
    const Answer one = answer(rig, seed, night, 50);
    ASSERT_TRUE(one.evaluation.ok()) << one.evaluation.error().text;
    ASSERT_TRUE(one.evaluation->oxidation) << one.evaluation->oxidation_withheld;
    off.add(one.evaluation->oxidation->x0 - one.truth.fe3_fraction);
    worst = std::max(worst, std::fabs(one.evaluation->oxidation->x0 - one.truth.fe3_fraction));
  }
  std::printf("  without noise: mean error %+.4f, largest %.4f\n", off.mean(), worst);
  EXPECT_LT(std::fabs(off.mean()), 0.1 * 0.038);
  EXPECT_LT(worst, 0.2 * 0.038);
}

TEST(Pulls, CameraOfManyRowsGivesTheSameAnswer) {
  const Rig rig(64, 6);
  ASSERT_TRUE(rig.gain);
  Night night;
  night.zero_loss_s = 0.02;
  night.zero_loss_count = 1;
  Moments pull, misfit;
  for (int seed = 1; seed <= (nights() < 50 ? 1 : 3); ++seed) {
    const std::clock_t start = std::clock();
    const Answer one = answer(rig, seed, night, 50);
    ASSERT_TRUE(one.evaluation.ok()) << one.evaluation.error().text;
    ASSERT_TRUE(one.evaluation->oxidation) << one.evaluation->oxidation_withheld;
    const auto& fit = *one.evaluation->oxidation;
    pull.add((fit.x0 - one.truth.fe3_fraction) / fit.sigma_x0);
    misfit.add(fit.chi_square / static_cast<double>(fit.degrees_of_freedom));
    std::printf("  2048 x 64, seed %d: %.3f +- %.3f, truth %.3f, deviance/dof %.3f, %.1f s\n", seed,
                fit.x0, fit.sigma_x0, one.truth.fe3_fraction,
                fit.chi_square / static_cast<double>(fit.degrees_of_freedom),
                static_cast<double>(std::clock() - start) / CLOCKS_PER_SEC);
    EXPECT_LT(fit.sigma_x0, 0.09);
    EXPECT_LT(std::fabs(fit.x0 - one.truth.fe3_fraction), 3.5 * fit.sigma_x0);
  }
  // The mean dark of a camera is most of its noise, and in all dose groups alike.
  EXPECT_NEAR(misfit.mean(), 1, 0.05);
  EXPECT_LT(pull.squares, 14.2);  // 99.7 % of chi-square with three degrees of freedom
}

TEST(Pulls, WrongDoseScaleMovesOnlyTheCriticalDose) {
  const Rig rig(1, 30);
  const sim::View view(rig.laboratory, 3, kDispersion_ev);
  Night low;
  low.exposures = 50;
  const auto ferrous = record(low, rig.ferrous, rig.sensor, rig.gain);
  const auto ferric = record(low, rig.ferric, rig.sensor, rig.gain);
  ASSERT_TRUE(ferrous.ok());
  ASSERT_TRUE(ferric.ok());
  const Reference references[] = {{&*ferrous, 2.0}, {&*ferric, 3.0}};
  EvaluationOptions options;
  options.vary_background = false;
  double x0 = 0;
  double k = 0;
  for (const double scale : {1.0, 2.0}) {
    Night night;
    night.dose_scale = scale;
    const auto specimen = record(night, view, rig.sensor, rig.gain);
    ASSERT_TRUE(specimen.ok()) << specimen.error().text;
    const auto made = evaluate(*specimen, references, options);
    ASSERT_TRUE(made.ok() && made->oxidation);
    if (scale == 1.0) {
      x0 = made->oxidation->x0;
      k = made->oxidation->k;
    } else {
      EXPECT_NEAR(made->oxidation->x0, x0, 1e-6);
      EXPECT_NEAR(made->oxidation->k, k / 2, 1e-6);
    }
  }
}

}  // namespace
}  // namespace creel::pulls
