#include "drivers/simulated/world/laboratory_config.h"

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
  read_number(world, "charge_widening_ev", source.charge_widening_ev, 0, 1);
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

void read_specimen(kit::Config specimen, sim::Specimen& made, bool film) {
  read_range(specimen, "fe3_fraction", made.fe3_fraction, 0, 1);
  read_range(specimen, "critical_dose", made.critical_dose, 1e-6, 1e12);
  read_range(specimen, "t_over_lambda", made.t_over_lambda, 0, 5);
  made.coordination =
      specimen.choice("coordination", "octahedral", {"octahedral", "tetrahedral"}) == "tetrahedral"
          ? sim::Coordination::tetrahedral
          : sim::Coordination::octahedral;
  read_number(specimen, "iron_per_nm2", made.iron_per_nm2, 0, 1e5);
  read_number(specimen, "carbon_per_nm2", made.carbon_per_nm2, 0, 1e6);
  read_number(specimen, "oxygen_per_nm2", made.oxygen_per_nm2, 0, 1e6);
  read_number(specimen, "elastic_per_lambda", made.elastic_per_lambda, 0, 5);
  read_number(specimen, "mass_loss", made.mass_loss, 0, 1);
  read_number(specimen, "mass_loss_dose", made.mass_loss_dose, 1e-6, 1e12);
  if (film) {
    read_number(specimen, "film_until_um", made.film_until_um, -655, 655);
  }
  if (specimen.has("valence")) {
    made.valence.clear();
    for (kit::Config& peak : specimen.objects("valence")) {
      made.valence.push_back({peak.number("energy_ev", 20, 1, 200),
                              peak.number("width_ev", 5, 0.1, 200),
                              peak.number("strength", 1, 1e-6, 1e6)});
      peak.done();
    }
  }
  specimen.done();
  if (made.valence.empty()) {
    throw kit::Failure(CREEL_E_INVALID,
                       "config field world: a specimen with an empty list \"valence\"; allowed: at "
                       "least one peak, or no such field");
  }
}

[[noreturn]] void refuse_place(const std::string& name, const std::string& fault) {
  throw kit::Failure(CREEL_E_INVALID, "config field world.mounted: \"" + name + "\" " + fault +
                                          "; allowed: ranges of stage x that do not overlap, "
                                          "beyond the end of the film (film_until_um)");
}

/// What a person typed: one place of the holder can hold one thing only.
void check_places(const sim::Laboratory& laboratory) {
  const auto& mounted = laboratory.mounted;
  for (std::size_t i = 0; i < mounted.size(); ++i) {
    const sim::Mounted& one = mounted[i];
    if (one.name.empty() || one.name == "film") {
      refuse_place(one.name, "is no name for it (\"film\" is taken)");
    }
    if (!(one.until_um > one.from_um)) {
      refuse_place(one.name, "ends before it begins");
    }
    if (one.from_um <= laboratory.specimen.film_until_um) {
      refuse_place(one.name, "lies on the film");
    }
    for (std::size_t k = 0; k < i; ++k) {
      if (one.name == mounted[k].name) {
        refuse_place(one.name, "is there twice");
      }
      if (one.from_um <= mounted[k].until_um && mounted[k].from_um <= one.until_um) {
        refuse_place(one.name, "overlaps \"" + mounted[k].name + "\"");
      }
    }
  }
}

void read_mounted(kit::Config& world, sim::Laboratory& laboratory) {
  for (kit::Config& fields : world.objects("mounted")) {
    sim::Mounted one;
    one.name = fields.text("name", "");
    one.from_um = fields.number("from_um", 0, -655, 655);
    one.until_um = fields.number("until_um", 0, -655, 655);
    read_specimen(fields.object("specimen"), one.specimen, false);
    fields.done();
    laboratory.mounted.push_back(std::move(one));
  }
  check_places(laboratory);
}

}  // namespace

sim::Laboratory read_laboratory(kit::Config& config) {
  sim::Laboratory laboratory;
  kit::Config world = config.object("world");
  read_source(world, laboratory.source);
  read_number(world, "collection_mrad", laboratory.column.collection_mrad, 0.1, 200);
  read_specimen(world.object("specimen"), laboratory.specimen, true);
  read_mounted(world, laboratory);
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
