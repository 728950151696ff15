// Calibrations of the detector against the simulated sensor, whose numbers the calibration is not
// told: photon transfer, point spread, darks, gain by even light and by a dithered spectrum.
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <functional>
#include <numeric>
#include <vector>

#include "daemon/calibration/pixel_noise.h"
#include "daemon/spectra/dithered_gain.h"
#include "daemon/spectra/gain.h"
#include "sim/camera.h"
#include "tests/daemon/calibration/pulls.h"

namespace creel::calibration {
namespace {

constexpr std::array<std::int64_t, 3> kExposures_ns = {20'000'000, 200'000'000, 1'000'000'000};

sim::Camera camera_of(sim::Random& random) {
  sim::Camera camera;
  camera.rows = 48;
  camera.columns = 192;
  camera.gain = 4 + 12 * random.uniform();
  camera.gain_spread = 0.1 + 0.4 * random.uniform();
  camera.read_noise = 2 + 3 * random.uniform();
  camera.dark_counts_per_s = 10 + 40 * random.uniform();
  camera.offset = 100 + 200 * random.uniform();
  camera.offset_pattern = 4;
  camera.point_spread = 0.02 + 0.16 * random.uniform();
  camera.spikes_per_s = 0.05;
  return camera;
}

struct Taken {
  sim::Camera camera;
  NoiseCollector noise;
  analysis::GainReference gain;
};

/// Even light of `electrons` a pixel and second at each exposure time, and as many darks. The light
/// is out for the last `out` of the lit frames, as when a laser drops out.
Taken take(std::uint64_t seed, double electrons, int frames, int out = 0) {
  sim::Random random(sim::mix(seed, sim::Stream::truth, 1));
  const sim::Camera camera = camera_of(random);
  const session::FrameShape shape{camera.rows, camera.columns, session::Pixel::u16};
  Taken taken{camera, NoiseCollector(shape), analysis::GainReference(shape)};
  const sim::Sensor sensor(camera, seed, 0);
  sim::Sensor::Workspace workspace;
  std::vector<std::uint16_t> frame(std::size_t{camera.rows} * camera.columns);
  for (const std::int64_t exposure : kExposures_ns) {
    for (int i = 0; i < 2 * frames; ++i) {
      analysis::FrameInfo info;
      info.kind = i < frames ? ExposureKind::gain : ExposureKind::dark;
      info.exposure_set_ns = exposure;
      const double seconds = 1e-9 * static_cast<double>(exposure);
      const double flicker = 1 + 0.01 * random.normal();
      const std::vector<double> light(
          camera.columns, i < frames - out ? flicker * electrons * seconds * camera.rows : 0.0);
      sensor.render(light, seconds, random, workspace, frame, sim::Illumination::even);
      EXPECT_TRUE(taken.noise.add(info, std::as_bytes(std::span(frame))).ok());
      EXPECT_TRUE(taken.gain.add(info, std::as_bytes(std::span(frame))).ok());
    }
  }
  return taken;
}

TEST(CameraPulls, PhotonTransferPointSpreadAndDarks) {
  Pulls gain("photon transfer");
  Pulls spread("point spread");
  Pulls rate("dark counts");
  Pulls offset("dark offset");
  Pulls read("read noise");
  for (int seed = 1; seed <= kSeeds; ++seed) {
    const Taken taken = take(static_cast<std::uint64_t>(seed), 400, 8);
    const sim::Camera& camera = taken.camera;
    const auto transfer = photon_transfer(taken.noise);
    ASSERT_TRUE(transfer.ok()) << transfer.error().text;
    // K F: an electron's counts spread by gain_spread, and pixels with more gain count twice as
    // much more in the variance.
    const double excess = 1 + camera.gain_spread * camera.gain_spread;
    const double pattern = 1 + camera.gain_pattern * camera.gain_pattern;
    gain.add(transfer->counts_per_electron.value, camera.gain * excess * pattern,
             transfer->counts_per_electron.sigma);
    const auto point = point_spread(taken.noise);
    ASSERT_TRUE(point.ok()) << point.error().text;
    spread.add(point->neighbour.value, camera.point_spread, point->neighbour.sigma);
    const auto dark = dark_library(taken.noise);
    ASSERT_TRUE(dark.ok()) << dark.error().text;
    rate.add(dark->rate.value, camera.dark_counts_per_s, dark->rate.sigma);
    // What the pixels' offsets happen to come to is the sensor's own: 4 counts over 9216 pixels.
    const double own = camera.offset_pattern / std::sqrt(camera.rows * camera.columns);
    offset.add(dark->offset.value, camera.offset, std::hypot(dark->offset.sigma, own));
    // Counts are whole numbers: 1/12 more variance (EMVA Standard 1288, Release 4.0, sec. 2.4).
    const double truth = std::sqrt(camera.read_noise * camera.read_noise + 1.0 / 12);
    read.add(dark->read_noise.value, truth, dark->read_noise.sigma);
  }
  gain.expect_honest();
  spread.expect_honest();
  rate.expect_honest();
  offset.expect_honest();
  read.expect_honest();
}

/// The sensor's own responses, from the same sensor without any noise.
std::vector<double> responses(sim::Camera camera, std::uint64_t seed) {
  camera.gain = 1e-3;
  camera.gain_spread = camera.read_noise = camera.dark_counts_per_s = camera.offset =
      camera.offset_pattern = camera.spikes_per_s = 0;
  const sim::Sensor sensor(camera, seed, 0);
  sim::Sensor::Workspace workspace;
  std::vector<std::uint16_t> frame(std::size_t{camera.rows} * camera.columns);
  sim::Random random(1);
  sensor.render(std::vector<double>(camera.columns, 3e7 * camera.rows), 1e-9, random, workspace,
                frame, sim::Illumination::even);
  const double mean =
      std::accumulate(frame.begin(), frame.end(), 0.0) / static_cast<double>(frame.size());
  std::vector<double> found;
  found.reserve(frame.size());
  for (const std::uint16_t counts : frame) found.push_back(counts / mean);
  return found;
}

void gain_by_even_light(const char* name, int frames, int out) {
  Pulls pixels("gain of a pixel");
  Pulls one_each(name);
  const int sensors = std::min(kSeeds, 20);
  for (int seed = 1; seed <= sensors; ++seed) {
    const std::uint64_t own_seed = 1000 + static_cast<std::uint64_t>(seed);
    const Taken taken = take(own_seed, 400, frames, out);
    const auto map = taken.gain.map("gain");
    ASSERT_TRUE(map.ok()) << map.error().text;
    const std::vector<double> truth = responses(taken.camera, own_seed);
    // Pixels far enough apart share no electrons. A pixel that an X-ray hit is one in thousands.
    int used = 0;
    for (std::size_t i = 0; i < truth.size(); i += 61) {
      const double sigma = std::sqrt(map->variance[i]);
      if (std::fabs(map->response[i] - truth[i]) > 8 * sigma) continue;
      pixels.add(map->response[i], truth[i], sigma);
      if (used++ < (kSeeds + sensors - 1) / sensors) {
        one_each.add(map->response[i], truth[i], sigma);
      }
    }
  }
  // Each pixel's error comes from its own 39 differences of 40 frames: Student's t of about 26
  // degrees of freedom, of variance 26/24.
  EXPECT_NEAR(pixels.variance(), 1.08, 0.15);
  one_each.expect_honest();
}

TEST(CameraPulls, GainByEvenLight) {
  gain_by_even_light("gain, a pixel a seed", 40, 0);
}

// The light's change was taken for noise of every pixel, and the spread that was left came out as
// 0.6 instead of 1 %.
TEST(CameraPulls, GainByEvenLightThatDropsOut) {
  gain_by_even_light("gain, light drops out", 45, 5);
}

/// Mean and slope of the logarithm taken off, as dithered_gain() leaves them.
std::vector<double> without_slope(std::vector<double> response) {
  const double n = static_cast<double>(response.size());
  const auto x = [n](std::size_t c) { return static_cast<double>(c) - 0.5 * (n - 1); };
  double mean = 0;
  double slope = 0;
  double squares = 0;
  for (std::size_t c = 0; c < response.size(); ++c) {
    mean += std::log(response[c]) / n;
    slope += x(c) * std::log(response[c]);
    squares += x(c) * x(c);
  }
  for (std::size_t c = 0; c < response.size(); ++c) {
    response[c] *= std::exp(-mean - slope / squares * x(c));
  }
  return response;
}

/// A falling background, an edge and a line; `x` in channels.
double spectrum_at(double x) {
  return 36000 * std::pow(1 + 0.01 * (x + 60), -2.0) + 10000 / (1 + std::exp(-(x - 25) / 1.5)) +
         16000 * std::exp(-0.5 * std::pow((x - 60) / 2.5, 2));
}

struct Dither {
  double point_spread = 0;
  double astray = 0;  ///< channels that the axis drifts from first to last frame
  double spikes_per_frame = 0;
  double dark_error = 0;  ///< of a channel of the mean dark
};

void dithered_pulls(const char* name, const Dither& dither, std::uint64_t first_seed) {
  Pulls channels(name);
  Pulls fit("chi2");
  sim::Camera camera;
  camera.rows = 1;
  camera.columns = 128;
  camera.gain_spread = 0;
  camera.gain = 1;
  camera.point_spread = dither.point_spread;
  camera.gain_pattern = 0.05;  // what the prior expects
  camera.offset = camera.offset_pattern = camera.dark_counts_per_s = 0;
  camera.read_noise = 3;
  camera.spikes_per_s = dither.spikes_per_frame;
  const double p = dither.point_spread;
  const double noise = (1 - 2 * p) * (1 - 2 * p) + 2 * p * p;  // what stays in the channel itself
  for (int seed = 1; seed <= kSeeds; ++seed) {
    const std::uint64_t own_seed = first_seed + static_cast<std::uint64_t>(seed);
    const sim::Sensor sensor(camera, own_seed, 0);
    sim::Sensor::Workspace workspace;
    sim::Random random(own_seed);
    std::vector<double> dark(camera.columns);
    for (double& off : dark) off = dither.dark_error * random.normal();
    std::vector<analysis::DitheredFrame> frames;
    for (const int moved : {0, 7, -5, 16, 3, -12, 24, -20, 11, 1}) {
      const double intensity = 1 + 0.02 * random.normal();
      const double stray = dither.astray * static_cast<double>(frames.size()) / 9;
      std::vector<double> light(camera.columns);
      for (std::size_t c = 0; c < light.size(); ++c) {
        light[c] = intensity * spectrum_at(static_cast<double>(c) + moved + stray);
      }
      std::vector<std::uint16_t> frame(camera.columns);
      sensor.render(light, 1, random, workspace, frame);
      frames.push_back({moved, {frame.begin(), frame.end()}, 9 + 1.0 / 12});
      std::transform(dark.begin(), dark.end(), frames.back().counts.begin(),
                     frames.back().counts.begin(), std::plus<>());
    }
    const auto found = analysis::dithered_gain(frames, noise, dither.dark_error);
    ASSERT_TRUE(found.ok()) << found.error().text;
    const std::vector<double> truth = without_slope(responses(camera, own_seed));
    // The last channels keep what would have left the sensor: they see another spectrum.
    const std::size_t looked = 2 + static_cast<std::size_t>(seed * 37) % (truth.size() - 4);
    channels.add(found->response[looked], truth[looked], found->sigma[looked]);
    const auto freedom = static_cast<double>(found->freedom);
    fit.add(found->chi2, freedom, std::sqrt(2 * freedom));
  }
  channels.expect_honest();
  EXPECT_NEAR(fit.mean(), 0, 0.5);
}

TEST(CameraPulls, GainByADitheredSpectrum) {
  dithered_pulls("dithered gain", {}, 5000);
}

// An axis that drifts is found beside the gain: a third of a channel not looked for leaves a chi2
// that is ten of its standard deviations too large.
TEST(CameraPulls, GainByADitheredSpectrumThatStrays) {
  dithered_pulls("dithered, astray", {.astray = 0.35}, 6000);
}

TEST(CameraPulls, GainByADitheredSpectrumWithPointSpread) {
  dithered_pulls("dithered, point spread", {.point_spread = 0.1}, 7000);
}

TEST(CameraPulls, GainByADitheredSpectrumWithAWrongDark) {
  dithered_pulls("dithered, wrong dark", {.dark_error = 150}, 9000);
}

TEST(CameraPulls, GainByADitheredSpectrumWithXRays) {
  dithered_pulls("dithered, X-rays", {.spikes_per_frame = 0.2}, 8000);
}

}  // namespace
}  // namespace creel::calibration
