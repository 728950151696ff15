#include "daemon/spectra/edges.h"

#include <array>

namespace creel::analysis {

namespace {

constexpr double kReach_ev = 25;

constexpr std::array<Edge, 14> kEdges = {{{"Sc", "L3", 398.7},
                                          {"Ti", "L3", 453.8},
                                          {"V", "L3", 512.1},
                                          {"Cr", "L3", 574.1},
                                          {"Mn", "L3", 638.7},
                                          {"Fe", "L3", 706.8},
                                          {"Co", "L3", 778.1},
                                          {"Ni", "L3", 852.7},
                                          {"Cu", "L3", 932.7},
                                          {"B", "K", 188.0},
                                          {"C", "K", 284.2},
                                          {"N", "K", 409.9},
                                          {"O", "K", 543.1},
                                          {"F", "K", 696.7}}};

}  // namespace

std::optional<Edge> main_edge(std::string_view element) {
  for (const Edge& edge : kEdges) {
    if (edge.element == element) {
      return edge;
    }
  }
  return std::nullopt;
}

std::optional<Edge> edge_to_show(const std::vector<std::string>& elements, double first_ev,
                                 double last_ev) {
  std::optional<Edge> best;
  for (const std::string& element : elements) {
    const auto edge = main_edge(element);
    if (!edge || edge->onset_ev - kReach_ev < first_ev || edge->onset_ev + kReach_ev > last_ev) {
      continue;
    }
    if (edge->shell == "L3") {
      return edge;
    }
    best = best ? best : edge;
  }
  return best;
}

}  // namespace creel::analysis
