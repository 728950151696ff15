// The fit of the oxidation state over dose, on numbers made by its own model and independent noise.
#include "daemon/analysis/oxidation.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace creel::analysis {
namespace {

struct Truth {
  double x0 = 0.7, k = 0.03;
  double counts = 40000;  // L3 and L2 of one dose group
  double reference_counts = 300000;
};
constexpr std::size_t kGroups = 8;
constexpr EdgeNumbers kLow = {0.60, 0.20, 0.20, 0.010};  // of unit area
constexpr EdgeNumbers kHigh = {0.25, 0.60, 0.15, 0.009};

/// Numbers with their exact expectation, and variance = what it is for counting with a background.
OxidationData expected(const Truth& truth) {
  OxidationData data;
  std::vector<double> variance;
  const auto add = [&](double value, double scale) {
    variance.push_back(value + 0.5 * scale);
    return value;
  };
  for (std::size_t g = 0; g < kGroups; ++g) {
    const DoseInterval dose{3.0 * static_cast<double>(g), 3.0 * static_cast<double>(g + 1), 10};
    data.doses.push_back({dose});
    const double x = truth.x0 * survival(dose, truth.k, BeamProfile::flat);
    LineAreas areas{};
    for (std::size_t i = 0; i < kLines; ++i) {
      areas[i] = add(
          truth.counts * 0.01 * ((1 - x) * kLow[i] / kLow[kHeight] + x * kHigh[i] / kHigh[kHeight]),
          truth.counts);
    }
    data.areas.push_back(areas);
  }
  for (std::size_t i = 0; i < kQuantities; ++i) {
    data.low[i] =
        add(truth.reference_counts * kLow[i], i == kHeight ? 0.0 : truth.reference_counts);
  }
  for (std::size_t i = 0; i < kQuantities; ++i) {
    data.high[i] =
        add(truth.reference_counts * kHigh[i], i == kHeight ? 0.0 : truth.reference_counts);
  }
  data.covariance = Covariance(variance.size());
  for (std::size_t i = 0; i < variance.size(); ++i) {
    data.covariance.at(i, i) = variance[i];
  }
  return data;
}

void add_noise(OxidationData& data, std::mt19937& random) {
  std::normal_distribution<double> normal;
  std::size_t at = 0;
  const auto shake = [&](double& value) {
    value += std::sqrt(data.covariance.at(at, at)) * normal(random);
    ++at;
  };
  for (LineAreas& areas : data.areas) {
    for (double& value : areas) {
      shake(value);
    }
  }
  for (double& value : data.low) {
    shake(value);
  }
  for (double& value : data.high) {
    shake(value);
  }
}

TEST(Oxidation, ExactNumbersGiveTheExactAnswer) {
  for (const double x0 : {0.0, 0.3, 1.0, 1.2, -0.1}) {
    for (const double k : {0.0, 0.05, -0.01}) {
      Truth truth;
      truth.x0 = x0;
      truth.k = k;
      const auto fit = fit_oxidation(expected(truth));
      ASSERT_TRUE(fit.ok()) << fit.error().text;
      EXPECT_NEAR(fit->x0, x0, 1e-4) << x0 << " " << k;
      if (std::fabs(x0) > 0.2) {
        EXPECT_NEAR(fit->k, k, 1e-4) << x0 << " " << k;
      }
      EXPECT_NEAR(fit->chi_square, 0, 1e-3);
      EXPECT_EQ(fit->degrees_of_freedom, 2 * kGroups - 2);
    }
  }
}

TEST(Oxidation, ErrorsAreThoseOfRepetition) {
  std::mt19937 random(4);
  double pull = 0;
  double pull2 = 0;
  double chi = 0;
  const int tries = 1000;
  for (int i = 0; i < tries; ++i) {
    const Truth truth;
    OxidationData data = expected(truth);
    add_noise(data, random);
    const auto fit = fit_oxidation(data);
    ASSERT_TRUE(fit.ok()) << fit.error().text;
    const double one = (fit->x0 - truth.x0) / fit->sigma_x0;
    pull += one / tries;
    pull2 += one * one / tries;
    chi += fit->chi_square / tries;
  }
  // Three standard deviations of mean, variance and mean chi-square (14 degrees of freedom); the
  // mean may be off by a twentieth of the error bar because the model is not linear.
  EXPECT_NEAR(pull, 0, 3 / std::sqrt(tries) + 0.05);
  EXPECT_NEAR(pull2, 1, 3 * std::sqrt(2.0 / tries));
  EXPECT_NEAR(chi, 14, 3 * std::sqrt(28.0 / tries));
}

TEST(Oxidation, PlainSumIsLowWhereTheBeamDamages) {
  const auto fit = fit_oxidation(expected({}));
  ASSERT_TRUE(fit.ok());
  EXPECT_TRUE(fit->damage_told);
  EXPECT_NEAR(fit->critical_dose, 1 / 0.03, 0.1);
  EXPECT_LT(fit->plain_x, fit->x0 - 2 * fit->sigma_plain_x);
  EXPECT_LT(fit->sigma_plain_x, fit->sigma_x0);
  EXPECT_NEAR(fit->x_of_group[0], 0.7 * survival({0, 3, 1}, 0.03, BeamProfile::flat), 1e-3);
}

TEST(Oxidation, CommonIntensityMovesNothing) {
  OxidationData data = expected({});
  for (std::size_t g = 0; g < kGroups; ++g) {
    for (double& value : data.areas[g]) {
      value *= 1.0 + 0.2 * std::sin(static_cast<double>(g));
    }
  }
  const auto fit = fit_oxidation(data);
  ASSERT_TRUE(fit.ok());
  EXPECT_NEAR(fit->x0, 0.7, 1e-4);
}

std::string refusal(const OxidationData& data) {
  const auto fit = fit_oxidation(data);
  EXPECT_FALSE(fit.ok());
  return fit.ok() ? "" : fit.error().text;
}

TEST(Oxidation, WithholdsWhatItCannotTell) {
  OxidationData swapped = expected({});
  std::swap(swapped.low, swapped.high);
  EXPECT_NE(refusal(swapped).find("swapped"), std::string::npos);

  OxidationData equal = expected({});
  equal.high = equal.low;
  EXPECT_NE(refusal(equal).find("do not differ"), std::string::npos);

  Truth faint;
  faint.counts = 3;
  EXPECT_NE(refusal(expected(faint)).find("more exposures"), std::string::npos);

  Truth poor;
  poor.counts = 7;
  EXPECT_NE(refusal(expected(poor)).find("+-"), std::string::npos);

  OxidationData dark = expected({});
  dark.low = {1, 1, 1, 1};
  EXPECT_NE(refusal(dark).find("low state"), std::string::npos);

  OxidationData none = expected({});
  for (auto& areas : none.areas) {
    areas = {0, 0, 0};
  }
  EXPECT_NE(refusal(none).find("do not stand out"), std::string::npos);

  OxidationData no_number = expected({});
  no_number.areas[2][1] = NAN;
  EXPECT_NE(refusal(no_number).find("no number"), std::string::npos);

  OxidationData short_covariance = expected({});
  short_covariance.covariance = Covariance(3);
  EXPECT_FALSE(fit_oxidation(short_covariance).ok());
  EXPECT_FALSE(fit_oxidation(OxidationData{}).ok());
}

TEST(Oxidation, OneDoseAloneGivesThePlainAnswer) {
  OxidationData all = expected({});
  OxidationData data = all;
  data.areas.resize(1);
  data.doses.resize(1);
  data.covariance = Covariance(11);
  for (std::size_t i = 0; i < 11; ++i) {
    const std::size_t from = i < 3 ? i : i + 3 * (kGroups - 1);
    data.covariance.at(i, i) = all.covariance.at(from, from);
  }
  const auto fit = fit_oxidation(data);
  ASSERT_TRUE(fit.ok()) << fit.error().text;
  EXPECT_EQ(fit->x0, fit->plain_x);
  EXPECT_TRUE(std::isnan(fit->sigma_k));
  EXPECT_FALSE(fit->damage_told);
}

TEST(Survival, IsTheMeanOverDoseAndProfile) {
  // (1 - e^-x)/x, elementary: 0.951626, 0.786939, 0.632121, 0.432332 at 0.1, 0.5, 1, 2.
  EXPECT_NEAR(survival({0, 0.1, 1}, 1, BeamProfile::flat), 0.951626, 1e-6);
  EXPECT_NEAR(survival({0, 0.5, 1}, 1, BeamProfile::flat), 0.786939, 1e-6);
  EXPECT_NEAR(survival({0, 20, 1}, 0.05, BeamProfile::flat), 0.632121, 1e-6);
  EXPECT_NEAR(survival({0, 2, 1}, 1, BeamProfile::flat), 0.432332, 1e-6);
  EXPECT_NEAR(survival({1, 1, 1}, 1, BeamProfile::flat), std::exp(-1.0), 1e-12);
  EXPECT_NEAR(survival({0, 1, 1}, -1, BeamProfile::flat), std::exp(1.0) - 1, 1e-9);
  // Four times the rate, power one half: as twice the dose; what was before at its own rate.
  EXPECT_NEAR(survival({0, 1, 1, 4, 1}, 1, BeamProfile::flat, DamageLaw::rate_power, 0.5), 0.432332,
              1e-6);
  EXPECT_NEAR(survival({1, 1, 1, 4, 9}, 1, BeamProfile::flat, DamageLaw::rate_power, 0.5),
              std::exp(-3.0), 1e-12);
  // Gaussian: by brute force over dose and profile height, which is uniform for a Gaussian in two
  // dimensions.
  for (const double end : {0.3, 1.7, 3.0}) {
    double sum = 0;
    const int steps = 400;
    for (int i = 0; i < steps; ++i) {
      for (int j = 0; j < steps; ++j) {
        sum += std::exp(-end * (i + 0.5) / steps * (j + 0.5) / steps);
      }
    }
    EXPECT_NEAR(survival({0, end, 1}, 1, BeamProfile::gaussian), sum / steps / steps, 1e-5) << end;
  }
}

}  // namespace
}  // namespace creel::analysis
