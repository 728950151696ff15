// Seeded nights and what their answers are off by, for the tests of the error bar.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <functional>
#include <memory>

#include "tests/spectra/night.h"

namespace creel::pulls {

using namespace spectra;

using analysis::Evaluation;
using analysis::EvaluationOptions;
using analysis::Reference;

#ifdef CREEL_SANITIZED
constexpr int kNights = 6;
#else
constexpr int kNights = 200;
#endif

inline int nights() {
  const char* asked = std::getenv("CREEL_PULL_SEEDS");
  return asked != nullptr ? std::max(2, std::atoi(asked)) : kNights;
}

struct Moments {
  double n = 0, sum = 0, squares = 0;
  void add(double value) {
    n += 1;
    sum += value;
    squares += value * value;
  }
  [[nodiscard]] double mean() const { return sum / n; }
  [[nodiscard]] double variance() const { return (squares - sum * sum / n) / (n - 1); }
};

/// Limit of a variance of n standard normal numbers that is z standard deviations out.
inline double variance_limit(double n, double z) {
  const double freedom = n - 1;
  const double root = 1.0 - 2.0 / (9.0 * freedom) + z * std::sqrt(2.0 / (9.0 * freedom));
  return root * root * root;
}

/// Detector, gain reference and end members, the same for all nights.
struct Rig {
  sim::Laboratory laboratory = ink_laboratory();
  sim::Sensor sensor;
  std::shared_ptr<const analysis::GainMap> gain;
  sim::View ferrous, ferric;

  Rig(std::uint32_t rows, std::uint32_t gain_frames)
      : sensor(ink_camera(rows), 5, 0),
        gain(record_gain(ink_camera(rows), 5, gain_frames)),
        ferrous(end_member(laboratory, 0, 0.25), 900, kDispersion_ev),
        ferric(end_member(laboratory, 1, 0.40), 901, kDispersion_ev) {}
};

struct Answer {
  sim::Truth truth;
  Result<Evaluation> evaluation = Error{};
};

/// One seed: the specimen and both references, recorded anew. The energy axis of the references
/// does what `low_axis` and `high_axis` say (Night::axis_ev).
inline Answer answer(const Rig& rig, int seed, const Night& base, std::uint32_t reference_exposures,
                     bool vary_background = false,
                     const std::function<double(double)>& low_axis = {},
                     const std::function<double(double)>& high_axis = {}) {
  const sim::View view(rig.laboratory, static_cast<std::uint64_t>(seed), kDispersion_ev);
  Night night = base;
  // What a person believes of the dose rate: never quite the truth, and of no influence on x0.
  night.dose_scale = 1.07;
  Night low = night;
  low.exposures = reference_exposures;
  low.begin_s = 20000.0 * seed;
  low.name = "ferrous";
  low.axis_ev = low_axis;
  Night high = low;
  high.name = "ferric";
  high.axis_ev = high_axis;
  const auto specimen = record(night, view, rig.sensor, rig.gain);
  const auto ferrous = record(low, rig.ferrous, rig.sensor, rig.gain);
  const auto ferric = record(high, rig.ferric, rig.sensor, rig.gain);
  for (const auto* one : {&specimen, &ferrous, &ferric}) {
    if (!*one) {
      return {view.truth(), one->error()};
    }
  }
  EvaluationOptions options;
  options.vary_background = vary_background;
  const Reference references[] = {{&*ferrous, 2.0}, {&*ferric, 3.0}};
  return {view.truth(), evaluate(*specimen, references, options)};
}

}  // namespace creel::pulls
