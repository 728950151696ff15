#include "tests/nights/documents.h"

#include <nlohmann/json.hpp>

namespace creel::nights {

using nlohmann::json;

Rig rig_document() {
  const json document = {
      {"creel_rig", 0},
      {"name", "night rig"},
      {"microscope",
       {{"maker", "unknown"},
        {"model", "unknown"},
        {"serial", "unknown"},
        {"emitter", "unknown"},
        {"location", "unknown"}}},
      {"devices", json::array({
                      {{"name", "camera"}, {"kind", "detector"}, {"driver", "fake"}},
                      {{"name", "beam_shutter"},
                       {"kind", "shutter"},
                       {"driver", "fake"},
                       {"blocks", "electrons_above_specimen"},
                       {"fails_safe", "yes"},
                       {"fallback", "cathode_shutter"},
                       {"lease_s", 2},
                       {"closing_time_ms", 100}},
                      {{"name", "cathode_shutter"},
                       {"kind", "shutter"},
                       {"driver", "fake"},
                       {"blocks", "cathode_laser"},
                       {"fails_safe", "yes"},
                       {"fallback", "beam_shutter"},
                       {"lease_s", 2},
                       {"closing_time_ms", 100}},
                      {{"name", "laser_power"}, {"kind", "gauge"}, {"driver", "fake"}},
                  })}};
  auto rig = parse_rig(document.dump(1), "night.rig.json");
  CREEL_INVARIANT(rig.ok(), rig.error().text.c_str());
  return std::move(*rig);
}

Series series_for(const NightPlan& plan) {
  const std::string unknown = "unknown";
  const bool generous = plan.seed % 3 != 0;  // the others meet the dose guard
  const double limit = generous ? 60 : 9;
  json guards = {{"dose_e_per_a2", limit}, {"clock", {{"ends_after_s", 7200}}}};
  if (plan.faults.drop_out > 0) {
    guards["gauges"] = json::array({{{"device", "laser_power"},
                                     {"channel", "power"},
                                     {"least", 18},
                                     {"most", 22},
                                     {"wait_s", 3},
                                     {"at_most_s", 30}}});
  }
  const json document = {
      {"creel_series", 0},
      {"name", "night"},
      {"operator", "night shift"},
      {"specimen",
       {{"name", "iron-gall ink film"},
        {"description", "thin film for tests"},
        {"form", "thin_film"},
        {"elements", {"C", "O", "Fe"}},
        {"thickness_nm", 40},
        {"density_g_per_cm3", unknown},
        {"preparation",
         {{"method", "drop cast"},
          {"date", unknown},
          {"by", unknown},
          {"support_grid", unknown},
          {"steps", json::array()}}}}},
      {"areas",
       json::array({{{"name", "A1"}, {"grid", "G1"}, {"dose_limit_e_per_a2", 10 * limit}}})},
      {"microscope",
       {{"high_tension_kv", 200},
        {"mode", unknown},
        {"camera_length_mm", unknown},
        {"collection_semi_angle_mrad", 10},
        {"convergence_semi_angle_mrad", 1},
        {"dispersion_ev_per_channel", 0.5},
        {"energy_offset_ev", unknown}}},
      {"laser",
       {{"wavelength_nm", 515},
        {"pulse_width_fs", 250},
        {"repetition_rate_khz", 600},
        {"pulse_energy_nj", unknown}}},
      {"beam",
       {{"dose_rate_e_per_a2_s", 0.5},
        {"relative_uncertainty", 0.1},
        {"method", "Faraday cup"},
        {"measured_at", "2026-11-24T20:00:00Z"},
        {"residual_e_per_a2_s", 0}}},
      {"devices",
       {{"detector", "camera"},
        {"shutter", "beam_shutter"},
        {"cathode_shutter", "cathode_shutter"},
        {"gauges", {"laser_power"}}}},
      {"gating", {{"by", plan.shutter_gating ? "shutter" : "detector"}}},
      {"blocks",
       json::array(
           {{{"name", "darks"}, {"kind", "dark"}, {"exposure_s", 2}, {"count", 2}},
            {{"name", "film"},
             {"kind", "specimen"},
             {"area", "A1"},
             {"exposure_s", 2.0 / plan.stream_frames},
             {"frames", plan.stream_frames},
             {"count", 8},
             {"interleave",
              json::array({{{"kind", "dark"}, {"every", 3}, {"exposure_s", 2}},
                           {{"kind", "zero_loss"}, {"every", 4}, {"exposure_s", 0.5}}})}}})},
      {"guards", guards},
      {"after_restart", plan.seed % 2 == 0 ? "continue" : "hold"}};
  auto series = parse_series(document.dump(1), "night.series.json");
  CREEL_INVARIANT(series.ok(), series.error().text.c_str());
  return std::move(*series);
}

}  // namespace creel::nights
