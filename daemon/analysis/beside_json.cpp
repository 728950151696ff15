#include "daemon/analysis/beside_json.h"

#include <cmath>

namespace creel::analysis {

namespace {

using nlohmann::json;

json number(double value) {
  return std::isfinite(value) ? json(value) : json(nullptr);
}

json numbers(const std::vector<double>& values) {
  json list = json::array();
  for (const double value : values) {
    list.push_back(number(value));
  }
  return list;
}

json text(const std::string& one) {
  return one.empty() ? json(nullptr) : json(one);
}

json maybe(const std::optional<double>& value) {
  return value ? number(*value) : json(nullptr);
}

json thickness_json(const ThicknessBy& by) {
  const bool told = by.withheld.empty();
  return {{"source", by.source},
          {"mean_free_path_nm", told ? number(by.mean_free_path_nm) : json(nullptr)},
          {"thickness_nm", told ? number(by.thickness_nm) : json(nullptr)},
          {"relative_uncertainty", number(by.relative_uncertainty)},
          {"withheld", text(by.withheld)}};
}

json plasmon_json(const LowLoss& made) {
  if (!made.plasmon) {
    return nullptr;
  }
  const Plasmon& plasmon = *made.plasmon;
  return {{"energy_ev", number(plasmon.energy_ev.value)},
          {"energy_sigma_ev", number(plasmon.energy_ev.sigma)},
          {"width_ev", number(plasmon.width_ev.value)},
          {"width_sigma_ev", number(plasmon.width_ev.sigma)},
          {"fitted_from_ev", number(plasmon.from_ev)},
          {"fitted_to_ev", number(plasmon.to_ev)},
          {"misfit", number(plasmon.misfit)},
          {"angular_factor", plasmon.angular_factor}};
}

json m_edge_json(const LowLoss& made) {
  if (!made.m_edge) {
    return nullptr;
  }
  const ShallowEdge& edge = *made.m_edge;
  return {
      {"element", edge.element},
      {"tabulated_ev", number(edge.tabulated_ev)},
      {"significance", number(edge.significance)},
      {"onset_ev", number(edge.onset_ev.value)},
      {"onset_sigma_ev", number(edge.onset_ev.sigma)},
      {"maximum_ev", number(edge.maximum_ev.value)},
      {"maximum_sigma_ev", number(edge.maximum_ev.sigma)},
      {"second_bump_before_maximum_ev", edge.before ? number(edge.before->value) : json()},
      {"second_bump_before_maximum_sigma_ev", edge.before ? number(edge.before->sigma) : json()},
      {"fitted_from_ev", number(edge.from_ev)},
      {"fitted_to_ev", number(edge.to_ev)}};
}

}  // namespace

json to_json(const LowLoss& made, bool with_spectra) {
  if (!made.withheld.empty()) {
    return {{"withheld", made.withheld}};
  }
  json out = {{"withheld", nullptr},
              {"t_over_lambda", number(made.t_over_lambda)},
              {"effective_atomic_number", maybe(made.effective_number)},
              {"thickness_by_atomic_number", thickness_json(made.by_number)},
              {"thickness_by_density", thickness_json(made.by_density)},
              {"plasmon", plasmon_json(made)},
              {"plasmon_withheld", text(made.plasmon_withheld)},
              {"free_electron_plasmon_ev", maybe(made.free_electron_ev)},
              {"free_electron_plasmon_withheld", text(made.free_electron_withheld)},
              {"m_edge", m_edge_json(made)},
              {"m_edge_withheld", text(made.m_edge_withheld)},
              {"resolution_ev", number(made.resolution_ev)}};
  if (with_spectra) {
    out["spectra"] = {{"energy_ev", numbers(made.energy_ev)},
                      {"single_losses_counts", numbers(made.single)},
                      {"single_losses_counts_sigma", numbers(made.single_sigma)},
                      {"plasmon_fit_counts", numbers(made.plasmon_fit)},
                      {"m_edge_fit_counts", numbers(made.m_edge_fit)},
                      {"m_edge_background_counts", numbers(made.m_edge_background)}};
  }
  return out;
}

json to_json(const Elements& made) {
  json edges = json::array();
  for (const ElementEdge& edge : made.edges) {
    const bool told = edge.withheld.empty();
    edges.push_back({{"element", edge.element},
                     {"shell", edge.shell},
                     {"onset_ev", number(edge.onset_ev)},
                     {"background_from_ev", number(edge.background.from_ev)},
                     {"background_to_ev", number(edge.background.to_ev)},
                     {"signal_from_ev", number(edge.signal.from_ev)},
                     {"signal_to_ev", number(edge.signal.to_ev)},
                     {"net_counts", told ? number(edge.net) : json()},
                     {"net_counts_sigma", told ? number(edge.sigma) : json()},
                     {"background_h", told ? number(edge.h) : json()},
                     {"background_exponent", told ? number(edge.exponent) : json()},
                     {"cross_section_barn", edge.barn > 0 ? number(edge.barn) : json()},
                     {"withheld", text(edge.withheld)}});
  }
  json ratios = json::array();
  for (const ElementRatio& ratio : made.ratios) {
    ratios.push_back({{"atoms_of", ratio.above},
                      {"for_one_of", ratio.below},
                      {"value", number(ratio.value)},
                      {"sigma_by_counting", number(ratio.sigma)},
                      {"sigma_by_cross_sections", number(ratio.model)}});
  }
  return {{"plural_scattering_removed", made.plural_removed},
          {"edges", edges},
          {"ratios", ratios},
          {"withheld", text(made.withheld)}};
}

}  // namespace creel::analysis
