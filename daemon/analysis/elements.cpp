#include "daemon/analysis/elements.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <optional>

#include "daemon/losses/cross_sections.h"
#include "protocol/base/text.h"

namespace creel::analysis {

namespace {

constexpr double kClear = 3;  // standard deviations of an edge that takes part in a ratio
constexpr double kLeastSignal_ev = 30;
constexpr double kFadedAfter_ev = 30;  // fine structure of an edge before, by common practice

struct Known {
  std::string_view element;
  int z;
  bool k_shell;
  double onset_ev;  // xraylib 4.0; L3 of the metals as in white_lines.h and Henke's table
};
constexpr std::array<Known, 11> kKnown = {{{"C", 6, true, 283.8},
                                           {"N", 7, true, 401.6},
                                           {"O", 8, true, 532.0},
                                           {"Ti", 22, false, 453.8},
                                           {"V", 23, false, 512.1},
                                           {"Cr", 24, false, 574.1},
                                           {"Mn", 25, false, 638.7},
                                           {"Fe", 26, false, 706.8},
                                           {"Co", 27, false, 778.1},
                                           {"Ni", 28, false, 852.7},
                                           {"Cu", 29, false, 932.7}}};

/// Those of the specimen, by onset.
std::vector<Known> edges_of(const Conditions& conditions) {
  std::vector<Known> found;
  for (const Known& one : kKnown) {
    if (std::find(conditions.elements.begin(), conditions.elements.end(), one.element) !=
        conditions.elements.end()) {
      found.push_back(one);
    }
  }
  std::sort(found.begin(), found.end(),
            [](const Known& a, const Known& b) { return a.onset_ev < b.onset_ev; });
  return found;
}

ElementEdge planned(const Known& one, const std::vector<Known>& all) {
  ElementEdge edge;
  edge.element = one.element;
  edge.shell = one.k_shell ? "K" : "L2,3";
  edge.onset_ev = one.onset_ev;
  if (!one.k_shell) {
    // As white_lines.h has them, also for the metals whose lines it does not know.
    edge.background = {one.onset_ev - 66.8, one.onset_ev - 6.8};
    edge.signal = {one.onset_ev + 51.85, one.onset_ev + 101.85};
  } else {
    edge.background = {one.onset_ev - 70, one.onset_ev - 8};
    edge.signal = {one.onset_ev - 5, one.onset_ev + 100};
  }
  for (const Known& other : all) {
    if (other.onset_ev > one.onset_ev) {
      edge.signal.to_ev = std::min(edge.signal.to_ev, other.onset_ev - 10);
    }
    if (other.onset_ev < one.onset_ev &&
        other.onset_ev + kFadedAfter_ev > edge.background.from_ev) {
      edge.withheld = "its background window, from " + number(edge.background.from_ev) +
                      " eV, lies on the edge of " + std::string(other.element) + " at " +
                      number(other.onset_ev) + " eV";
    }
  }
  if (edge.withheld.empty() && edge.signal.to_ev - edge.signal.from_ev < kLeastSignal_ev) {
    edge.withheld = "the next edge leaves it less than " + number(kLeastSignal_ev) + " eV";
  }
  return edge;
}

/// Net counts and their error; into `withheld` why there are none.
void measure(const SessionSpectra& session, const EdgeMeasurement& sum,
             const SingleScattering& single, ElementEdge& edge) {
  const Grid& grid = sum.grid;
  const double margin = 3 * grid.dispersion_ev;
  if (edge.background.from_ev < grid.first_ev + margin || edge.signal.to_ev > grid.end() - margin) {
    edge.withheld = "the axis, " + number(grid.first_ev) + " to " + number(grid.end()) +
                    " eV, does not hold " + number(edge.background.from_ev) + " to " +
                    number(edge.signal.to_ev) + " eV";
    return;
  }
  const double slope = sum.noise.slope[0];
  const double constant =
      slope > 0 ? static_cast<double>(sum.frames) * sum.noise.dark_variance / slope : 0.0;
  const auto fit = fit_background(sum.sum, grid, edge.background, constant);
  if (!fit) {
    edge.withheld = fit.error().text;
    return;
  }
  EdgeMeasurement own = sum;
  own.background = *fit;
  own.background_until_ev = edge.background.to_ev;
  const std::vector<double> keep = overlap(grid, {edge.background.to_ev, grid.end()});
  const std::vector<double> below = fit->on(grid);
  std::vector<double> net(grid.channels);
  for (std::size_t c = 0; c < net.size(); ++c) {
    net[c] = keep[c] * (sum.sum[c] - below[c]);
  }
  net = single.apply(net);
  const std::vector<std::vector<double>> window = {overlap(grid, edge.signal)};
  edge.net = std::inner_product(net.begin(), net.end(), window.front().begin(), 0.0);
  const CarriedNoise noise = noise_of_functionals(session, own, single, window);
  edge.sigma = std::sqrt(noise.own(0, 0) + shared_noise(session, noise, 0, session, noise, 0));
  edge.h = fit->h(grid, edge.signal);
  edge.exponent = fit->exponent;
}

/// Why there is no cross section; "" = there is.
std::string cross_section(const Known& one, const Conditions& of, ElementEdge& edge) {
  if (!of.high_tension_ev || !of.collection_rad) {
    return "the series does not say " + std::string(of.high_tension_ev
                                                        ? "microscope.collection_semi_angle_mrad"
                                                        : "microscope.high_tension_kv");
  }
  if (of.convergence_rad && *of.convergence_rad > 0.5 * *of.collection_rad) {
    return "the cross sections know no convergence, and " + number(1e3 * *of.convergence_rad) +
           " mrad are more than half of the collection";
  }
  if (one.k_shell) {
    edge.barn =
        k_shell_barn(one.z, one.onset_ev, edge.signal, *of.high_tension_ev, *of.collection_rad);
    return "";
  }
  const auto barn = l_shell_barn(one.element, edge.signal, *of.high_tension_ev, *of.collection_rad);
  if (!barn) {
    return barn.error().text;
  }
  edge.barn = *barn;
  return "";
}

bool clear(const ElementEdge& edge) {
  return edge.withheld.empty() && edge.barn > 0 && edge.net > kClear * edge.sigma;
}

ElementRatio ratio_of(const ElementEdge& above, const ElementEdge& below) {
  ElementRatio made{above.element, below.element, 0, 0, 0};
  made.value = above.net / above.barn / (below.net / below.barn);
  made.sigma = made.value * std::hypot(above.sigma / above.net, below.sigma / below.net);
  const bool both_k = above.shell == "K" && below.shell == "K";
  made.model =
      made.value * (both_k ? kKRatioUncertainty : std::hypot(kModelUncertainty, kModelUncertainty));
  return made;
}

}  // namespace

Elements measure_elements(const SessionSpectra& session, const EdgeMeasurement& edge,
                          const SingleScattering& single, const Conditions& conditions) {
  Elements made;
  made.plural_removed = !session.low_loss.empty() && session.zero_loss.has_value();
  const std::vector<Known> all = edges_of(conditions);
  std::vector<const ElementEdge*> told;
  made.edges.reserve(all.size());
  for (const Known& one : all) {
    made.edges.push_back(planned(one, all));
    ElementEdge& own = made.edges.back();
    if (own.withheld.empty()) {
      measure(session, edge, single, own);
    }
    if (own.withheld.empty()) {
      const std::string why = cross_section(one, conditions, own);
      made.withheld = why.empty() ? made.withheld : why;
    }
    if (clear(own)) {
      told.push_back(&own);
    }
  }
  for (std::size_t i = 0; i < told.size(); ++i) {
    for (std::size_t j = i + 1; j < told.size(); ++j) {
      made.ratios.push_back(ratio_of(*told[j], *told[i]));
    }
  }
  if (made.ratios.empty() && made.withheld.empty()) {
    made.withheld = "fewer than two edges of the specimen's elements stand out of the noise";
  }
  return made;
}

}  // namespace creel::analysis
