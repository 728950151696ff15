#include "sim/source.h"

#include <algorithm>
#include <cmath>

#include "protocol/physics/constants.h"
#include "sim/random.h"

namespace creel::sim {
namespace {

/// sigma = FWHM / (2 sqrt(2 ln 2)).
double sigma_nm(const Source& source) {
  return source.beam_fwhm_nm / (2.0 * std::sqrt(2.0 * std::log(2.0)));
}

double drifted(double sigma, std::uint64_t seed, Stream stream, double t_s, double period_s) {
  return sigma == 0 ? 0.0 : sigma * smooth_noise(seed, stream, t_s, period_s);
}

/// What makes the current unsteady, for times in a row.
class Unsteady {
 public:
  Unsteady(const Source& source, std::uint64_t seed, double transmission = 1)
      : source_(source),
        seed_(seed),
        transmission_(transmission),
        slow_(seed, Stream::laser_slow, source.laser_drift_period_s),
        fast_(seed, Stream::laser_fast, source.laser_noise_period_s),
        pointing_(seed, Stream::pointing, source.walk_off_period_s) {}

  double laser_power_mw(double t_s) {
    if (laser_out(source_, seed_, t_s)) {
      return 0;
    }
    const double relative =
        1.0 + times(source_.laser_drift, slow_, t_s) + times(source_.laser_noise, fast_, t_s);
    return source_.laser_power_mw * std::max(0.0, relative);
  }
  double current(double t_s, double lit_for_s) {
    const double nominal = nominal_current(source_);
    const double residual = source_.residual_fraction * nominal;
    if (lit_for_s < 0) {
      return residual;
    }
    // Multi-photon emission: the current goes as a power of the laser power (the slope of log I
    // over log P).
    const double relative_power = transmission_ * laser_power_mw(t_s) / source_.laser_power_mw;
    const double warm = 1.0 - source_.warm_up * std::exp(-lit_for_s / source_.warm_up_s);
    const double off = times(source_.walk_off, pointing_, t_s);
    const double pointing = std::exp(-std::fabs(off));
    return residual + nominal * std::pow(relative_power, source_.photon_order) * warm * pointing;
  }

 private:
  static double times(double sigma, SmoothNoise& noise, double t_s) {
    return sigma == 0 ? 0.0 : sigma * noise.at(t_s);
  }
  const Source& source_;
  std::uint64_t seed_;
  double transmission_;
  SmoothNoise slow_, fast_, pointing_;
};

}  // namespace

double nominal_current(const Source& source) {
  return source.pulse_rate_hz * source.electrons_per_pulse;
}

bool laser_out(const Source& source, std::uint64_t seed, double t_s) {
  if (source.dropouts_per_hour <= 0) {
    return false;
  }
  const double slot_s = 3600.0 / source.dropouts_per_hour;
  const double length_s = std::min(source.dropout_s, slot_s);
  const double slot = std::floor(t_s / slot_s);
  Random random(mix(seed, Stream::dropout, static_cast<std::int64_t>(slot)));
  const double start_s = slot * slot_s + random.uniform() * (slot_s - length_s);
  return t_s >= start_s && t_s < start_s + length_s;
}

double laser_power_mw(const Source& source, std::uint64_t seed, double t_s) {
  return Unsteady(source, seed).laser_power_mw(t_s);
}

double high_tension_error_v(const Source& source, std::uint64_t seed, double t_s) {
  return drifted(source.high_tension_drift_v, seed, Stream::high_tension, t_s,
                 source.high_tension_period_s);
}

double room_temperature_degc(const Source& source, std::uint64_t seed, double t_s) {
  return source.room_degc +
         drifted(source.room_drift_degc, seed, Stream::room, t_s, source.room_period_s);
}

double current(const Source& source, std::uint64_t seed, double t_s, double lit_for_s,
               double transmission) {
  return Unsteady(source, seed, transmission).current(t_s, lit_for_s);
}

double charge_fwhm_ev(const Source& source, double transmission) {
  return source.charge_widening_ev * source.electrons_per_pulse *
         std::pow(transmission, source.photon_order);
}

double electrons(const Source& source, std::uint64_t seed, double t0_s, double t1_s, bool blocked,
                 double lit_since_s, double transmission) {
  if (!(t1_s > t0_s)) {
    return 0;
  }
  if (blocked) {
    return source.residual_fraction * nominal_current(source) * (t1_s - t0_s);
  }
  Unsteady beam(source, seed, transmission);
  const auto at = [&](double t_s) { return beam.current(t_s, std::max(0.0, t_s - lit_since_s)); };
  const int steps = std::max(1, static_cast<int>(std::ceil((t1_s - t0_s) / 0.5)));
  const double step_s = (t1_s - t0_s) / steps;
  double sum = at(t0_s);
  for (int i = 0; i < steps; ++i) {  // in order of time
    sum += i > 0 ? 2.0 * at(t0_s + i * step_s) : 0.0;
    sum += 4.0 * at(t0_s + (i + 0.5) * step_s);
  }
  sum += at(t1_s);
  return sum * step_s / 6.0;
}

double peak_dose_per_electron(const Source& source) {
  const double angstrom_per_nm = 10.0;
  if (source.profile == Profile::flat) {
    const double radius = 0.5 * source.beam_fwhm_nm * angstrom_per_nm;
    return 1.0 / (physics::kPi * radius * radius);
  }
  const double sigma = sigma_nm(source) * angstrom_per_nm;
  return 1.0 / (2.0 * physics::kPi * sigma * sigma);
}

double relative_dose(const Source& source, double distance_nm) {
  if (source.profile == Profile::flat) {
    return distance_nm <= 0.5 * source.beam_fwhm_nm ? 1.0 : 0.0;
  }
  const double in_sigmas = distance_nm / sigma_nm(source);
  return std::exp(-0.5 * in_sigmas * in_sigmas);
}

}  // namespace creel::sim
