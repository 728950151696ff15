#include "client/report/beside_lines.h"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "protocol/base/text.h"

namespace creel::report {

namespace {

using Lines = std::vector<analysis::CalibrationLine>;

/// A result that does not stand out is no exception: its line says why.
void add_withheld(Lines& lines, const std::string& what, const std::string& why) {
  lines.push_back({what, "withheld", why});
}

void add_thickness(Lines& lines, const std::string& what, const analysis::ThicknessBy& by) {
  if (!by.withheld.empty()) {
    add_withheld(lines, what, by.withheld);
    return;
  }
  const double part = by.relative_uncertainty;
  lines.push_back({what, number(by.thickness_nm, 3) + " nm +- " + number(100 * part) + " %",
                   number((1 - part) * by.thickness_nm, 3) + " to " +
                       number((1 + part) * by.thickness_nm, 3) + " nm; mean free path " +
                       number(by.mean_free_path_nm, 4) + " nm " + by.source});
}

void add_plasmon(Lines& lines, const analysis::LowLoss& low_loss) {
  if (!low_loss.plasmon) {
    add_withheld(lines, "plasmon", low_loss.plasmon_withheld);
    return;
  }
  const analysis::Plasmon& plasmon = *low_loss.plasmon;
  const std::string free = low_loss.free_electron_ev
                               ? "free valence electrons would have theirs at " +
                                     number(*low_loss.free_electron_ev, 3) + " eV"
                               : "where free valence electrons would have theirs is withheld: " +
                                     low_loss.free_electron_withheld;
  lines.push_back({"plasmon",
                   with_error(plasmon.energy_ev.value, plasmon.energy_ev.sigma) + " eV, width " +
                       with_error(plasmon.width_ev.value, plasmon.width_ev.sigma) + " eV",
                   "one oscillator fitted from " + number(plasmon.from_ev, 3) + " to " +
                       number(plasmon.to_ev, 3) + " eV, misfit " + number(plasmon.misfit, 2) +
                       (plasmon.angular_factor ? "" : ", without the angular factor") + "; " +
                       free});
}

void add_m_edge(Lines& lines, const analysis::LowLoss& low_loss) {
  if (!low_loss.m_edge) {
    add_withheld(lines, "M2,3 edge", low_loss.m_edge_withheld);
    return;
  }
  const analysis::ShallowEdge& edge = *low_loss.m_edge;
  const std::string before = edge.before ? "a second bump " +
                                               with_error(edge.before->value, edge.before->sigma) +
                                               " eV before the maximum"
                                         : "one bump";
  lines.push_back({edge.element + " M2,3",
                   "maximum " + with_error(edge.maximum_ev.value, edge.maximum_ev.sigma) +
                       " eV, onset " + with_error(edge.onset_ev.value, edge.onset_ev.sigma) + " eV",
                   before + "; " + number(edge.significance, 3) +
                       " standard deviations above the plasmon's tail, fitted from " +
                       number(edge.from_ev, 3) + " to " + number(edge.to_ev, 3) +
                       " eV; tabulated binding energy " + number(edge.tabulated_ev, 3) + " eV"});
}

}  // namespace

std::string with_error(double value, double sigma) {
  if (!std::isfinite(sigma) || sigma <= 0) {
    return number(value);
  }
  const int decimals = std::max(0, 1 - static_cast<int>(std::floor(std::log10(sigma))));
  char text[80];
  std::snprintf(text, sizeof text, "%.*f +- %.*f", decimals, value, decimals, sigma);
  return text;
}

Lines low_loss_lines(const analysis::LowLoss& low_loss) {
  Lines lines;
  if (!low_loss.withheld.empty()) {
    add_withheld(lines, "low loss", low_loss.withheld);
    return lines;
  }
  add_thickness(lines, "thickness from the atomic number", low_loss.by_number);
  add_thickness(lines, "thickness from the density", low_loss.by_density);
  add_plasmon(lines, low_loss);
  add_m_edge(lines, low_loss);
  return lines;
}

Lines element_lines(const analysis::Elements& elements) {
  Lines lines;
  for (const analysis::ElementRatio& ratio : elements.ratios) {
    lines.push_back({"atoms of " + ratio.above + " for one of " + ratio.below,
                     with_error(ratio.value, ratio.sigma),
                     "by counting; the cross sections leave +- " + number(ratio.model, 2) +
                         " more, which no counting removes"});
  }
  if (!elements.withheld.empty()) {
    add_withheld(lines, "ratio of elements", elements.withheld);
  }
  for (const analysis::ElementEdge& edge : elements.edges) {
    const std::string what = edge.element + " " + edge.shell;
    if (!edge.withheld.empty()) {
      add_withheld(lines, what, edge.withheld);
      continue;
    }
    lines.push_back({what, with_error(edge.net, edge.sigma) + " counts",
                     number(edge.signal.from_ev) + " to " + number(edge.signal.to_ev) +
                         " eV over a background from " + number(edge.background.from_ev) + " to " +
                         number(edge.background.to_ev) + " eV (h " + number(edge.h, 3) + "), " +
                         number(edge.barn, 4) + " barn" +
                         (elements.plural_removed ? "" : "; plural scattering still in it")});
  }
  return lines;
}

}  // namespace creel::report
