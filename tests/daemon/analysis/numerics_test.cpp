// The parts of the evaluation, one by one, on shapes whose answers are known.
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <limits>
#include <numeric>
#include <random>

#include "daemon/analysis/white_lines.h"
#include "daemon/losses/plural.h"
#include "daemon/spectra/background.h"
#include "daemon/spectra/drift.h"
#include "daemon/spectra/shift.h"
#include "daemon/spectra/zero_loss.h"
#include "tests/spectra/made_up.h"

namespace creel::analysis {
namespace {

double dot(const std::vector<double>& a, const std::vector<double>& b) {
  return std::inner_product(a.begin(), a.end(), b.begin(), 0.0);
}

std::vector<double> peak(std::size_t channels, double centre, double sigma, double area = 1) {
  std::vector<double> counts(channels);
  for (std::size_t c = 0; c < channels; ++c) {
    const auto at = static_cast<double>(c);
    counts[c] = area * gauss_between(at, at + 1, centre, sigma);
  }
  return counts;
}

// A. Abramowitz, I. A. Stegun, 25.2: Lagrange's formula through six points is exact for polynomials
// up to the fifth degree; so the first five moments move as they should.
TEST(Shift, MovesEveryMomentUpToTheFifth) {
  const auto in = peak(64, 25.3, 2.0);
  for (const double shift : {0.0, 0.25, 0.5, 3.7, -4.4}) {
    std::vector<double> out(64, 0.0);
    add_shifted(in, shift, out);
    for (int power = 0; power <= 5; ++power) {
      double before = 0;
      double after = 0;
      for (std::size_t c = 0; c < 64; ++c) {
        const double at = static_cast<double>(c) - 25;
        before += in[c] * std::pow(at + shift, power);
        after += out[c] * std::pow(at, power);
      }
      EXPECT_NEAR(after, before, 1e-9 * std::pow(10.0, power)) << shift << " power " << power;
    }
  }
}

TEST(Shift, IsTheTransposeOfItsInverseOnWeights) {
  std::mt19937 random(3);
  std::normal_distribution<double> normal;
  std::vector<double> spectrum(40), weights(40);
  for (std::size_t c = 0; c < 40; ++c) {
    spectrum[c] = normal(random);
    weights[c] = normal(random);
  }
  for (const double shift : {0.3, -7.6, 39.5, 1e9}) {
    std::vector<double> shifted(40, 0.0);
    add_shifted(spectrum, shift, shifted);
    EXPECT_NEAR(dot(weights, shifted), dot(unshifted(weights, shift), spectrum), 1e-12);
  }
}

TEST(ZeroLoss, StandsWhereItIsWhateverThePhase) {
  for (const double centre : {30.0, 30.1, 30.25, 30.5, 30.9}) {
    for (const double sigma : {0.5, 0.7, 2.0, 8.0}) {
      const auto found = fit_zero_loss(peak(128, centre, sigma, 5000), -10, 0.5);
      ASSERT_TRUE(found.ok()) << found.error().text;
      EXPECT_NEAR(found->position_ev, -10 + 0.5 * centre, 1e-4) << centre << " " << sigma;
      EXPECT_NEAR(found->sigma_ev, 0.5 * sigma, 1e-3);
      EXPECT_NEAR(found->area, 5000, 5);
    }
  }
}

TEST(ZeroLoss, IsRefusedWhereThereIsNone) {
  EXPECT_FALSE(fit_zero_loss(std::vector<double>(64, 0.0), 0, 1).ok());
  EXPECT_FALSE(fit_zero_loss(std::vector<double>(64, 7.0), 0, 1).ok());
  EXPECT_FALSE(fit_zero_loss(std::vector<double>(64, -7.0), 0, 1).ok());
  EXPECT_FALSE(fit_zero_loss(peak(64, 0.5, 1.0), 0, 1).ok());
  EXPECT_FALSE(fit_zero_loss(std::vector<double>(4, 1.0), 0, 1).ok());
  EXPECT_FALSE(
      fit_zero_loss(std::vector<double>(64, std::numeric_limits<double>::quiet_NaN()), 0, 1).ok());
}

TEST(Drift, GoesStraightBetweenReferencesAndHoldsBeyondThem) {
  EXPECT_EQ(Drift().at(5), 0);
  const Drift drift({{20, 0.3}, {10, 0.1}}, {15});
  EXPECT_DOUBLE_EQ(drift.at(0), 0.1);
  EXPECT_DOUBLE_EQ(drift.at(15), 0.2);
  EXPECT_DOUBLE_EQ(drift.at(99), 0.3);
  EXPECT_DOUBLE_EQ(drift.least_ev(), 0.1);
  EXPECT_DOUBLE_EQ(drift.most_ev(), 0.3);
}

TEST(Drift, ReferencesBetweenWhichNothingWasExposedCountAsOne) {
  const Drift drift({{10, 0.1}, {12, 0.3}, {20, 0.5}, {22, 0.7}}, {15, 16});
  ASSERT_EQ(drift.references().size(), 2U);
  EXPECT_DOUBLE_EQ(drift.at(11), 0.2);
  EXPECT_DOUBLE_EQ(drift.at(16), 0.4);
  EXPECT_DOUBLE_EQ(drift.at(21), 0.6);
}

/// Positions of a Wiener process at 0, 10, 20, ... s, read with an error.
std::vector<Drift::Point> wandered(std::size_t count, double q, double error, double slope,
                                   std::mt19937& random) {
  std::normal_distribution<double> normal;
  std::vector<Drift::Point> points;
  double at = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const double time = 10.0 * static_cast<double>(i);
    points.push_back({time, at + slope * time + error * normal(random), error * error});
    at += std::sqrt(10 * q) * normal(random);
  }
  return points;
}
std::vector<double> between(std::size_t count) {
  std::vector<double> times;
  for (std::size_t i = 0; i + 1 < count; ++i) {
    times.push_back(10.0 * static_cast<double>(i) + 5);
  }
  return times;
}

TEST(Drift, StepsOfAWienerProcessAreFoundBesideErrorsAndASlope) {
  std::mt19937 random(5);
  for (const double slope : {0.0, 0.2}) {
    double outside = 0;
    double inside = 0;
    constexpr int kDraws = 400;
    for (int i = 0; i < kDraws; ++i) {
      const Wander wander(Drift(wandered(13, 0.004, 0.05, slope, random), between(13)), 1, 0);
      outside += wander.step_variance().front() / kDraws;
      inside += wander.step_variance()[6] / kDraws;
    }
    // Cut off at 0, which lifts the mean. An interval's own part has one degree of freedom: half of
    // what it says above the pooled one lifts it by a quarter, and more by the errors.
    EXPECT_NEAR(outside, 0.004, 0.0004) << slope;
    EXPECT_GT(inside, 0.0045) << slope;
    EXPECT_LT(inside, 0.0058) << slope;
  }
}

TEST(Drift, StraightDriftIsNoWanderingAndAJumpStaysWhereItWas) {
  std::vector<Drift::Point> points;
  for (std::size_t i = 0; i < 11; ++i) {
    points.push_back({10.0 * static_cast<double>(i), 0.3 * static_cast<double>(i), 0});
  }
  const Wander straight(Drift(points, between(11)), 1, 0);
  for (const double step : straight.step_variance()) {
    EXPECT_NEAR(step, 0, 1e-20);
  }
  for (std::size_t i = 5; i < 11; ++i) {
    points[i].position_ev += 2;
  }
  const Wander jump(Drift(points, between(11)), 1, 0);
  const double there = std::sqrt(jump.step_variance()[5] * 10);  // of the step over that interval
  EXPECT_GT(there, 1.0);
  EXPECT_LT(std::sqrt(jump.step_variance()[2] * 10), 0.6 * there);
}

TEST(Drift, CovarianceIsThatOfABridgeAndOfTheReferences) {
  // Two references of errors 0.1 and 0.2 eV, 10 s apart, that differ by 1 eV: q = (1 - 0.05) / 10.
  const Drift drift({{0, 0, 0.01}, {10, 1, 0.04}}, {5});
  const std::vector<std::vector<Moment>> groups = {
      {{5, 1}}, {{2, 0.5}, {8, 0.5}}, {{-3, 1}}, {{12, 1}}};
  const Wander wander(drift, 1, 0);
  const double q = 0.95 / 10;
  EXPECT_NEAR(wander.step_variance()[1], q, 1e-12);
  const Strayed made = wander.of(groups);
  const auto at = [&made](std::size_t k, std::size_t l) { return made.covariance_ev2[k * 4 + l]; };
  const double errors = 0.25 * (0.01 + 0.04);
  EXPECT_NEAR(at(0, 0), q * 2.5 + errors, 1e-12);
  EXPECT_NEAR(at(0, 1), q * 1.0 + errors, 1e-12);  // min(s,t)(10 - max(s,t))/10 = 1 for both
  EXPECT_NEAR(at(1, 1), q * 0.25 * (1.6 + 1.6 + 2 * 0.4) + errors, 1e-12);
  EXPECT_NEAR(at(2, 2), q * 3 + 0.01, 1e-12);
  EXPECT_NEAR(at(2, 3), 0, 1e-12);
  EXPECT_NEAR(at(0, 2), 0.5 * 0.01, 1e-12);
  EXPECT_NEAR(made.wandering_ev2[1], q * (1.6 - 0.25 * 4.0), 1e-12);
  EXPECT_NEAR(made.by_errors_ev2[1], 0.5 * (0.64 + 0.04) * 0.05 - errors, 1e-12);
  EXPECT_NEAR(made.wandering_ev2[0] + made.by_errors_ev2[0], 0, 1e-12);
  EXPECT_EQ(Wander(Drift(), 1, 0).of(groups).covariance_ev2[0], 0);
}

const Grid kGrid{600, 0.5, 512};

std::vector<double> power_law(double at_670, double exponent) {
  std::vector<double> counts(kGrid.channels);
  for (std::size_t c = 0; c < kGrid.channels; ++c) {
    counts[c] = at_670 * std::pow(kGrid.centre(c) / 670.0, -exponent);
  }
  return counts;
}

TEST(Background, FindsAPowerLaw) {
  const auto fit = fit_background(power_law(50, 2.7), kGrid, {640, 700});
  ASSERT_TRUE(fit.ok()) << fit.error().text;
  EXPECT_NEAR(fit->exponent, 2.7, 1e-8);
  EXPECT_NEAR(fit->at(670), 50, 1e-6);
  EXPECT_NEAR(fit->at(720), 50 * std::pow(720 / 670.0, -2.7), 1e-6);
}

TEST(Background, FunctionalCarriesTheFit) {
  std::mt19937 random(5);
  std::vector<double> counts = power_law(200, 3);
  for (double& one : counts) {
    one = std::poisson_distribution<int>(one)(random);
  }
  const auto fit = fit_background(counts, kGrid, {640, 700});
  ASSERT_TRUE(fit.ok());
  const auto u = overlap(kGrid, {705, 715});
  const auto w = fit->functional(kGrid, u);
  // At the spectrum itself: exactly the sum above the background.
  EXPECT_NEAR(dot(w, counts), dot(u, counts) - dot(u, fit->on(kGrid)), 1e-6);
  // Derivative by one channel of the window, against fitting again.
  for (const std::size_t c : {85U, 120U, 190U}) {
    auto changed = counts;
    changed[c] += 1;
    const auto again = fit_background(changed, kGrid, {640, 700});
    ASSERT_TRUE(again.ok());
    EXPECT_NEAR(dot(u, fit->on(kGrid)) - dot(u, again->on(kGrid)), w[c],
                0.1 * std::fabs(w[c]) + 1e-3)
        << c;
  }
}

TEST(Background, IsUnbiasedWithFewCounts) {
  // Two counts a channel: weights 1/counts would come out low by half a count a channel.
  std::mt19937 random(11);
  const auto truth = power_law(2, 3);
  double sum = 0;
  const int tries = 400;
  for (int i = 0; i < tries; ++i) {
    auto counts = truth;
    for (double& one : counts) {
      one = std::poisson_distribution<int>(one)(random);
    }
    const auto fit = fit_background(counts, kGrid, {640, 700});
    ASSERT_TRUE(fit.ok());
    sum += fit->at(670) / tries;
  }
  // One fit is good to sqrt(2/120); 4 standard deviations of the mean.
  EXPECT_NEAR(sum, 2, 4 * std::sqrt(2.0 / 120 / tries));
}

TEST(Background, RefusesWhatHoldsNone) {
  EXPECT_FALSE(fit_background(std::vector<double>(512, 0.0), kGrid, {640, 700}).ok());
  EXPECT_FALSE(fit_background(std::vector<double>(512, -3.0), kGrid, {640, 700}).ok());
  EXPECT_FALSE(fit_background(std::vector<double>(512, NAN), kGrid, {640, 700}).ok());
  const auto off = fit_background(power_law(50, 3), kGrid, {500, 560});
  ASSERT_FALSE(off.ok());
  EXPECT_NE(off.error().text.find("600.0"), std::string::npos) << off.error().text;
  EXPECT_FALSE(fit_background(power_law(50, 3), kGrid, {640, 641}).ok());
}

TEST(WhiteLines, AreasAreThoseAboveTheTwoSteps) {
  const auto windows = white_line_windows("Fe");
  ASSERT_TRUE(windows.ok());
  EXPECT_NEAR(windows->step3_ev, 708.65, 1e-9);
  EXPECT_NEAR(windows->step2_ev, 721.65, 1e-9);
  const auto u = white_line_functionals(*windows, kGrid);
  // Two lines on steps of 2:1 under a sloping continuum.
  std::vector<double> spectrum(kGrid.channels);
  for (std::size_t c = 0; c < kGrid.channels; ++c) {
    const double low = kGrid.lower(c);
    const double part = 2.0 / 3 * std::clamp((low + 0.5 - 708.65) / 0.5, 0.0, 1.0) +
                        1.0 / 3 * std::clamp((low + 0.5 - 721.65) / 0.5, 0.0, 1.0);
    spectrum[c] = part * (300 - 0.5 * (kGrid.centre(c) - 708.65)) +
                  4000 * gauss_between(low, low + 0.5, 707.6, 0.6) +
                  1000 * gauss_between(low, low + 0.5, 723.0, 0.8);
  }
  EXPECT_NEAR(dot(u[kL3Low], spectrum) + dot(u[kL3High], spectrum), 4000, 1);
  EXPECT_NEAR(dot(u[kL2], spectrum), 1000, 1);
  EXPECT_NEAR(dot(u[kHeight], spectrum), 300 - 0.5 * 75, 0.5);
  // What lies below the split is the Gaussian's own part, but for how the channel that holds the
  // split is shared: by width, as if it were evenly filled.
  EXPECT_NEAR(dot(u[kL3Low], spectrum), 4000 * gauss_between(0, 708.65, 707.6, 0.6), 60);
  const auto steps = two_steps(*windows, kGrid, spectrum);
  EXPECT_NEAR(steps[450], spectrum[450], 1e-6);
  EXPECT_EQ(steps[100], 0);
}

TEST(WhiteLines, KnowTheirMetalsAndTheirAxis) {
  for (const char* element : {"Cr", "Mn", "Fe", "Co", "Ni", "Cu"}) {
    const auto windows = white_line_windows(element);
    ASSERT_TRUE(windows.ok()) << element;
    EXPECT_TRUE(check_windows(*windows, {400, 0.5, 2048}).ok()) << element;
  }
  EXPECT_FALSE(white_line_windows("C").ok());
  const auto iron = white_line_windows("Fe");
  const auto short_axis = check_windows(*iron, {-24, 0.5, 1536});
  ASSERT_FALSE(short_axis.ok());
  EXPECT_NE(short_axis.error().text.find("808.65"), std::string::npos) << short_axis.error().text;
  WhiteLineWindows crossed = *iron;
  crossed.l2.from_ev = 700;
  EXPECT_FALSE(check_windows(crossed, {400, 0.5, 2048}).ok());
}

TEST(WhiteLines, RatioHasFiellersInterval) {
  // Many counts: both errors agree.
  const auto good = ratio(40000, 10000, 40000, 10000, 0);
  ASSERT_TRUE(good.ok());
  EXPECT_NEAR(good->high - 4, good->sigma, 0.02 * good->sigma);
  EXPECT_NEAR(4 - good->low, good->sigma, 0.02 * good->sigma);
  // Few: longer upwards. The limits are where (a - q b)^2 = va + q^2 vb.
  const auto poor = ratio(40, 10, 40, 8, 0);
  ASSERT_TRUE(poor.ok());
  EXPECT_GT(poor->high - 4, 4 - poor->low);
  for (const double q : {poor->low, poor->high}) {
    EXPECT_NEAR((40 - q * 10) * (40 - q * 10), 40 + q * q * 8, 1e-6);
  }
  EXPECT_FALSE(ratio(40, 10, 40, 12, 0).ok());
  EXPECT_FALSE(ratio(40, 0, 40, 0, 0).ok());
  EXPECT_FALSE(ratio(40, -10, 40, 1, 0).ok());
  EXPECT_FALSE(ratio(NAN, 10, 40, 1, 0).ok());
}

/// Zero loss of area e^-x and its plasmons, on a grid from -30 eV.
std::vector<double> low_loss(const Grid& grid, double x) {
  std::vector<double> counts(grid.channels, 0.0);
  double weight = std::exp(-x);
  for (int n = 0; n < 8; ++n) {
    for (std::size_t c = 0; c < grid.channels; ++c) {
      counts[c] += weight * gauss_between(grid.lower(c), grid.lower(c) + grid.dispersion_ev,
                                          20.0 * n, std::hypot(0.35, 2.5 * std::sqrt(n)));
    }
    weight *= x / (n + 1);
  }
  return counts;
}

TEST(Plural, ScatteringIsTakenAwayAtAnyThickness) {
  const Grid grid{-30, 0.5, 512};
  std::vector<double> single(512);
  for (std::size_t c = 0; c < 512; ++c) {
    single[c] = gauss_between(kGrid.lower(c), kGrid.lower(c) + 0.5, 709, 0.9);
  }
  for (const double x : {0.3, 0.8, 1.5}) {
    const auto removal = SingleScattering::from(low_loss(grid, x), grid, {0, 0.35, 1}, 1.0);
    ASSERT_TRUE(removal.ok());
    std::vector<double> edge(512, 0.0);
    double weight = std::exp(-x);
    for (int n = 0; n < 8; ++n) {
      for (std::size_t c = 0; c < 512; ++c) {
        edge[c] += weight * gauss_between(kGrid.lower(c), kGrid.lower(c) + 0.5, 709 + 20.0 * n,
                                          std::hypot(0.9, 2.5 * std::sqrt(n)));
      }
      weight *= x / (n + 1);
    }
    const auto back = removal->apply(edge);
    // The edge keeps the electrons of its zero loss: e^-x.
    for (std::size_t c = 0; c < 512; ++c) {
      EXPECT_NEAR(back[c], std::exp(-x) * single[c], 2e-3 * std::exp(-x)) << x << " " << c;
    }
  }
}

TEST(Plural, FunctionalsAreCarriedBack) {
  const Grid grid{-30, 0.5, 512};
  const auto removal = SingleScattering::from(low_loss(grid, 0.7), grid, {0, 0.35, 1});
  ASSERT_TRUE(removal.ok());
  std::mt19937 random(9);
  std::normal_distribution<double> normal;
  std::vector<double> u(512), spectrum(512);
  for (std::size_t c = 0; c < 512; ++c) {
    u[c] = normal(random);
    spectrum[c] = normal(random);
  }
  EXPECT_NEAR(dot(u, removal->apply(spectrum)), dot(removal->transposed(u), spectrum), 1e-9);
  EXPECT_EQ(SingleScattering(512).apply(spectrum), spectrum);
}

TEST(Plural, NeedsTheWholeZeroLoss) {
  const Grid late{5, 0.5, 512};
  EXPECT_FALSE(SingleScattering::from(low_loss(late, 0.5), late, {0, 0.35, 1}).ok());
  const Grid grid{-30, 0.5, 512};
  EXPECT_FALSE(SingleScattering::from(std::vector<double>(512, 0.0), grid, {0, 0.35, 1}).ok());
}

TEST(Thickness, IsTheLogarithmOfAllOverZeroLoss) {
  const Grid grid{-30, 0.5, 512};
  for (const double x : {0.1, 0.5, 1.0}) {
    const auto found = thickness(low_loss(grid, x), grid.first_ev, 0.5, 0.82);
    ASSERT_TRUE(found.ok());
    EXPECT_NEAR(found->t_over_lambda, x, 1e-3);
  }
  EXPECT_FALSE(thickness(std::vector<double>(512, 0.0), -30, 0.5, 0.8).ok());
}

}  // namespace
}  // namespace creel::analysis
