#include "daemon/analysis/beside_json.h"

#include "daemon/analysis/json_values.h"

namespace creel::analysis {

namespace {

using nlohmann::json;

json text(const std::string& one) {
  return one.empty() ? json(nullptr) : json(one);
}

json maybe(const std::optional<double>& value) {
  return value ? json_number(*value) : json(nullptr);
}

json thickness_json(const ThicknessBy& by) {
  const bool told = by.withheld.empty();
  return {{"source", by.source},
          {"mean_free_path_nm", told ? json_number(by.mean_free_path_nm) : json(nullptr)},
          {"thickness_nm", told ? json_number(by.thickness_nm) : json(nullptr)},
          {"relative_uncertainty", json_number(by.relative_uncertainty)},
          {"withheld", text(by.withheld)}};
}

json plasmon_json(const LowLoss& made) {
  if (!made.plasmon) {
    return nullptr;
  }
  const Plasmon& plasmon = *made.plasmon;
  return {{"energy_ev", json_number(plasmon.energy_ev.value)},
          {"energy_sigma_ev", json_number(plasmon.energy_ev.sigma)},
          {"width_ev", json_number(plasmon.width_ev.value)},
          {"width_sigma_ev", json_number(plasmon.width_ev.sigma)},
          {"fitted_from_ev", json_number(plasmon.from_ev)},
          {"fitted_to_ev", json_number(plasmon.to_ev)},
          {"misfit", json_number(plasmon.misfit)},
          {"angular_factor", plasmon.angular_factor}};
}

json m_edge_json(const LowLoss& made) {
  if (!made.m_edge) {
    return nullptr;
  }
  const ShallowEdge& edge = *made.m_edge;
  return {{"element", edge.element},
          {"tabulated_ev", json_number(edge.tabulated_ev)},
          {"significance", json_number(edge.significance)},
          {"onset_ev", json_number(edge.onset_ev.value)},
          {"onset_sigma_ev", json_number(edge.onset_ev.sigma)},
          {"maximum_ev", json_number(edge.maximum_ev.value)},
          {"maximum_sigma_ev", json_number(edge.maximum_ev.sigma)},
          {"second_bump_before_maximum_ev", edge.before ? json_number(edge.before->value) : json()},
          {"second_bump_before_maximum_sigma_ev",
           edge.before ? json_number(edge.before->sigma) : json()},
          {"fitted_from_ev", json_number(edge.from_ev)},
          {"fitted_to_ev", json_number(edge.to_ev)}};
}

}  // namespace

json to_json(const LowLoss& made, bool with_spectra) {
  if (!made.withheld.empty()) {
    return {{"withheld", made.withheld}};
  }
  json out = {{"withheld", nullptr},
              {"t_over_lambda", json_number(made.t_over_lambda)},
              {"effective_atomic_number", maybe(made.effective_number)},
              {"thickness_by_atomic_number", thickness_json(made.by_number)},
              {"thickness_by_density", thickness_json(made.by_density)},
              {"plasmon", plasmon_json(made)},
              {"plasmon_withheld", text(made.plasmon_withheld)},
              {"free_electron_plasmon_ev", maybe(made.free_electron_ev)},
              {"free_electron_plasmon_withheld", text(made.free_electron_withheld)},
              {"m_edge", m_edge_json(made)},
              {"m_edge_withheld", text(made.m_edge_withheld)},
              {"resolution_ev", json_number(made.resolution_ev)}};
  if (with_spectra) {
    out["spectra"] = {{"energy_ev", json_numbers(made.energy_ev)},
                      {"single_losses_counts", json_numbers(made.single)},
                      {"single_losses_counts_sigma", json_numbers(made.single_sigma)},
                      {"plasmon_fit_counts", json_numbers(made.plasmon_fit)},
                      {"m_edge_fit_counts", json_numbers(made.m_edge_fit)},
                      {"m_edge_background_counts", json_numbers(made.m_edge_background)}};
  }
  return out;
}

json to_json(const Elements& made) {
  json edges = json::array();
  for (const ElementEdge& edge : made.edges) {
    const bool told = edge.withheld.empty();
    edges.push_back({{"element", edge.element},
                     {"shell", edge.shell},
                     {"onset_ev", json_number(edge.onset_ev)},
                     {"background_from_ev", json_number(edge.background.from_ev)},
                     {"background_to_ev", json_number(edge.background.to_ev)},
                     {"signal_from_ev", json_number(edge.signal.from_ev)},
                     {"signal_to_ev", json_number(edge.signal.to_ev)},
                     {"net_counts", told ? json_number(edge.net) : json()},
                     {"net_counts_sigma", told ? json_number(edge.sigma) : json()},
                     {"background_h", told ? json_number(edge.h) : json()},
                     {"background_exponent", told ? json_number(edge.exponent) : json()},
                     {"cross_section_barn", edge.barn > 0 ? json_number(edge.barn) : json()},
                     {"withheld", text(edge.withheld)}});
  }
  json ratios = json::array();
  for (const ElementRatio& ratio : made.ratios) {
    ratios.push_back({{"atoms_of", ratio.above},
                      {"for_one_of", ratio.below},
                      {"value", json_number(ratio.value)},
                      {"sigma_by_counting", json_number(ratio.sigma)},
                      {"sigma_by_cross_sections", json_number(ratio.model)}});
  }
  return {{"plural_scattering_removed", made.plural_removed},
          {"edges", edges},
          {"ratios", ratios},
          {"withheld", text(made.withheld)}};
}

}  // namespace creel::analysis
