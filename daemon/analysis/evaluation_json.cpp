#include "daemon/analysis/evaluation_json.h"

#include "daemon/analysis/beside_json.h"
#include "daemon/analysis/json_values.h"

namespace creel::analysis {

namespace {

using nlohmann::json;

json window(const Window& one) {
  return {{"from_ev", one.from_ev}, {"to_ev", one.to_ev}};
}

json ratio_json(const std::optional<Ratio>& ratio) {
  if (!ratio) {
    return nullptr;
  }
  return {{"value", json_number(ratio->value)},
          {"sigma", json_number(ratio->sigma)},
          {"low_68", json_number(ratio->low)},
          {"high_68", json_number(ratio->high)}};
}

json session_json(const SessionReport& one) {
  return {{"name", one.name},
          {"state", json_number(one.state)},
          {"frames", one.frames},
          {"specimen_frames", one.specimen_frames},
          {"dark_frames", one.dark_frames},
          {"zero_loss_frames", one.zero_loss_frames},
          {"frames_left_out", one.left_out},
          {"frames_saturated", one.saturated},
          {"frames_without_dark", one.without_dark},
          {"frames_off_axis", one.off_axis},
          {"spikes_removed", one.spikes},
          {"bad_pixels", one.bad_pixels},
          {"gain_map", one.gain_map.empty() ? json(nullptr) : json(one.gain_map)},
          {"zero_loss_fwhm_ev", json_number(one.zero_loss_fwhm_ev)},
          {"drift_least_ev", json_number(one.drift_least_ev)},
          {"drift_most_ev", json_number(one.drift_most_ev)},
          {"drift_scatter_ev", json_number(one.drift_scatter_ev)},
          {"t_over_lambda", one.t_over_lambda ? json_number(*one.t_over_lambda) : json(nullptr)},
          {"counts_per_electron", json_number(one.counts_per_electron)},
          {"noise_factor", json_number(one.noise_factor)},
          {"noise_widened", one.noise_widened},
          {"ratio", ratio_json(one.ratio)},
          {"background_exponent", json_number(one.exponent)},
          {"background_exponent_sigma", json_number(one.sigma_exponent)}};
}

json windows_json(const WhiteLineWindows& windows) {
  return {{"background", window(windows.background)},
          {"l3", window(windows.l3)},
          {"l3_split_ev", windows.split_ev},
          {"l2", window(windows.l2)},
          {"step3_ev", windows.step3_ev},
          {"step2_ev", windows.step2_ev},
          {"step3_part", windows.step3_part},
          {"after", window(windows.after)}};
}

json by_dose_json(const std::vector<RatioAtDose>& groups) {
  json list = json::array();
  for (const RatioAtDose& at : groups) {
    list.push_back({{"dose_e_per_a2", json_number(at.dose)},
                    {"frames", at.frames},
                    {"ratio", json_number(at.ratio)},
                    {"ratio_sigma", json_number(at.sigma)},
                    {"high_state_part", json_number(at.x)},
                    {"high_state_part_sigma", json_number(at.sigma_x)},
                    {"high_state_part_fitted", json_number(at.fitted_x)}});
  }
  return list;
}

json zero_dose_json(const ZeroDose& fit) {
  return {{"high_state_part_at_zero_dose", json_number(fit.x0)},
          {"high_state_part_at_zero_dose_sigma", json_number(fit.sigma_x0)},
          {"high_state_part_without_damage", json_number(fit.plain_x)},
          {"high_state_part_without_damage_sigma", json_number(fit.sigma_plain_x)},
          {"damage_a2_per_e", json_number(fit.k)},
          {"damage_a2_per_e_sigma", json_number(fit.sigma_k)},
          {"damage_told", fit.damage_told},
          {"critical_dose_e_per_a2", json_number(fit.critical_dose)},
          {"critical_dose_e_per_a2_sigma", json_number(fit.sigma_critical_dose)},
          {"chi_square", json_number(fit.chi_square)},
          {"degrees_of_freedom", fit.degrees_of_freedom}};
}

/// Null for a law that has no such number.
json shape_of(const LawCompared& law, DamageLaw has) {
  return law.law == has ? json_number(law.shape) : json(nullptr);
}

json laws_json(const std::vector<LawCompared>& laws) {
  json list = json::array();
  for (const LawCompared& law : laws) {
    list.push_back({{"law", name(law.law)},
                    {"high_state_part_at_zero_dose", json_number(law.x0)},
                    {"high_state_part_at_zero_dose_sigma_by_counting", json_number(law.sigma_x0)},
                    {"damage_a2_per_e", json_number(law.k)},
                    {"plateau", shape_of(law, DamageLaw::plateau)},
                    {"power_of_dose_rate", shape_of(law, DamageLaw::rate_power)},
                    {"deviance", json_number(law.deviance)},
                    {"evidence", json_number(law.evidence)}});
  }
  return list;
}

json oxidation_json(const Evaluation& made) {
  if (!made.oxidation) {
    return nullptr;
  }
  const ComponentAnswer& fit = *made.oxidation;
  json out = zero_dose_json(fit);
  out["state"] = json_number(made.state);
  out["state_sigma"] = json_number(made.sigma_state);
  out["method"] = "component fit";
  out["high_state_part_at_zero_dose_sigma_by_counting"] = json_number(fit.counting_sigma_x0);
  out["high_state_part_at_zero_dose_sigma_by_bootstrap"] = json_number(made.bootstrap_sigma_x0);
  out["bootstrap_evaluations"] = made.bootstrap_evaluations;
  out["damage_laws"] = laws_json(fit.laws);
  out["power_of_dose_rate_withheld"] =
      fit.rate_law_withheld.empty() ? json(nullptr) : json(fit.rate_law_withheld);
  for (const ComponentFit::Group& group : fit.fit.groups) {
    out["axis_shift_by_dose_ev"].push_back(json_number(group.shift_ev));
    out["axis_shift_by_dose_ev_sigma"].push_back(json_number(group.sigma_shift_ev));
  }
  out["width_ev2"] = json_number(fit.fit.value[kWidth]);
  out["systematic"] = {{"high_state_part_by_background_window", json_number(made.x0_by_background)},
                       {"high_state_part_by_axis_of_0.1_ev", json_number(made.x0_by_tenth_ev)}};
  return out;
}

json methods_json(const Evaluation& made) {
  json list = json::array();
  for (const MethodAnswer& one : made.methods) {
    list.push_back({{"method", one.name},
                    {"source", one.source},
                    {"windows", one.windows},
                    {"limits", one.limits},
                    {"quantity", one.quantity},
                    {"value", json_number(one.value)},
                    {"value_sigma", json_number(one.sigma)},
                    {"value_low_reference", json_number(one.low_value)},
                    {"value_high_reference", json_number(one.high_value)},
                    {"high_state_part", json_number(one.x)},
                    {"high_state_part_sigma", json_number(one.sigma_x)},
                    {"high_state_part_at_zero_dose", json_number(one.x0)},
                    {"high_state_part_at_zero_dose_sigma", json_number(one.sigma_x0)},
                    {"withheld", one.withheld.empty() ? json(nullptr) : json(one.withheld)}});
  }
  return list;
}

}  // namespace

json to_json(const Evaluation& made, bool with_spectra) {
  json references = json::array();
  for (const SessionReport& one : made.references) {
    references.push_back(session_json(one));
  }
  const auto text = [](const std::string& one) { return one.empty() ? json(nullptr) : json(one); };
  json out = {{"element", made.element},
              {"without_frames", made.without_frames},
              {"windows", windows_json(made.windows)},
              {"specimen", session_json(made.specimen)},
              {"references", references},
              {"lines",
               {{"l3_counts", json_number(made.l3)},
                {"l3_counts_sigma", json_number(made.sigma_l3)},
                {"l2_counts", json_number(made.l2)},
                {"l2_counts_sigma", json_number(made.sigma_l2)},
                {"step_height_counts", json_number(made.height)},
                {"step_height_counts_sigma", json_number(made.sigma_height)},
                {"background_h", json_number(made.background_h)}}},
              {"ratio", ratio_json(made.ratio)},
              {"ratio_withheld", text(made.ratio_withheld)},
              {"ratio_by_background_window", json_number(made.ratio_by_background)},
              {"by_dose", by_dose_json(made.by_dose)},
              {"oxidation", oxidation_json(made)},
              {"oxidation_withheld", text(made.oxidation_withheld)},
              {"by_three_areas", made.by_areas ? zero_dose_json(*made.by_areas) : json(nullptr)},
              {"by_three_areas_withheld", text(made.by_areas_withheld)},
              {"other_methods", methods_json(made)},
              {"low_loss", to_json(made.low_loss, with_spectra)},
              {"elements", to_json(made.elements)},
              {"remarks", made.remarks}};
  if (with_spectra) {
    out["spectra"] = {{"energy_ev", json_numbers(made.energy_ev)},
                      {"sum_counts", json_numbers(made.sum)},
                      {"sum_counts_sigma", json_numbers(made.sum_sigma)},
                      {"edge_counts_sigma", json_numbers(made.edge_sigma)},
                      {"residual_counts_sigma", json_numbers(made.residual_sigma)},
                      {"background_counts", json_numbers(made.background)},
                      {"edge_counts", json_numbers(made.edge)},
                      {"steps_counts", json_numbers(made.steps)},
                      {"reference_low_counts", json_numbers(made.reference_low)},
                      {"reference_high_counts", json_numbers(made.reference_high)},
                      {"fit_counts", json_numbers(made.fit)},
                      {"residual_counts", json_numbers(made.residual)}};
  }
  return out;
}

}  // namespace creel::analysis
