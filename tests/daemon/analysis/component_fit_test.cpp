// The component fit against the bound of Cramer and Rao, which tests/spectra works out by itself,
// and against its own claims: functional, expectation, end members with noise.
#include "daemon/analysis/component_fit.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>

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

TEST(ComponentFit, FindsAShiftOfTheAxisAndPaysForIt) {
  Scene scene;
  scene.electrons = 1e12;
  sim::Random random(5);
  ComponentData data = ink().draw(scene, random);
  const auto fixed = fit_components(data);
  data.shift_error_ev = 0.3;
  const auto free = fit_components(data);
  ASSERT_TRUE(fixed.ok() && free.ok());
  EXPECT_NEAR(free->value[kShift], 0, 4 * free->sigma(kShift));
  EXPECT_GT(free->sigma(kX0), fixed->sigma(kX0));
  // The specimen 0.2 eV above the end members: its channels lie 0.2 eV lower than its axis says.
  for (ComponentGroup& group : data.groups) {
    group.offsets = {{0.2 / data.grid.dispersion_ev, 1.0}};
  }
  const auto moved = fit_components(data);
  ASSERT_TRUE(moved.ok()) << moved.error().text;
  EXPECT_NEAR(moved->value[kShift] - free->value[kShift], 0.2, 0.01);
  EXPECT_NEAR(moved->value[kX0], free->value[kX0], 0.01);
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
  ASSERT_TRUE(first.ok() && second.ok() && plateau.ok() && none.ok());
  EXPECT_LT(first->deviance, second->deviance);
  EXPECT_LT(second->deviance, none->deviance);
  EXPECT_NEAR(plateau->value[kPlateau], 0, 4 * plateau->sigma(kPlateau));
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
