// The world's random numbers and its detector against statistics. Seeds are fixed: nothing here can
// fail by bad luck, and every limit would be passed by a fair generator with the probability
// stated.
#include <gtest/gtest.h>

#include <cmath>
#include <numeric>
#include <vector>

#include "sim/camera.h"
#include "sim/random.h"

namespace creel::sim {
namespace {

// Reference output for seed 1234567, as published with the algorithm's implementations (from
// memory; the tests below do not depend on it).
TEST(Random, GivesTheKnownSequence) {
  Random random(1234567);
  EXPECT_EQ(random.bits(), 6457827717110365317u);
  EXPECT_EQ(random.bits(), 3203168211198807973u);
  EXPECT_EQ(random.bits(), 9817491932198370423u);
}

double chi_square(const std::vector<double>& seen, const std::vector<double>& expected) {
  double sum = 0;
  for (std::size_t i = 0; i < seen.size(); ++i) {
    sum += (seen[i] - expected[i]) * (seen[i] - expected[i]) / expected[i];
  }
  return sum;
}

/// Poisson probabilities in bins 0..last, the last one holding the rest, with at least 5 expected
/// each.
void poisson_chi_square(double mean) {
  const int draws = 200000;
  Random random(mix(7, Stream::frame, static_cast<std::int64_t>(mean * 1000)));
  const int last = static_cast<int>(mean + 12 * std::sqrt(mean) + 12);
  std::vector<double> seen(last + 1), expected(last + 1);
  for (int i = 0; i < draws; ++i) {
    seen[std::min<std::uint64_t>(random.poisson(mean), last)] += 1;
  }
  for (int k = 0; k <= last; ++k) {
    expected[k] = draws * std::exp(k * std::log(mean) - mean - std::lgamma(k + 1.0));
  }
  std::vector<double> seen_bins, expected_bins;
  double s = 0, e = 0;
  for (int k = 0; k <= last; ++k) {
    s += seen[k];
    e += expected[k];
    if (e >= 20) {
      seen_bins.push_back(s);
      expected_bins.push_back(e);
      s = e = 0;
    }
  }
  seen_bins.back() += s;
  expected_bins.back() += e;
  const double freedom = static_cast<double>(seen_bins.size()) - 1;
  // 4 standard deviations of chi-square (variance 2 n): about 1 in 10^4.
  EXPECT_LT(chi_square(seen_bins, expected_bins), freedom + 4 * std::sqrt(2 * freedom)) << mean;
}

TEST(Random, PoissonNumbersFollowPoisson) {
  for (const double mean : {0.05, 0.7, 3.0, 12.0, 29.0, 31.0, 90.0, 1000.0}) {
    poisson_chi_square(mean);
  }
}

TEST(Random, NormalsHaveTheMomentsOfTheNormalLaw) {
  std::vector<float> values(1 << 21);
  Random random(99);
  fill_normal(random, values);
  const double n = static_cast<double>(values.size());
  double m1 = 0, m2 = 0, m3 = 0, m4 = 0;
  double neighbours = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const double x = values[i];
    m1 += x / n;
    m2 += x * x / n;
    m3 += x * x * x / n;
    m4 += x * x * x * x / n;
    neighbours += i > 0 ? x * values[i - 1] / n : 0;
  }
  // Standard errors 1, sqrt 2, sqrt 15, sqrt 96 over sqrt n; 4 of them. The table cuts the fourth
  // moment by 1e-3.
  EXPECT_NEAR(m1, 0, 4 / std::sqrt(n));
  EXPECT_NEAR(m2, 1, 4 * std::sqrt(2 / n));
  EXPECT_NEAR(m3, 0, 4 * std::sqrt(15 / n));
  EXPECT_NEAR(m4, 3, 4 * std::sqrt(96 / n) + 0.01);
  EXPECT_NEAR(neighbours, 0, 4 / std::sqrt(n));
}

Camera quiet_camera() {
  Camera camera;
  camera.rows = 32;
  camera.columns = 256;
  camera.gain_spread = 0;
  camera.point_spread = 0;
  camera.offset_pattern = 0;
  camera.gain_pattern = 0;
  camera.dark_counts_per_s = 0;
  camera.stripe_fwhm_rows = 1e6;  // even illumination
  return camera;
}

struct Point {
  double mean, variance;
};
/// Mean and temporal variance of even frames, from pairs: var(a - b) / 2 removes any fixed pattern.
Point photon_transfer(const Camera& camera, double electrons_per_pixel, std::int64_t when) {
  const Sensor sensor(camera, 5, 0);
  Sensor::Workspace workspace;
  const std::size_t pixels = static_cast<std::size_t>(camera.rows) * camera.columns;
  const std::vector<double> columns(camera.columns, electrons_per_pixel * camera.rows);
  std::vector<std::uint16_t> a(pixels), b(pixels);
  Random random(mix(5, Stream::frame, when));
  Point point{0, 0};
  const int pairs = 20;
  for (int pair = 0; pair < pairs; ++pair) {
    sensor.render(columns, 0.1, random, workspace, a);
    sensor.render(columns, 0.1, random, workspace, b);
    for (std::size_t i = 0; i < pixels; ++i) {
      const double difference = static_cast<double>(a[i]) - b[i];
      point.mean += 0.5 * (a[i] + static_cast<double>(b[i]));
      point.variance += 0.5 * difference * difference;
    }
  }
  const double n = static_cast<double>(pixels) * pairs;
  return {point.mean / n, point.variance / n};
}

// EMVA Standard 1288, Release 4.0: sigma_y^2 = sigma_d^2 + K (mu_y - mu_d): the slope of variance
// over mean is the gain, the intercept the temporal dark noise plus 1/12 of quantisation.
TEST(Sensor, PhotonTransferGivesBackGainAndReadNoise) {
  Camera camera = quiet_camera();
  const Point dark = photon_transfer(camera, 0, 1);
  EXPECT_NEAR(dark.mean, camera.offset, 0.05);
  EXPECT_NEAR(dark.variance, camera.read_noise * camera.read_noise + 1.0 / 12, 0.1);
  for (const double level : {1.0, 6.0, 40.0, 200.0}) {
    const Point lit = photon_transfer(camera, level, static_cast<std::int64_t>(level) + 2);
    EXPECT_NEAR(lit.mean - dark.mean, level * camera.gain, 0.01 * level * camera.gain) << level;
    EXPECT_NEAR((lit.variance - dark.variance) / (lit.mean - dark.mean), camera.gain,
                0.02 * camera.gain)
        << level;
  }
}

TEST(Sensor, GainSpreadAddsItsExcessNoise) {
  // var = g^2 F N with F = 1 + (relative spread)^2: the cascade formula of multipliers (common
  // practice).
  Camera camera = quiet_camera();
  camera.gain_spread = 0.5;
  const Point dark = photon_transfer(camera, 0, 1);
  const Point lit = photon_transfer(camera, 100, 2);
  EXPECT_NEAR((lit.variance - dark.variance) / (lit.mean - dark.mean), camera.gain * 1.25,
              0.02 * camera.gain * 1.25);
}

TEST(Sensor, FixedPatternStaysAndCancelsInPairs) {
  Camera camera = quiet_camera();
  camera.offset_pattern = 20;
  const Point dark = photon_transfer(camera, 0, 1);
  EXPECT_NEAR(dark.variance, camera.read_noise * camera.read_noise + 1.0 / 12, 0.1);
}

TEST(Sensor, PointSpreadKeepsTheChargeAndCorrelatesNeighbours) {
  Camera camera = quiet_camera();
  camera.point_spread = 0.1;
  const Point dark = photon_transfer(camera, 0, 1);
  const Point lit = photon_transfer(camera, 50, 2);
  EXPECT_NEAR(lit.mean - dark.mean, 500, 5);
  // Pixel variance falls by (sum of squared weights) in each direction: (0.64 + 0.01 + 0.01)^2.
  EXPECT_NEAR((lit.variance - dark.variance) / (lit.mean - dark.mean), 10 * 0.66 * 0.66, 0.2);
}

TEST(Sensor, FullPixelsAreFlaggedAndCut) {
  Camera camera = quiet_camera();
  camera.saturation = 4095;
  const Sensor sensor(camera, 5, 0);
  Sensor::Workspace workspace;
  std::vector<std::uint16_t> frame(32 * 256);
  Random random(1);
  std::vector<double> columns(256, 10.0 * 32);
  EXPECT_FALSE(sensor.render(columns, 0.1, random, workspace, frame));
  columns[17] = 1000.0 * 32;
  EXPECT_TRUE(sensor.render(columns, 0.1, random, workspace, frame));
  EXPECT_EQ(frame[17], 4095);
}

TEST(Sensor, CountingDetectorReturnsElectrons) {
  Camera camera = quiet_camera();
  camera.counting = true;
  const Sensor sensor(camera, 5, 0);
  Sensor::Workspace workspace;
  std::vector<std::uint16_t> frame(32 * 256);
  Random random(1);
  const std::vector<double> columns(256, 0.1 * 32);
  sensor.render(columns, 1, random, workspace, frame);
  const double sum = std::accumulate(frame.begin(), frame.end(), 0.0);
  EXPECT_NEAR(sum, 819.2, 4 * std::sqrt(819.2));
}

}  // namespace
}  // namespace creel::sim
