// What the energy axis does between zero-loss references: it goes straight, jumps, wanders, or
// stands still. The error of x0 must hold all the same, and standing still must cost nothing.
// Seeded nights as in pull_test.cpp.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <functional>
#include <random>
#include <string>
#include <vector>

#include "tests/pulls/pulls.h"

namespace creel::pulls {
namespace {

using Axis = std::function<double(double)>;

/// A Wiener process in steps of 5 s, half of an exposure, straight between them.
Axis wandering(int seed, double ev_in_100_s) {
  constexpr double kStep_s = 5;
  std::mt19937 random(static_cast<std::uint32_t>(seed));
  std::normal_distribution<double> normal;
  std::vector<double> at = {0};
  for (int i = 0; i < 400; ++i) {
    at.push_back(at.back() + ev_in_100_s * std::sqrt(kStep_s / 100) * normal(random));
  }
  return [at](double t) {
    const double step = std::clamp(t / kStep_s, 0.0, static_cast<double>(at.size() - 2));
    const auto i = static_cast<std::size_t>(step);
    return at[i] + (step - static_cast<double>(i)) * (at[i + 1] - at[i]);
  };
}

struct Seen {
  Moments pull, off, sigma;
};

/// `axis`: of the specimen's night; `references`: of those of the end members, with seeds of their
/// own.
Seen nights_with(
    const std::string& name, const std::function<Axis(int)>& axis,
    const std::function<Axis(int)>& references = [](int) { return Axis(); }) {
  Rig rig(1, 1000);  // one gain map for all nights: its noise would be in all of them alike
  rig.laboratory.source.high_tension_drift_v = 0;
  Seen seen;
  for (int seed = 1; seed <= std::max(2, nights() / 8); ++seed) {
    Night night;
    night.axis_ev = axis(seed);
    const Answer one =
        answer(rig, seed, night, 100, false, references(1000 + seed), references(2000 + seed));
    if (!one.evaluation.ok() || !one.evaluation->oxidation) {
      ADD_FAILURE() << name << ", seed " << seed << ": no state";
      continue;
    }
    const auto& fit = *one.evaluation->oxidation;
    seen.off.add(fit.x0 - one.truth.fe3_fraction);
    seen.sigma.add(fit.sigma_x0);
    seen.pull.add((fit.x0 - one.truth.fe3_fraction) / fit.sigma_x0);
  }
  std::printf("  %-40s pull %+.3f, variance %.3f; bias %+.4f, scatter %.4f, quoted %.4f\n",
              name.c_str(), seen.pull.mean(), seen.pull.variance(), seen.off.mean(),
              std::sqrt(seen.off.variance()), seen.sigma.mean());
  return seen;
}

void expect_honest(const Seen& seen) {
  const double n = seen.pull.n;
  EXPECT_LT(std::fabs(seen.pull.mean()), 3 / std::sqrt(n));
  EXPECT_GT(seen.pull.variance(), variance_limit(n, -3));
  EXPECT_LT(seen.pull.variance(), variance_limit(n, 3));
}

TEST(DriftPulls, ErrorBarHoldsWhateverTheAxisDoesBetweenReferences) {
  const Seen still = nights_with("stands still", [](int) { return Axis(); });
  expect_honest(still);
  const Seen straight =
      nights_with("straight, 2 eV", [](int) { return [](double t) { return 2 * t / 1200; }; });
  expect_honest(straight);
  EXPECT_NEAR(straight.sigma.mean() / still.sigma.mean(), 1, 0.03);
  expect_honest(nights_with("jumps by 1 eV", [](int seed) {
    const double when = 150 + 9.7 * seed;
    return [when](double t) { return t > when ? 1.0 : 0.0; };
  }));
  expect_honest(
      nights_with("wanders, 0.3 eV in 100 s", [](int seed) { return wandering(seed, 0.3); }));
  expect_honest(
      nights_with("wanders, 1 eV in 100 s", [](int seed) { return wandering(seed, 1.0); }));
  const auto wander = [](int seed) { return wandering(seed, 0.3); };
  expect_honest(nights_with("wanders so in the references, too", wander, wander));
}

}  // namespace
}  // namespace creel::pulls
