#include "drivers/simulated/laboratory_config.h"

#include <string>

#include "drivers/kit/kit.h"

namespace creel::simulated {
namespace {

void read_number(kit::Config& config, const char* name, double& value, double least, double most) {
  value = config.number(name, value, least, most);
}

void read_source(kit::Config& world, sim::Source& source) {
  read_number(world, "high_tension_v", source.high_tension_v, 1e3, 3e6);
  read_number(world, "pulse_rate_hz", source.pulse_rate_hz, 1, 1e10);
  read_number(world, "electrons_per_pulse", source.electrons_per_pulse, 0, 1e6);
  read_number(world, "laser_power_mw", source.laser_power_mw, 1e-6, 1e6);
  read_number(world, "photon_order", source.photon_order, 1, 10);
  read_number(world, "laser_drift", source.laser_drift, 0, 0.3);
  read_number(world, "laser_drift_period_s", source.laser_drift_period_s, 1, 1e6);
  read_number(world, "laser_noise", source.laser_noise, 0, 0.3);
  read_number(world, "laser_noise_period_s", source.laser_noise_period_s, 1, 1e6);
  read_number(world, "dropouts_per_hour", source.dropouts_per_hour, 0, 60);
  read_number(world, "dropout_s", source.dropout_s, 0, 3600);
  read_number(world, "warm_up", source.warm_up, 0, 1);
  read_number(world, "warm_up_s", source.warm_up_s, 0.001, 1e5);
  read_number(world, "walk_off", source.walk_off, 0, 1);
  read_number(world, "walk_off_period_s", source.walk_off_period_s, 1, 1e6);
  read_number(world, "residual_fraction", source.residual_fraction, 0, 1);
  read_number(world, "zero_loss_fwhm_ev", source.zero_loss_fwhm_ev, 0.3, 10);
  read_number(world, "high_tension_drift_v", source.high_tension_drift_v, 0, 100);
  read_number(world, "high_tension_period_s", source.high_tension_period_s, 1, 1e6);
  read_number(world, "room_degc", source.room_degc, -20, 60);
  read_number(world, "room_drift_degc", source.room_drift_degc, 0, 20);
  read_number(world, "room_period_s", source.room_period_s, 1, 1e6);
  read_number(world, "beam_fwhm_nm", source.beam_fwhm_nm, 0.1, 1e6);
  const std::string profile = world.choice("profile", "gaussian", {"gaussian", "flat"});
  source.profile = profile == "flat" ? sim::Profile::flat : sim::Profile::gaussian;
}

void read_range(kit::Config& config, const std::string& name, sim::Range& range, double least,
                double most) {
  range.least = config.number(name + "_least", range.least, least, most);
  range.most = config.number(name + "_most", std::max(range.most, range.least), range.least, most);
}

void read_specimen(kit::Config specimen, sim::Specimen& film) {
  read_range(specimen, "fe3_fraction", film.fe3_fraction, 0, 1);
  read_range(specimen, "critical_dose", film.critical_dose, 1e-6, 1e12);
  read_range(specimen, "t_over_lambda", film.t_over_lambda, 0, 5);
  read_number(specimen, "iron_per_nm2", film.iron_per_nm2, 0, 1e5);
  read_number(specimen, "carbon_per_nm2", film.carbon_per_nm2, 0, 1e6);
  read_number(specimen, "oxygen_per_nm2", film.oxygen_per_nm2, 0, 1e6);
  read_number(specimen, "elastic_per_lambda", film.elastic_per_lambda, 0, 5);
  read_number(specimen, "mass_loss", film.mass_loss, 0, 1);
  read_number(specimen, "mass_loss_dose", film.mass_loss_dose, 1e-6, 1e12);
  read_number(specimen, "film_until_um", film.film_until_um, -655, 655);
  specimen.done();
}

}  // namespace

sim::Laboratory read_laboratory(kit::Config& config) {
  sim::Laboratory laboratory;
  kit::Config world = config.object("world");
  read_source(world, laboratory.source);
  read_number(world, "collection_mrad", laboratory.column.collection_mrad, 0.1, 200);
  read_specimen(world.object("specimen"), laboratory.specimen);
  world.done();
  return laboratory;
}

std::uint64_t fingerprint(const nlohmann::json& config) {
  const nlohmann::json world = config.value("world", nlohmann::json::object());
  std::uint64_t hash = 1;
  for (const char letter : world.dump()) {  // keys come sorted
    hash = sim::mix(hash, sim::Stream::reading, letter);
  }
  return hash | 1;  // never zero: zero means that nobody has set it
}

}  // namespace creel::simulated
