// Made-up spectra for the tests of the evaluation: simple shapes whose areas are known by
// construction.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <random>
#include <span>
#include <string>
#include <vector>

#include "daemon/spectra/session_spectra.h"

namespace creel::analysis {

/// Integral of a Gaussian of area one over [from, to].
inline double gauss_between(double from, double to, double centre, double sigma) {
  const auto below = [&](double e) {
    return 0.5 * std::erfc((centre - e) / (sigma * std::sqrt(2.0)));
  };
  return below(to) - below(from);
}

/// What a made-up specimen is.
struct MadeUp {
  double x = 0.7;  ///< part in the high state at zero dose
  double k = 0;    ///< damage, angstrom^2/e
  double dose_per_exposure = 0.25;
  /// Of the second half of the exposures, on an area of its own, over that of the first. 1: one
  /// area.
  double other_rate = 1;
  double power = 0;          ///< damage goes as the dose rate to this, over that of the first area
  double size = 20000;       ///< L3 counts of one exposure
  double background = 2000;  ///< counts per channel at 670 eV
  double exponent = 3;
  double thickness = 0;           ///< t/lambda: one plasmon at 20 eV, sd 2.5 eV
  double zero_loss_sigma = 0.35;  ///< eV
  double drift_per_s = 0;         ///< eV/s of the zero-loss position
  double offset = 100;            ///< dark counts
  double noise = 1;               ///< 0 = none; 1 = Poisson-like
  int exposures = 40;
  std::uint32_t seed = 1;
};

class MadeUpSession {
 public:
  static constexpr std::size_t kChannels = 512;
  static constexpr double kDispersion_ev = 0.5;
  static constexpr double kCoreFirst_ev = 600;
  static constexpr double kLowFirst_ev = -30;

  explicit MadeUpSession(const MadeUp& what) : what_(what), random_(what.seed) {}

  static SpectraCollector::Setup setup(std::string name = "made up") {
    SpectraCollector::Setup setup;
    setup.name = std::move(name);
    setup.shape = {1, kChannels, session::Pixel::f32};
    setup.dispersion_ev = kDispersion_ev;
    return setup;
  }
  static FrameInfo info(ExposureKind kind) {
    FrameInfo made;
    made.kind = kind;
    made.exposure_set_ns = kind == ExposureKind::zero_loss ? 20'000'000 : 1'000'000'000;
    made.first_ev = kind == ExposureKind::zero_loss ? kLowFirst_ev : kCoreFirst_ev;
    return made;
  }

  /// Hands every frame to visit(info, bytes): darks, then exposures with a zero loss before every
  /// tenth and after the last.
  template <class Visit>
  void each_frame(Visit&& visit) {
    const auto give = [&](const FrameInfo& of, const std::vector<float>& counts) {
      visit(of, std::as_bytes(std::span(counts)));
    };
    for (int i = 0; i < 8; ++i) {
      give(info(ExposureKind::dark), dark());
      FrameInfo shorter = info(ExposureKind::dark);
      shorter.exposure_set_ns = info(ExposureKind::zero_loss).exposure_set_ns;
      give(shorter, dark());
    }
    double t = 100;
    double dose = 0;
    const auto zero_loss = [&] {
      FrameInfo of = info(ExposureKind::zero_loss);
      of.middle_s = t;
      of.dose_before = of.dose_after = dose;
      give(of, frame(of, dose));
      t += 1;
    };
    for (int i = 0; i < what_.exposures; ++i) {
      if (i % 10 == 0) {
        zero_loss();
      }
      const bool other = what_.other_rate != 1 && i >= what_.exposures / 2;
      const double rate = other ? what_.other_rate : 1;
      dose = other && i == what_.exposures / 2 ? 0 : dose;
      FrameInfo of = info(ExposureKind::specimen);
      of.area = other ? 1 : 0;
      of.middle_s = t;
      of.dose_before = dose;
      dose += rate * what_.dose_per_exposure;
      of.dose_after = dose;
      give(of, frame(of, 0.5 * (of.dose_before + of.dose_after) * std::pow(rate, what_.power)));
      t += 1;
    }
    zero_loss();
  }

  [[nodiscard]] Result<SessionSpectra> collected(std::string name = "made up") {
    SpectraCollector collector(setup(std::move(name)));
    Result<void> all;
    each_frame([&](const FrameInfo& of, std::span<const std::byte> bytes) {
      if (all.ok()) {
        all = collector.add(of, bytes);
      }
    });
    if (!all.ok()) {
      return all.error();
    }
    return collector.finish();
  }

  std::vector<float> frame(const FrameInfo& of, double dose) {
    const double drift = what_.drift_per_s * of.middle_s;
    std::vector<float> counts(kChannels);
    const double x = what_.x * std::exp(-what_.k * dose);
    for (std::size_t c = 0; c < kChannels; ++c) {
      const double low = of.first_ev - drift + static_cast<double>(c) * kDispersion_ev;
      const double mean = of.kind == ExposureKind::zero_loss ? low_loss(low) : core(low, x);
      counts[c] = static_cast<float>(what_.offset + noisy(mean));
    }
    return counts;
  }
  std::vector<float> dark() {
    std::vector<float> counts(kChannels);
    for (float& one : counts) {
      one = static_cast<float>(what_.offset + what_.noise * 2.0 * normal_(random_));
    }
    return counts;
  }

 private:
  double noisy(double mean) {
    return mean + what_.noise * std::sqrt(std::max(0.0, mean) + 4.0) * normal_(random_);
  }
  /// Zero loss and n plasmons with Poisson weights.
  [[nodiscard]] double low_loss(double low) const {
    double sum = 0;
    double weight = 1e5 * std::exp(-what_.thickness);
    for (int n = 0; n < 6; ++n) {
      const double sigma = std::hypot(what_.zero_loss_sigma, 2.5 * std::sqrt(n));
      sum += weight * gauss_between(low, low + kDispersion_ev, 20.0 * n, sigma);
      weight *= what_.thickness / (n + 1);
    }
    return sum;
  }
  [[nodiscard]] double core(double low, double x) const {
    const double centre = low + 0.5 * kDispersion_ev;
    double sum = what_.background * std::pow(centre / 670.0, -what_.exponent);
    double weight = std::exp(-what_.thickness);
    for (int n = 0; n < 6; ++n) {
      sum += what_.size * weight * edge(low, x, 20.0 * n, 2.5 * std::sqrt(n));
      weight *= what_.thickness / (n + 1);
    }
    return sum;
  }
  /// Lines and steps for L3 = 1: low state at 707.5 and 720.5 eV, 4:1; high state at 709.5 and
  /// 722.5 eV, 5:1; both on a step of 0.03 per channel.
  [[nodiscard]] double edge(double low, double x, double delay, double blur) const {
    const double sigma = std::hypot(0.8, blur);
    const auto line = [&](double at) {
      return gauss_between(low, low + kDispersion_ev, at + delay, sigma);
    };
    const auto step = [&](double at) {
      return gauss_between(-1e4, low + 0.5 * kDispersion_ev, at + delay, std::hypot(0.3, blur));
    };
    return (1 - x) * (line(707.5) + 0.25 * line(720.5)) + x * (line(709.5) + 0.20 * line(722.5)) +
           0.03 * (2 * step(708.65) + step(721.65)) / 3;
  }

  MadeUp what_;
  std::mt19937 random_;
  std::normal_distribution<double> normal_;
};

}  // namespace creel::analysis
