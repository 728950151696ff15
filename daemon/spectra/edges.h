// Where the main core-loss edge of an element lies, to choose what a figure shows. Not for
// evaluation: chemical shifts are of the order of electronvolts, and only a measured reference
// tells them.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace creel::analysis {

struct Edge {
  std::string_view element;
  std::string_view shell;  ///< "K", "L3"
  double onset_ev = 0;     ///< binding energy of the shell's electrons, eV
  /// "Fe L3" for labels.
  [[nodiscard]] std::string name() const { return std::string(element) + " " + std::string(shell); }
};

/// The edge to look at: L3 for the 3d metals (white lines), K for C, N, O, F. Nothing for other
/// elements. Source: binding energies of the elements in their natural forms, X-Ray Data Booklet
/// (A. Thompson et al., Lawrence Berkeley National Laboratory, LBNL/PUB-490, 3rd ed. 2009), table
/// 1-1.
std::optional<Edge> main_edge(std::string_view element);

/// The edge to show of a specimen of these elements on an axis from `first_ev` to `last_ev`: the
/// first white line there is, else the first K edge. An edge counts when the axis reaches from 25
/// eV before its onset to 25 eV after it.
std::optional<Edge> edge_to_show(const std::vector<std::string>& elements, double first_ev,
                                 double last_ev);

}  // namespace creel::analysis
