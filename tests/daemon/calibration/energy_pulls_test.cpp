// The energy axis and the offset supply against the simulated world, whose dispersion, offset and
// supply are not what the person typed.
#include <gtest/gtest.h>

#include <vector>

#include "daemon/calibration/energy_axis.h"
#include "daemon/calibration/standard.h"
#include "sim/camera.h"
#include "sim/random.h"
#include "sim/world.h"
#include "tests/daemon/calibration/pulls.h"

namespace creel::calibration {
namespace {

constexpr double kNoise = 10.9;

sim::Camera camera() {
  sim::Camera made;
  made.rows = 1;
  made.columns = 1600;
  made.gain = 10;
  made.read_noise = 20;
  made.saturation = 65535;
  return made;
}

/// Frames whose spectra are given, drawn as a sensor of one row draws them, summed already.
Frame frame_of(ExposureKind kind, const std::vector<double>& electrons, double first_ev,
               sim::Random& random) {
  const sim::Camera with = camera();
  Frame made;
  made.kind = kind;
  made.where = Where::specimen;
  made.integration_ns = kind == ExposureKind::zero_loss ? 1 : 2;
  made.first_ev = first_ev;
  std::vector<double> charge;
  for (const double mean : electrons) {
    const auto n = static_cast<double>(random.poisson(mean));
    charge.push_back(n + with.gain_spread * std::sqrt(n) * random.normal());
  }
  const double p = with.point_spread;
  for (std::size_t c = 0; c < charge.size(); ++c) {
    const double left = charge[c == 0 ? c : c - 1];
    const double right = charge[std::min(c + 1, charge.size() - 1)];
    made.counts.push_back(with.gain * ((1 - 2 * p) * charge[c] + p * (left + right)) +
                          with.read_noise * random.normal());
  }
  return made;
}

Frames empty_frames() {
  Frames frames;
  for (const std::int64_t exposure : {1, 2}) {
    DarkSum& dark = frames.darks[exposure];
    dark.frames = 1000;
    dark.channel_variance = 400;
  }
  return frames;
}

std::vector<double> spectrum_of(const sim::View& view, double electrons, double first,
                                double dispersion) {
  std::vector<double> columns(camera().columns, 0.0);
  sim::Weights weights = sim::film_weights(0.7, 1);
  for (double& weight : weights) weight *= electrons;
  view.spectra().add(weights, first, dispersion, columns);
  return columns;
}

std::vector<Feature> noise_free(const sim::View& view) {
  Frames frames = empty_frames();
  for (const ExposureKind kind : {ExposureKind::zero_loss, ExposureKind::specimen}) {
    Frame frame;
    frame.kind = kind;
    frame.integration_ns = 1;
    frame.first_ev = -24;
    const std::vector<double> spectrum = spectrum_of(view, 1e10, -24, 0.5);
    // The detector's point spread is part of what both instruments see.
    for (std::size_t c = 0; c < spectrum.size(); ++c) {
      frame.counts.push_back(
          0.8 * spectrum[c] +
          0.1 * (spectrum[c == 0 ? c : c - 1] + spectrum[std::min(c + 1, spectrum.size() - 1)]));
    }
    frames.lit.push_back(frame);
  }
  const auto found = find_features(
      frames, 1, 0.5,
      {{"C K", 284, 0, "t", false}, {"O K", 532, 0, "t", false}, {"Fe L3", 709, 0, "t", true}});
  return found.ok() ? found->found : std::vector<Feature>{};
}

// A standard of the person's own: where its carbon and oxygen edges rise and its iron line is
// highest was measured elsewhere, each to 0.2 eV. Elsewhere is here the same world without noise on
// a true axis: fine structure moves the rise of a compound's edge by electronvolts against any
// table of free atoms, which is what the error of table energies stands for.
TEST(EnergyPulls, AxisFromZeroLossCarbonAndOxygen) {
  Pulls dispersion("dispersion");
  Pulls first("first channel");
  Pulls bow("bow of the axis");
  sim::Laboratory laboratory;
  laboratory.specimen.t_over_lambda = {0.3, 0.3};
  laboratory.specimen.mass_loss = 0;
  const sim::View view(laboratory, 7, 0.5);
  const std::vector<Feature> true_features = noise_free(view);
  ASSERT_EQ(true_features.size(), 4U);
  for (int seed = 1; seed <= kSeeds; ++seed) {
    sim::Random random(sim::mix(static_cast<std::uint64_t>(seed), sim::Stream::truth, 7));
    const double true_dispersion = 0.5 * (1 + 0.006 * random.normal());
    const double true_first = -24 + 2 * random.normal();
    const auto spectrum = [&](double electrons) {
      return spectrum_of(view, electrons, true_first, true_dispersion);
    };
    Frames frames = empty_frames();
    for (int i = 0; i < 4; ++i) {
      frames.lit.push_back(frame_of(ExposureKind::zero_loss, spectrum(3e4), -24, random));
    }
    for (int i = 0; i < 10; ++i) {
      frames.lit.push_back(frame_of(ExposureKind::specimen, spectrum(3e8), -24, random));
    }
    std::vector<EdgeEnergy> edges;
    for (std::size_t i = 1; i < true_features.size(); ++i) {
      const double truth = -24 + 0.5 * true_features[i].channel;
      edges.push_back({true_features[i].name, truth + 0.2 * random.normal(), 0.2, "own standard",
                       true_features[i].name == "Fe L3"});
    }
    const auto features = find_features(frames, kNoise, 0.5, edges);
    ASSERT_TRUE(features.ok()) << features.error().text;
    ASSERT_EQ(features->found.size(), 4U) << (features->missed.empty() ? "" : features->missed[0]);
    const auto axis = fit_axis(features->found);
    ASSERT_TRUE(axis.ok()) << axis.error().text;
    dispersion.add(axis->dispersion_ev.value, true_dispersion, axis->dispersion_ev.sigma);
    first.add(axis->first_ev.value, true_first, axis->first_ev.sigma);
    bow.add(1 + axis->bow_ev.value, 1, axis->bow_ev.sigma);
    EXPECT_EQ(axis->table, "own standard");
  }
  dispersion.expect_honest();
  first.expect_honest();
  bow.expect_honest();
}

// The supply moves the axis by `scale` eV for each eV set, in front of a drifting high tension.
TEST(EnergyPulls, OffsetSupply) {
  Pulls scale("offset supply");
  Pulls bend("its bend");
  for (int seed = 1; seed <= kSeeds; ++seed) {
    sim::Random random(sim::mix(static_cast<std::uint64_t>(seed), sim::Stream::truth, 8));
    const double true_scale = 1 + 0.01 * random.normal();
    const double true_bend = 0.3 * random.normal();
    const double typed_dispersion = 0.5 * (1 + 0.002 * random.normal());
    sim::Source source;
    std::vector<OffsetPoint> points;
    double t = 40;
    for (int round = 0; round < 4; ++round) {
      for (const double set : {0.0, 60.0, 0.0, 120.0, 0.0, 180.0, 0.0, 224.0}) {
        const double s = set / 224;
        const double moved = true_scale * set + true_bend * 4 * s * (1 - s);
        const double drift = sim::high_tension_error_v(source, static_cast<std::uint64_t>(seed), t);
        const double at = 400 - moved - drift + 0.004 * random.normal();
        points.push_back({set, at / 0.5, t});
        t += 1.2;
      }
    }
    const auto found =
        offset_supply(points, Measured(typed_dispersion, 0.002 * typed_dispersion, 3));
    ASSERT_TRUE(found.ok()) << found.error().text;
    scale.add(found->scale.value, true_scale, found->scale.sigma);
    bend.add(1 + found->bend_ev.value, 1 + true_bend * typed_dispersion / 0.5,
             found->bend_ev.sigma);
  }
  scale.expect_honest();
  bend.expect_honest();
}

TEST(Standards, MatchedResolutionsAddInQuadrature) {
  // A Gaussian of 1.2 eV broadened to 2.0 eV is a Gaussian of 2.0 eV, at the same place, with the
  // same counts.
  const Matching matching = match_resolution(1.2, 2.0);
  EXPECT_TRUE(matching.broaden_first);
  EXPECT_NEAR(matching.by_fwhm_ev, 1.6, 1e-12);
  const double to_sigma = 1 / (2 * std::sqrt(2 * std::log(2.0)));
  const auto gaussian = [&](double fwhm) {
    std::vector<double> counts;
    for (int c = 0; c < 400; ++c) {
      const double s = fwhm * to_sigma * std::sqrt(2.0);
      const auto below = [&](double ev) { return 0.5 * std::erfc(-(ev - 20.03) / s); };
      counts.push_back(1000 * (below(0.1 * (c + 1)) - below(0.1 * c)));
    }
    return counts;
  };
  const std::vector<double> found = broadened(gaussian(1.2), 0.1, matching.by_fwhm_ev);
  const std::vector<double> truth = gaussian(2.0);
  double sum = 0;
  for (std::size_t c = 0; c < truth.size(); ++c) {
    sum += found[c];
    // The kernel adds a channel's own width, 0.1^2/12 eV^2, to a variance of 0.72 eV^2.
    EXPECT_NEAR(found[c], truth[c], 0.06);
  }
  EXPECT_NEAR(sum, 1000, 1e-5);
  EXPECT_EQ(match_resolution(1.0, 1.0).by_fwhm_ev, 0);
}

}  // namespace
}  // namespace creel::calibration
