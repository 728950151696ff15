#include "daemon/calibration/beam.h"

#include <cmath>
#include <map>

#include "daemon/calibration/fit.h"
#include "protocol/physics/constants.h"

namespace creel::calibration {

namespace {

constexpr double kAngstromPerNm = 10;

/// Standard deviation of a Gaussian of this full width at half maximum, in angstrom.
double sigma_angstrom(const LitArea& area) {
  return kAngstromPerNm * area.fwhm_nm / (2 * std::sqrt(2 * std::log(2.0)));
}

}  // namespace

Result<CountRate> count_rate(const Frames& frames, ExposureKind kind, Where where, double noise) {
  const auto used = frames.of(kind, where);
  CountRate made;
  double counts = 0;
  double lit_s = 0;
  std::map<std::int64_t, double> by_exposure;
  for (const Frame* frame : used) {
    counts += frame->total;
    lit_s += frame->lit_s;
    by_exposure[frame->integration_ns] += 1;
    made.sequence.push_back(frame->sequence);
  }
  if (used.empty() || !(lit_s > 0)) {
    return Error{ErrorCode::refused, "no usable frames of kind " +
                                         std::string(exposure_kind_name(kind)) +
                                         " with darks of their exposure time"};
  }
  double variance = noise * std::max(0.0, counts);
  for (const auto& [exposure, n] : by_exposure) {  // all share one mean dark: its error n times
    const DarkSum& dark = frames.darks.at(exposure);
    if (std::isfinite(dark.variance)) {
      variance += dark.variance * (n + n * n / static_cast<double>(dark.frames));
    }
  }
  made.per_s = Measured(counts / lit_s, std::sqrt(variance) / lit_s, used.size());
  std::vector<std::vector<double>> slopes;
  std::vector<double> totals;
  std::vector<double> known;
  std::vector<double> level;
  for (const Frame* frame : used) {
    slopes.push_back({frame->lit_s});
    totals.push_back(frame->total);
    known.push_back(noise * std::max(1.0, made.per_s.value * frame->lit_s) +
                    frames.dark_variance(*frame) + 1e-9);
    level.push_back(made.per_s.value * frame->lit_s);
  }
  if (used.size() > 2) {
    auto flicker = extra_scatter(known, level, [&](std::span<const double> sigma) {
      return fit_linear(slopes, totals, sigma);
    });
    made.flicker = flicker ? *flicker : 0;
  }
  return made;
}

Measured electrons_of_current(double current_pa, double sigma_pa) {
  const double per_pa = 1e-12 / physics::kElementaryCharge_C;
  return {current_pa * per_pa, sigma_pa * per_pa, 1, "current as typed"};
}

Result<Residual> residual_beam(const Frames& frames, double noise) {
  auto blocked = count_rate(frames, ExposureKind::background, Where::vacuum, noise);
  if (!blocked) return blocked.error().during("residual beam");
  auto lit = count_rate(frames, ExposureKind::zero_loss, Where::vacuum, noise);
  if (!lit) return lit.error().during("residual beam");
  if (!(lit->per_s.value > 5 * lit->per_s.sigma)) {
    return Error{ErrorCode::refused, "residual beam: the lit frames hold no light to compare with"};
  }
  Residual made;
  const double fraction = blocked->per_s.value / lit->per_s.value;  // of these frames
  const double of_lit = lit->per_s.sigma / lit->per_s.value;
  made.fraction =
      Measured(fraction, std::hypot(blocked->per_s.sigma / lit->per_s.value, fraction * of_lit),
               blocked->per_s.rests_on + lit->per_s.rests_on);
  made.blocked = std::move(*blocked);
  made.lit = std::move(*lit);
  return made;
}

double peak_dose_per_electron(const LitArea& area) {
  if (!area.gaussian) {
    const double radius = 0.5 * area.fwhm_nm * kAngstromPerNm;
    return 1.0 / (physics::kPi * radius * radius);
  }
  const double s = sigma_angstrom(area);
  return 1.0 / (2 * physics::kPi * s * s);
}

double mean_dose_per_electron(const LitArea& area) {
  return peak_dose_per_electron(area) * (area.gaussian ? 0.5 : 1.0);
}

double share_within(const LitArea& area, double diameter_nm) {
  const double part = diameter_nm / area.fwhm_nm;
  return area.gaussian ? -std::expm1(-std::log(2.0) * part * part) : std::min(1.0, part * part);
}

Measured dose_rate(const Measured& electrons_per_s, const LitArea& area) {
  const double rate = electrons_per_s.value * peak_dose_per_electron(area);
  return {rate,
          rate * std::hypot(electrons_per_s.sigma / electrons_per_s.value,
                            2 * area.sigma_nm / area.fwhm_nm),
          electrons_per_s.rests_on};
}

}  // namespace creel::calibration
