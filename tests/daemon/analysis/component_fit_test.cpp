// The component fit against the bound of Cramer and Rao, which tests/spectra works out by itself,
// and against its own claims: functional, expectation, end members with noise.
#include "daemon/analysis/component_fit.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "daemon/spectra/shift.h"
#include "tests/spectra/ink_spectra.h"

namespace creel::analysis {
namespace {

using spectra::InkSpectra;
using spectra::Scene;

const InkSpectra& ink() {
  static const InkSpectra made;
  return made;
}

struct Seen {
  double n = 0, sum = 0, squares = 0, sigma = 0, pulls = 0;
  void add(double off, double quoted) {
    n += 1;
    sum += off;
    squares += off * off;
    sigma += quoted;
    pulls += off * off / (quoted * quoted);
  }
  [[nodiscard]] double mean() const { return sum / n; }
  [[nodiscard]] double scatter() const { return std::sqrt(squares / n - mean() * mean()); }
};

Seen many(const Scene& scene, int draws, std::uint64_t seed, bool members_exact = false) {
  sim::Random random(seed);
  Seen seen;
  for (int i = 0; i < draws; ++i) {
    ComponentData data = ink().draw(scene, random);
    if (members_exact) {
      std::fill(data.low.variance.begin(), data.low.variance.end(), 0.0);
      std::fill(data.high.variance.begin(), data.high.variance.end(), 0.0);
    }
    const auto fit = fit_components(data);
    EXPECT_TRUE(fit.ok()) << "draw " << i << ": " << fit.error().text;
    if (fit) {
      seen.add(fit->value[kX0] - scene.x0, fit->sigma(kX0));
    }
  }
  return seen;
}

#ifdef CREEL_SANITIZED
constexpr int kDraws = 20;
#else
constexpr int kDraws = 400;
#endif

TEST(ComponentFit, ReachesTheBoundOverThreeDecadesOfDose) {
  for (const double electrons : {1e9, 1e10, 1e11, 1e12}) {
    Scene scene;
    scene.electrons = electrons;
    const double bound = ink().bound(scene);
    const Seen seen = many(scene, kDraws, 7);
    const double n = seen.n;
    std::printf("  %.0e electrons: bound %.4f, scatter %.4f, mean %+.4f, efficiency %.3f\n",
                electrons, bound, seen.scatter(), seen.mean(), std::pow(bound / seen.scatter(), 2));
    // A scatter of n draws is known to 1/sqrt(2n); efficiency 0.9 is the limit.
    EXPECT_LT(seen.scatter(), bound / std::sqrt(0.9) * (1 + 3 / std::sqrt(2 * n)));
    EXPECT_GT(seen.scatter(), bound * (1 - 3 / std::sqrt(2 * n)))
        << "below the bound: not unbiased";
    EXPECT_LT(std::fabs(seen.mean()), 3 * bound / std::sqrt(n) + 0.02 * bound);
    EXPECT_NEAR(seen.pulls / n, 1, 3 * std::sqrt(2 / n) + 0.05);
  }
}

TEST(ComponentFit, EndMembersWithNoiseDoNotDrawTheAnswerToAHalf) {
  Scene scene;
  scene.x0 = 0.9;
  scene.electrons = 1e11;
  scene.reference_electrons = 3e10;
  const double bound = ink().bound(scene);
  const Seen seen = many(scene, kDraws, 11);
  const double n = seen.n;
  const double allowed = 3 * seen.scatter() / std::sqrt(n);
  std::printf("  bound %.4f, scatter %.4f, quoted %.4f, mean %+.4f\n", bound, seen.scatter(),
              seen.sigma / n, seen.mean());
  EXPECT_LT(std::fabs(seen.mean()), allowed + 0.1 * seen.scatter());
  EXPECT_LT(seen.scatter(), bound / std::sqrt(0.9) * (1 + 3 / std::sqrt(2 * n)));
  EXPECT_NEAR(seen.pulls / n, 1, 3 * std::sqrt(2 / n) + 0.1);
  // What happens when their noise is not told to the fit: this test can fail.
  const Seen biased = many(scene, kDraws, 11, true);
  EXPECT_LT(biased.mean(), seen.mean() - 0.2 * seen.scatter());  // of the same draws
}

TEST(ComponentFit, FunctionalIsTheDerivativeOfTheAnswer) {
  Scene scene;
  scene.electrons = 1e12;
  scene.reference_electrons = 1e12;
  sim::Random random(3);
  const ComponentData data = ink().draw(scene, random);
  const auto fit = fit_components(data);
  ASSERT_TRUE(fit.ok()) << fit.error().text;
  const auto moved = [&](auto&& change) {
    ComponentData other = data;
    change(other);
    return fit_components(other)->value[kX0] - fit->value[kX0];
  };
  const auto channel = [&](double ev) {
    return static_cast<std::size_t>((ev - data.grid.first_ev) / data.grid.dispersion_ev);
  };
  for (const double ev : {690.0, 707.5, 709.5, 716.0, 721.0}) {
    const std::size_t c = channel(ev);
    const double count = 0.3 * std::sqrt(data.groups[2].counts[c]);
    EXPECT_NEAR(moved([&](ComponentData& d) { d.groups[2].counts[c] += count; }),
                fit->of_x0.counts[2][c] * count,
                0.03 * std::fabs(fit->of_x0.counts[2][c] * count) + 2e-6);
    const double edge = 0.3 * std::sqrt(data.high.variance[c]);
    EXPECT_NEAR(moved([&](ComponentData& d) { d.high.edge[c] += edge; }), fit->of_x0.high[c] * edge,
                0.03 * std::fabs(fit->of_x0.high[c] * edge) + 2e-6);
    EXPECT_NEAR(moved([&](ComponentData& d) { d.low.edge[c] += edge; }), fit->of_x0.low[c] * edge,
                0.03 * std::fabs(fit->of_x0.low[c] * edge) + 2e-6);
  }
}

TEST(ComponentFit, SaysBeforehandWhatItWillReach) {
  Scene scene;
  scene.electrons = 3e10;
  const ComponentData data = ink().expected(scene);
  const auto before = expected_fit(data, ink().truth(scene));
  ASSERT_TRUE(before.ok()) << before.error().text;
  EXPECT_NEAR(before->sigma(kX0) / ink().bound(scene), 1, 0.01);
  EXPECT_NEAR(before->value[kX0], scene.x0, 1e-12);
  // With the noise of measured end members in the forecast's own shapes, it must not count as
  // information.
  scene.reference_electrons = 3e10;
  sim::Random random(13);
  double sum = 0;
  for (int i = 0; i < 20; ++i) {
    const auto noisy = expected_fit(ink().draw(scene, random), ink().truth(scene));
    ASSERT_TRUE(noisy.ok()) << noisy.error().text;
    sum += noisy->sigma(kX0) / ink().bound(scene) / 20;
  }
  EXPECT_NEAR(sum, 1, 0.05);
}

/// Each group's channels lie by `above[k]` eV higher in true loss than the axis says, that is, its
/// zero loss stood so much lower. Counts drawn anew.
ComponentData moved_groups(const Scene& scene, const std::vector<double>& above,
                           sim::Random& random) {
  ComponentData data = ink().expected(scene);
  for (std::size_t k = 0; k < data.groups.size(); ++k) {
    const double channels = above[k] / data.grid.dispersion_ev;
    std::vector<double> moved(data.grid.channels, 0.0);
    add_shifted(data.groups[k].counts, -channels, moved);
    for (double& count : moved) {
      count = static_cast<double>(random.poisson(std::max(0.0, count)));
    }
    data.groups[k].counts = std::move(moved);
  }
  return data;
}

std::vector<double> diagonal(std::size_t groups, double variance) {
  std::vector<double> made(groups * groups, 0.0);
  for (std::size_t k = 0; k < groups; ++k) {
    made[k * (groups + 1)] = variance;
  }
  return made;
}

TEST(ComponentFit, FindsTheShiftOfEachGroupAndPaysForIt) {
  Scene scene;
  scene.electrons = 1e12;
  sim::Random random(5);
  const ComponentData still = ink().draw(scene, random);
  const auto fixed = fit_components(still);
  ComponentData data = still;
  data.shift_covariance_ev2 = diagonal(scene.groups, 0.01);
  const auto free = fit_components(data);
  ASSERT_TRUE(fixed.ok() && free.ok());
  EXPECT_GT(free->sigma(kX0), fixed->sigma(kX0));
  std::vector<double> above(scene.groups);
  for (std::size_t k = 0; k < above.size(); ++k) {
    above[k] = 0.1 * std::sin(2.0 * static_cast<double>(k));
  }
  ComponentData moved = moved_groups(scene, above, random);
  const auto wrong = fit_components(moved);
  moved.shift_covariance_ev2 = diagonal(scene.groups, 0.01);
  const auto right = fit_components(moved);
  ASSERT_TRUE(wrong.ok() && right.ok());
  EXPECT_GT(wrong->deviance - right->deviance, 100);
  for (std::size_t k = 0; k < above.size(); ++k) {
    const ComponentFit::Group& group = right->groups[k];
    EXPECT_NEAR(group.shift_ev, -above[k], 4 * group.sigma_shift_ev + 0.002) << k;
    EXPECT_LT(group.sigma_shift_ev, 0.05) << k;
  }
  EXPECT_NEAR(right->value[kX0], scene.x0, 4 * right->sigma(kX0));
  // Where the axis is known, nothing moves and nothing is lost.
  data.shift_covariance_ev2 = diagonal(scene.groups, 1e-12);
  const auto known = fit_components(data);
  ASSERT_TRUE(known.ok());
  EXPECT_NEAR(known->value[kX0], fixed->value[kX0], 1e-4 * fixed->sigma(kX0));
  EXPECT_NEAR(known->sigma(kX0) / fixed->sigma(kX0), 1, 1e-3);
}

TEST(ComponentFit, WhatTheReferencesLeaveOpenIsInTheError) {
  // The axis of all groups off alike by 0.1 eV, one standard deviation, anew in each draw.
  Scene scene;
  scene.electrons = 1e11;
  sim::Random random(23);
  Seen told;
  Seen untold;
  for (int i = 0; i < kDraws / 2; ++i) {
    const double off = 0.1 * random.normal();
    ComponentData data = moved_groups(scene, std::vector<double>(scene.groups, off), random);
    const auto without = fit_components(data);
    data.shift_covariance_ev2.assign(scene.groups * scene.groups, 0.01);
    const auto with = fit_components(data);
    ASSERT_TRUE(without.ok() && with.ok()) << with.error().text;
    told.add(with->value[kX0] - scene.x0, with->sigma(kX0));
    untold.add(without->value[kX0] - scene.x0, without->sigma(kX0));
    // It is the data's part and the references' part, and nothing else.
    double data_part = 0;
    for (std::size_t k = 0; k < scene.groups; ++k) {
      for (std::size_t c = 0; c < data.grid.channels; ++c) {
        data_part += std::pow(with->of_x0.counts[k][c], 2) * with->expected[k][c];
      }
    }
    double by_shift = 0;
    for (const double one : with->of_x0.shift) {
      by_shift += one;
    }
    EXPECT_NEAR(std::sqrt(data_part + 0.01 * by_shift * by_shift) / with->sigma(kX0), 1, 0.02);
  }
  const double n = told.n;
  std::printf("  told: scatter %.4f, quoted %.4f; untold: scatter %.4f, quoted %.4f\n",
              told.scatter(), told.sigma / n, untold.scatter(), untold.sigma / n);
  EXPECT_NEAR(told.pulls / n, 1, 3 * std::sqrt(2 / n) + 0.05);
  EXPECT_GT(untold.pulls / n, 2);
  EXPECT_LT(told.scatter(), untold.scatter());  // the edge itself says where it is
  EXPECT_LT(std::fabs(told.mean()), 3 * told.scatter() / std::sqrt(n));
}

TEST(ComponentFit, NoiseOfADarkThatAllGroupsShareIsCountedOnce) {
  // A detector whose darks are noisier than the light: each group has ten exposures, all share a
  // mean dark of five.
  Scene scene;
  scene.electrons = 1e11;
  constexpr double kFrames = 10;
  constexpr double kDarks = 5;
  sim::Random random(29);
  const double dark = 0.2 * ink().expected(scene).groups.front().counts.front() / kFrames;
  Seen shared;
  Seen alone;
  double deviance = 0;
  double without = 0;
  double freedom = 0;
  for (int i = 0; i < kDraws / 2; ++i) {
    ComponentData data = ink().draw(scene, random);
    std::vector<double> mean_dark(data.grid.channels);
    for (double& value : mean_dark) {
      value = std::sqrt(dark / kDarks) * random.normal();
    }
    for (ComponentGroup& group : data.groups) {
      for (std::size_t c = 0; c < group.counts.size(); ++c) {
        group.counts[c] += std::sqrt(kFrames * dark) * random.normal() - kFrames * mean_dark[c];
      }
      group.floor = kFrames * dark * (1 + kFrames * static_cast<double>(scene.groups) / kDarks);
    }
    const auto as_before = fit_components(data);  // each group carries its part of the sum's noise
    data.darks.assign(1, std::vector<double>(data.grid.channels, dark / kDarks));
    for (ComponentGroup& group : data.groups) {
      group.floor = kFrames * dark;
      group.darks_taken = kFrames;
    }
    const auto fit = fit_components(data);
    ASSERT_TRUE(fit.ok() && as_before.ok()) << fit.error().text;
    shared.add(fit->value[kX0] - scene.x0, fit->sigma(kX0));
    alone.add(as_before->value[kX0] - scene.x0, as_before->sigma(kX0));
    freedom += static_cast<double>(fit->degrees_of_freedom);
    deviance += fit->deviance / static_cast<double>(fit->degrees_of_freedom);
    without += as_before->deviance / static_cast<double>(as_before->degrees_of_freedom);
  }
  const double n = shared.n;
  std::printf(
      "  deviance/dof %.3f (each for itself %.3f); scatter %.4f, quoted %.4f (%.4f, %.4f)\n",
      deviance / n, without / n, shared.scatter(), shared.sigma / n, alone.scatter(),
      alone.sigma / n);
  EXPECT_NEAR(deviance / n, 1, 0.005 + 3.5 * std::sqrt(2 / freedom));  // chi-square of all draws
  EXPECT_LT(without / n, 0.7);                                         // what this test is about
  EXPECT_NEAR(shared.pulls / n, 1, 3 * std::sqrt(2 / n) + 0.05);
  EXPECT_LT(std::fabs(shared.mean()), 3 * shared.scatter() / std::sqrt(n));
  EXPECT_LT(shared.scatter(), 1.05 * alone.scatter());
}

TEST(ComponentFit, SharedDarkHoldsWhereGroupsLieOnDifferentChannels) {
  // Six groups on the same channels, three one channel further, one three further, by themselves.
  Scene scene;
  scene.electrons = 1e11;
  constexpr double kFrames = 10;
  sim::Random random(31);
  const double dark = 0.2 * ink().expected(scene).groups.front().counts.front() / kFrames;
  const std::vector<double> channels = {0, 0, 1, 0, 0, 1, 3, 0, 1, 0};
  std::vector<double> above = channels;
  for (double& ev : above) {
    ev *= ink().grid().dispersion_ev;
  }
  Seen seen;
  double deviance = 0;
  for (int i = 0; i < kDraws / 4; ++i) {
    ComponentData data = moved_groups(scene, above, random);
    data.darks.assign(1, std::vector<double>(data.grid.channels, dark / 5));
    std::vector<double> mean_dark(data.grid.channels);
    for (double& value : mean_dark) {
      value = std::sqrt(dark / 5) * random.normal();
    }
    for (std::size_t k = 0; k < data.groups.size(); ++k) {
      ComponentGroup& group = data.groups[k];
      for (std::size_t c = 0; c < group.counts.size(); ++c) {
        group.counts[c] += std::sqrt(kFrames * dark) * random.normal() - kFrames * mean_dark[c];
      }
      group.offsets = {{channels[k], 1.0}};
      group.floor = kFrames * dark;
      group.darks_taken = kFrames;
    }
    const auto fit = fit_components(data);
    ASSERT_TRUE(fit.ok()) << fit.error().text;
    seen.add(fit->value[kX0] - scene.x0, fit->sigma(kX0));
    deviance += fit->deviance / static_cast<double>(fit->degrees_of_freedom);
  }
  const double n = seen.n;
  EXPECT_NEAR(deviance / n, 1, 0.02);
  EXPECT_NEAR(seen.scatter() / (seen.sigma / n), 1, 3 / std::sqrt(2 * n) + 0.05);
  EXPECT_LT(std::fabs(seen.mean()), 3 * seen.scatter() / std::sqrt(n));
}

TEST(ComponentFit, TellsDamageLawsApartWhereTheDoseIsLarge) {
  Scene scene;
  scene.electrons = 1e13;
  scene.dose = 80;
  sim::Random random(9);
  ComponentData data = ink().draw(scene, random);
  const auto first = fit_components(data);
  data.law = DamageLaw::second_order;
  const auto second = fit_components(data);
  data.law = DamageLaw::plateau;
  const auto plateau = fit_components(data);
  data.law = DamageLaw::none;
  const auto none = fit_components(data);
  for (const auto* one : {&first, &second, &plateau, &none}) {
    ASSERT_TRUE(one->ok()) << one->error().text;
  }
  EXPECT_LT(first->deviance, second->deviance);
  EXPECT_LT(second->deviance, none->deviance);
  EXPECT_NEAR(plateau->value[kShape], 0, 4 * plateau->sigma(kShape));
  EXPECT_NEAR(1 / first->value[kRate], scene.critical_dose, 0.05 * scene.critical_dose);
  // The plain sum is biased by the damage, the fit is not.
  EXPECT_LT(none->value[kX0], scene.x0 - 0.1);
  EXPECT_NEAR(first->value[kX0], scene.x0, 0.02);
}

TEST(ComponentFit, WhatCannotBeIsRefusedWithAReason) {
  Scene scene;
  ComponentData data = ink().expected(scene);
  for (ComponentGroup& group : data.groups) {
    std::fill(group.counts.begin(), group.counts.end(), 0.0);
  }
  EXPECT_NE(fit_components(data).error().text.find("no counts"), std::string::npos);
  data.groups.front().counts[3] = std::numeric_limits<double>::quiet_NaN();
  EXPECT_EQ(fit_components(data).error().code, ErrorCode::invalid_request);
  data = ink().expected(scene);
  data.high.edge.pop_back();
  EXPECT_EQ(fit_components(data).error().code, ErrorCode::invalid_request);
  data = ink().expected(scene);
  data.range = {2000, 2100};
  EXPECT_NE(fit_components(data).error().text.find("fewer than 16"), std::string::npos);
  data = ink().expected(scene);
  data.high = data.low;  // no difference, no answer
  const auto same = fit_components(data);
  if (same.ok()) {
    EXPECT_GT(same->sigma(kX0), 1);
  }
}

}  // namespace
}  // namespace creel::analysis
