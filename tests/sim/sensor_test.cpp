// The detector's two ways of drawing electrons, its two illuminations, and what a photon transfer
// measures of it. Seeds are fixed: nothing here fails by bad luck.
#include <gtest/gtest.h>

#include <cmath>
#include <numeric>
#include <vector>

#include "sim/camera.h"

namespace creel::sim {
namespace {

std::vector<std::uint16_t> frame_of(const Sensor& sensor, double electrons_per_column,
                                    std::int64_t when,
                                    Illumination illumination = Illumination::spectrum) {
  const Camera& camera = sensor.camera();
  std::vector<std::uint16_t> frame(static_cast<std::size_t>(camera.rows) * camera.columns);
  Sensor::Workspace workspace;
  Random random(mix(3, Stream::frame, when));
  const std::vector<double> columns(camera.columns, electrons_per_column);
  sensor.render(columns, 0.1, random, workspace, frame, illumination);
  return frame;
}

double mean_of(const std::vector<double>& values) {
  return std::accumulate(values.begin(), values.end(), 0.0) / static_cast<double>(values.size());
}

/// Mean row by row.
std::vector<double> rows_of(const std::vector<std::uint16_t>& frame, std::size_t columns) {
  std::vector<double> rows(frame.size() / columns);
  for (std::size_t i = 0; i < frame.size(); ++i) {
    rows[i / columns] += frame[i] / static_cast<double>(columns);
  }
  return rows;
}

Camera counting_camera() {
  Camera camera;
  camera.rows = 16;
  camera.columns = 512;
  camera.counting = true;
  camera.stripe_fwhm_rows = 6;
  return camera;
}

// A Poisson number has its mean as its variance, whatever share of a column a pixel gets and
// however it is drawn: electron by electron (few), pixel by pixel from tables, or from the normal
// law.
TEST(CountingSensor, EveryPixelIsPoissonHoweverItIsDrawn) {
  const Camera camera = counting_camera();
  const Sensor sensor(camera, 5, 0);
  for (const double per_column : {0.5, 2.3, 2.5, 40.0, 3000.0}) {
    const int frames = 60;
    const std::size_t pixels = std::size_t{16} * 512;
    std::vector<double> first(pixels), second(pixels);
    for (int f = 0; f < frames; ++f) {
      const auto frame = frame_of(sensor, per_column, f);
      for (std::size_t i = 0; i < pixels; ++i) {
        first[i] += frame[i];
        second[i] += static_cast<double>(frame[i]) * frame[i];
      }
    }
    double mean = 0;
    double variance = 0;
    for (std::size_t i = 0; i < pixels; ++i) {
      mean += first[i] / frames;
      variance += (second[i] - first[i] * first[i] / frames) / (frames - 1);
    }
    const double total = per_column * 512;
    EXPECT_NEAR(mean, total, 5 * std::sqrt(total / frames)) << per_column;
    // Each pixel's variance has the relative error sqrt(2/frames), or more when electrons are few.
    EXPECT_NEAR(variance / mean, 1.0, 0.03) << per_column;
  }
}

TEST(CountingSensor, TheStripeHasItsWidthInBothWaysOfDrawing) {
  const Camera camera = counting_camera();
  const Sensor sensor(camera, 5, 0);
  for (const double per_column : {2.0, 500.0}) {
    std::vector<double> rows(16);
    for (int f = 0; f < 20; ++f) {
      const auto frame = rows_of(frame_of(sensor, per_column, f), 512);
      for (std::size_t r = 0; r < rows.size(); ++r) {
        rows[r] += frame[r] / 20;
      }
    }
    double width = 0;
    for (std::size_t r = 0; r < rows.size(); ++r) {
      width += rows[r] / per_column * std::pow(static_cast<double>(r) - 7.5, 2);
    }
    EXPECT_NEAR(std::sqrt(width) * 2.3548, 6, 0.15) << per_column;  // FWHM of a Gaussian
  }
}

TEST(CountingSensor, FullPixelsAreCutAndSaid) {
  Camera camera = counting_camera();
  camera.saturation = 255;
  const Sensor sensor(camera, 5, 0);
  std::vector<std::uint16_t> frame(std::size_t{16} * 512);
  Sensor::Workspace workspace;
  Random random(1);
  std::vector<double> columns(512, 40.0);
  EXPECT_FALSE(sensor.render(columns, 0.1, random, workspace, frame));
  columns[3] = 3e6;  // more than any pixel's 16 bits
  EXPECT_TRUE(sensor.render(columns, 0.1, random, workspace, frame));
  EXPECT_EQ(frame[8 * 512 + 3], 255);
}

Camera even_camera() {
  Camera camera;
  camera.rows = 32;
  camera.columns = 256;
  camera.gain_pattern = 0.05;
  return camera;
}

// The mean of many even frames less dark is the gain of each pixel: that is what a gain reference
// measures. The correlation with the pattern of the same sensor at another level is then nearly
// one.
TEST(EvenIllumination, GivesTheSameToAllRowsAndShowsTheFixedPattern) {
  const Camera camera = even_camera();
  const Sensor sensor(camera, 5, 0);
  const std::size_t pixels = std::size_t{32} * 256;
  const auto pattern = [&](double per_column, int first) {
    std::vector<double> lit(pixels);
    for (int f = 0; f < 40; ++f) {
      const auto bright = frame_of(sensor, per_column, first + f, Illumination::even);
      const auto dark = frame_of(sensor, 0, first + 1000 + f, Illumination::even);
      for (std::size_t i = 0; i < pixels; ++i) {
        lit[i] += (static_cast<double>(bright[i]) - dark[i]) / 40;
      }
    }
    return lit;
  };
  const auto low = pattern(32 * 800.0, 1);
  const auto high = pattern(32 * 3000.0, 5000);
  std::vector<double> rows(32);
  for (std::size_t i = 0; i < pixels; ++i) {
    rows[i / 256] += low[i] / 256;
  }
  for (const double row : rows) {
    EXPECT_NEAR(row, 8000, 0.02 * 8000);  // gain 10; a row's mean pattern is 0.05 / sqrt(256)
  }
  const double mean_low = mean_of(low);
  const double mean_high = mean_of(high);
  double ll = 0;
  double hh = 0;
  double lh = 0;
  for (std::size_t i = 0; i < pixels; ++i) {
    const double l = low[i] / mean_low - 1;
    const double h = high[i] / mean_high - 1;
    ll += l * l;
    hh += h * h;
    lh += l * h;
  }
  EXPECT_NEAR(std::sqrt(hh / static_cast<double>(pixels)), 0.05, 0.002);
  EXPECT_GT(lh / std::sqrt(ll * hh), 0.98);
}

TEST(EvenIllumination, TheSpectrumsStripeIsNotEven) {
  Camera camera = even_camera();
  camera.gain_pattern = 0;
  const Sensor sensor(camera, 5, 0);
  const auto rows = rows_of(frame_of(sensor, 32 * 100.0, 1), 256);
  EXPECT_GT(rows[16], 1.2 * rows[0]);
}

// EMVA Standard 1288, Release 4.0: variance over mean, both less dark, is the overall gain K. Here
// K is the counts per electron, times 1 + spread^2 because electrons differ in what they leave,
// times (q^2 + 2 p^2)^2 because the point spread (p, q = 1 - 2p, p) in both directions makes
// neighbours share their noise: whoever forgets that finds a gain 2.3 times too small (p = 0.1) and
// as many electrons too many.
TEST(PhotonTransfer, SlopeIsGainTimesExcessNoiseTimesPointSpread) {
  Camera camera = even_camera();  // fixed pattern stays: pairs of frames cancel it
  camera.gain_spread = 0.4;
  camera.point_spread = 0.1;
  const Sensor sensor(camera, 5, 0);
  const auto point = [&](double per_pixel, int first) {
    double mean = 0;
    double variance = 0;
    const int pairs = 30;
    for (int pair = 0; pair < pairs; ++pair) {
      const auto a = frame_of(sensor, 32 * per_pixel, first + 2 * pair, Illumination::even);
      const auto b = frame_of(sensor, 32 * per_pixel, first + 2 * pair + 1, Illumination::even);
      // The outermost pixels keep what would leave the sensor: others only.
      for (std::size_t row = 1; row + 1 < 32; ++row) {
        for (std::size_t column = 1; column + 1 < 256; ++column) {
          const double one = a[row * 256 + column];
          const double other = b[row * 256 + column];
          mean += 0.5 * (one + other) / (30.0 * 254 * pairs);
          variance += 0.5 * (one - other) * (one - other) / (30.0 * 254 * pairs);
        }
      }
    }
    return std::pair(mean, variance);
  };
  const auto [dark_mean, dark_variance] = point(0, 10000);
  EXPECT_NEAR(dark_variance,
              camera.read_noise * camera.read_noise + 0.1 * camera.dark_counts_per_s + 1.0 / 12,
              0.15);
  // Least squares through the dark point, weighted alike.
  double xy = 0;
  double xx = 0;
  int first = 20000;
  for (const double level : {5.0, 20.0, 80.0, 320.0}) {
    const auto [mean, variance] = point(level, first += 1000);
    xy += (variance - dark_variance) * (mean - dark_mean);
    xx += (mean - dark_mean) * (mean - dark_mean);
  }
  const double spread = std::pow(0.8 * 0.8 + 2 * 0.1 * 0.1, 2);
  // The pattern of 5 % adds its square once more to mean(gain^2) / mean(gain).
  const double expected = 10 * (1 + 0.4 * 0.4) * spread * (1 + 0.05 * 0.05);
  EXPECT_NEAR(xy / xx, expected, 0.02 * expected);
  EXPECT_NEAR(1 / spread, 2.296, 1e-3);
}

}  // namespace
}  // namespace creel::sim
