// The damage guard on whole nights of simulated frames: does it stay silent on films that the beam
// does not change, with all that is unsteady (laser, spot, high tension), and when does it ring on
// films that it does?
//
// CREEL_DAMAGE_PULL_NIGHTS sets the number of nights of each.

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <optional>
#include <string>

#include "daemon/analysis/running_measures.h"
#include "daemon/guards/damage_guard.h"
#include "tests/spectra/night.h"

namespace creel::pulls {
namespace {

using namespace spectra;

constexpr double kStated = 0.02;
#ifdef CREEL_SANITIZED
constexpr int kNights = 3;
#else
constexpr int kNights = 16;
#endif

int nights() {
  const char* asked = std::getenv("CREEL_DAMAGE_PULL_NIGHTS");
  return asked != nullptr ? std::max(2, std::atoi(asked)) : kNights;
}

Night night_of(int seed) {
  Night night;
  night.begin_s = 20000.0 * seed;
  night.zero_loss_count = 1;
  return night;
}

struct Rung {
  double dose = 0;
  std::string measure;
};

/// Where the guard rings first.
std::optional<Rung> watch(const Night& night, const sim::View& view, const sim::Sensor& sensor) {
  analysis::RunningMeasures::Setup setup;
  setup.spectra = setup_of(night, sensor.camera());
  setup.counts_per_electron = sensor.camera().gain;
  setup.elements = {"C", "O", "Fe"};
  setup.metal = "Fe";
  analysis::RunningMeasures running(setup);
  DamageLimit limit;
  limit.false_alarms_per_night = kStated;
  const std::uint64_t references = night.exposures / night.zero_loss_every + 1;
  DamageGuard guard(limit, {{MeasureKind::t_over_lambda, references},
                            {MeasureKind::low_loss_shape, references},
                            {MeasureKind::oxygen_carbon, night.exposures},
                            {MeasureKind::l3_ev, night.exposures / 10},
                            {MeasureKind::white_line_ratio, night.exposures / 10}});
  std::optional<Rung> rung;
  BeforeExposure next;
  next.exposure.kind = ExposureKind::specimen;
  const auto ran = each_frame(night, view, sensor, [&](const auto& info, auto frame) {
    const auto measured = running.add(info, frame);
    if (!measured) {
      return Result<void>(measured.error());
    }
    for (const FrameMeasures& one : *measured) {
      guard.measured(one);
    }
    const Verdict verdict = guard.before(next);
    if (verdict.what != Verdict::What::go && !rung) {
      rung = Rung{verdict.numbers.at("dose_at_detection_e_per_a2"), verdict.numbers.at("measure")};
    }
    return Result<void>();
  });
  EXPECT_TRUE(ran.ok()) << ran.error().text;
  return rung;
}

TEST(DamageNights, SilentOnFilmsThatTheBeamDoesNotChange) {
  sim::Laboratory laboratory = ink_laboratory();
  laboratory.specimen.critical_dose = {1e9, 1e9};
  laboratory.specimen.mass_loss = 0;
  const sim::Sensor sensor(ink_camera(1), 5, 0);
  int alarms = 0;
  for (int seed = 1; seed <= nights(); ++seed) {
    const sim::View view(laboratory, static_cast<std::uint64_t>(seed), kDispersion_ev);
    if (const auto rung = watch(night_of(seed), view, sensor)) {
      ++alarms;
      std::printf("  undamaged night %d: %s at %.1f e/A^2\n", seed, rung->measure.c_str(),
                  rung->dose);
    }
  }
  std::printf("  %d alarms in %d undamaged nights, stated %.3f a night\n", alarms, nights(),
              kStated);
  // Binomial: mean plus three standard deviations, and one night.
  const double expected = kStated * nights();
  EXPECT_LE(alarms, expected + 3 * std::sqrt(expected) + 1);
}

/// Nights of 24 e/A^2 on films of this kind: how many ring, and at which part of `critical` of the
/// film.
template <class Critical>
int rings(const sim::Laboratory& laboratory, const char* what, Critical&& critical) {
  const sim::Sensor sensor(ink_camera(1), 5, 0);
  std::map<std::string, int> by_measure;
  int rung_nights = 0;
  double parts = 0;
  for (int seed = 1; seed <= nights(); ++seed) {
    const sim::View view(laboratory, static_cast<std::uint64_t>(seed), kDispersion_ev);
    if (const auto rung = watch(night_of(seed), view, sensor)) {
      ++rung_nights;
      ++by_measure[rung->measure];
      parts += rung->dose / critical(view.truth());
    }
  }
  std::printf("  %s: rings in %d of %d nights, at %.2f of the critical dose;", what, rung_nights,
              nights(), parts / std::max(1, rung_nights));
  for (const auto& [measure, count] : by_measure) {
    std::printf(" %s %d", measure.c_str(), count);
  }
  std::printf("\n");
  return rung_nights;
}

TEST(DamageNights, RingsOnFilmsThatLoseTheirMass) {
  sim::Laboratory laboratory = ink_laboratory();
  laboratory.specimen.mass_loss = 0.6;  // as polymers do
  laboratory.specimen.mass_loss_dose = 10;
  const int rung =
      rings(laboratory, "films that lose their mass", [](const sim::Truth&) { return 10.0; });
  EXPECT_GE(rung, 0.9 * nights());
}

/// The ink's iron is reduced, and its film hardly changes: one night's frames are too few to see it
/// sooner than the dose limit. That is why the critical dose leads.
TEST(DamageNights, SeesTheReductionOfInkHardlyEver) {
  const int rung = rings(ink_laboratory(), "ink films",
                         [](const sim::Truth& truth) { return truth.critical_dose; });
  EXPECT_LE(rung, nights());
}

}  // namespace
}  // namespace creel::pulls
