// Calibrations of the detector against the simulated sensor, whose numbers the calibration is not
// told: photon transfer, point spread, darks, gain by even light and by a dithered spectrum.
#include <gtest/gtest.h>

#include <array>
#include <numeric>
#include <vector>

#include "daemon/analysis/gain.h"
#include "daemon/calibration/dithered_gain.h"
#include "daemon/calibration/pixel_noise.h"
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

/// Even light of `electrons` a pixel and second at each exposure time, and as many darks.
Taken take(std::uint64_t seed, double electrons, int frames) {
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
          camera.columns, i < frames ? flicker * electrons * seconds * camera.rows : 0.0);
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
  for (const std::uint16_t counts : frame) found.push_back(counts / mean);
  return found;
}

TEST(CameraPulls, GainByEvenLight) {
  Pulls pixels("gain of a pixel");
  Pulls one_each("gain, a pixel a seed");
  const int sensors = std::min(kSeeds, 20);
  for (int seed = 1; seed <= sensors; ++seed) {
    const auto own_seed = static_cast<std::uint64_t>(1000 + seed);
    const Taken taken = take(own_seed, 400, 40);
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

TEST(CameraPulls, GainByADitheredSpectrum) {
  Pulls channels("dithered gain");
  Pulls fit("dithered chi2");
  sim::Camera camera;
  camera.rows = 1;
  camera.columns = 128;
  camera.gain_spread = 0;
  camera.gain = 1;
  camera.point_spread = 0;
  camera.gain_pattern = 0.05;  // what the prior expects
  camera.offset = camera.offset_pattern = camera.dark_counts_per_s = 0;
  camera.read_noise = 3;
  for (int seed = 1; seed <= kSeeds; ++seed) {
    const auto own_seed = static_cast<std::uint64_t>(5000 + seed);
    const sim::Sensor sensor(camera, own_seed, 0);
    sim::Sensor::Workspace workspace;
    sim::Random random(own_seed);
    std::vector<DitheredFrame> frames;
    for (const int moved : {0, 7, -5, 16, 3, -12, 24, -20, 11, 1}) {
      const double intensity = 1 + 0.02 * random.normal();
      std::vector<double> light;
      for (int c = 0; c < static_cast<int>(camera.columns); ++c) {
        const double x = c + moved;
        light.push_back(intensity * (9000 * std::pow(1 + 0.01 * (x + 40), -2.0) +
                                     4000 * std::exp(-0.5 * std::pow((x - 60) / 4.0, 2))));
      }
      std::vector<std::uint16_t> frame(camera.columns);
      sensor.render(light, 1, random, workspace, frame);
      frames.push_back({moved, {frame.begin(), frame.end()}});
    }
    const auto found = dithered_gain(frames, 1.0, 9 + 1.0 / 12);
    ASSERT_TRUE(found.ok()) << found.error().text;
    // The truth, mean and slope of its logarithm taken off as the answer's are.
    std::vector<double> truth = responses(camera, own_seed);
    double mean = 0;
    double slope = 0;
    double squares = 0;
    const double n = static_cast<double>(truth.size());
    for (std::size_t c = 0; c < truth.size(); ++c) {
      const double x = static_cast<double>(c) - 0.5 * (n - 1);
      mean += std::log(truth[c]) / n;
      slope += x * std::log(truth[c]);
      squares += x * x;
    }
    for (std::size_t c = 0; c < truth.size(); ++c) {
      truth[c] *= std::exp(-mean - slope / squares * (static_cast<double>(c) - 0.5 * (n - 1)));
    }
    const std::size_t looked = static_cast<std::size_t>(seed * 37) % truth.size();
    channels.add(found->response[looked], truth[looked], found->sigma[looked]);
    const auto freedom = static_cast<double>(found->freedom);
    fit.add(found->chi2, freedom, std::sqrt(2 * freedom));
  }
  channels.expect_honest();
  // The prior makes the fit a little stiffer than its unknowns say.
  EXPECT_NEAR(fit.mean(), 0, 0.5);
}

}  // namespace
}  // namespace creel::calibration
