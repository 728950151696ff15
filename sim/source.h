// The laser-driven electron source and the beam that reaches the specimen, as pure functions of
// seed and time.
#pragma once

#include <cstdint>

namespace creel::sim {

/// Shape of the beam on the specimen.
enum class Profile : std::uint8_t { gaussian, flat };

/// Relative drifts are one standard deviation of a smooth noise with the given period. All >= 0.
struct Source {
  double high_tension_v = 200e3;
  double pulse_rate_hz = 1e6;
  double electrons_per_pulse = 2;  ///< mean at the specimen, at nominal laser power
  double laser_power_mw = 20;      ///< nominal
  double photon_order = 1;         ///< current goes as (laser power)^order
  double laser_drift = 0.01;
  double laser_drift_period_s = 1800;
  double laser_noise = 0.003;
  double laser_noise_period_s = 4;
  double dropouts_per_hour = 0;  ///< times at which the laser is out, 0..60
  double dropout_s = 20;         ///< how long each lasts
  double warm_up = 0.03;         ///< part of the current missing right after the cathode is lit
  double warm_up_s = 30;
  double walk_off = 0.02;  ///< spot moving off the tip: the laser gauge does not see it
  double walk_off_period_s = 5400;
  double residual_fraction = 0.002;  ///< of the nominal current, with the cathode laser blocked
  double zero_loss_fwhm_ev = 0.8;    ///< source, high-tension ripple and spectrometer together,
                                     ///< with one electron in a pulse
  double charge_widening_ev = 0;  ///< what each electron of a pulse adds to that (FWHM, linear in
                                  ///< their number, in quadrature): they push each other apart
  double high_tension_drift_v = 0.3;  ///< slow; shifts every loss
  double high_tension_period_s = 3600;
  double room_degc = 21.0;
  double room_drift_degc = 0.3;
  double room_period_s = 7200;
  Profile profile = Profile::gaussian;
  double beam_fwhm_nm = 2000;  ///< full width (gaussian) or diameter (flat) on the specimen
};

/// Electrons per second at the specimen with steady laser and cathode lit.
double nominal_current(const Source& source);
/// Whether the laser is out at this time. Drop-outs start at random within slots of an hour / rate.
bool laser_out(const Source& source, std::uint64_t seed, double t_s);
/// Laser power at the cathode shutter, mW; never negative.
double laser_power_mw(const Source& source, std::uint64_t seed, double t_s);
/// Slow error of the high tension, V.
double high_tension_error_v(const Source& source, std::uint64_t seed, double t_s);
double room_temperature_degc(const Source& source, std::uint64_t seed, double t_s);

/// Mean current at the specimen, electrons per second. `lit_for_s`: how long the cathode has been
/// lit; negative = its laser is blocked and only the residual beam is left. `transmission`: of an
/// attenuator in the laser, 0..1.
double current(const Source& source, std::uint64_t seed, double t_s, double lit_for_s,
               double transmission = 1);
/// FWHM that the electrons of a pulse add to the zero loss by pushing each other apart, eV. Of the
/// nominal charge behind the attenuator: drifts of a hundredth change it by as little.
double charge_fwhm_ev(const Source& source, double transmission = 1);
/// Mean number of electrons in [t0_s, t1_s] on a cathode lit since lit_since_s (blocked = residual
/// beam), by Simpson's rule in steps of at most half a second.
double electrons(const Source& source, std::uint64_t seed, double t0_s, double t1_s, bool blocked,
                 double lit_since_s, double transmission = 1);

/// Dose at the middle of the beam for one electron, 1/angstrom^2: 1/(2 pi sigma^2) or 1/(pi r^2).
double peak_dose_per_electron(const Source& source);
/// Dose at a distance from the middle, relative to the middle.
double relative_dose(const Source& source, double distance_nm);

}  // namespace creel::sim
