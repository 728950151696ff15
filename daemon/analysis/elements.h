// Ratios of elements by their core-loss edges:  N_a / N_b = (I_a / sigma_a) / (I_b / sigma_b),  I
// the net counts of an edge in a window behind its onset, sigma the cross section of the same
// losses (cross_sections.h). R. F. Egerton, Electron Energy-Loss Spectroscopy in the Electron
// Microscope, 3rd ed., Springer 2011, sec. 4.5.
//
// Windows. K edges: background from 70 to 8 eV before the onset, signal from 5 eV before it (a
// chemical shift loses nothing) to 100 eV behind it, or to 10 eV before the next edge. L2,3:
// the windows of the white lines (white_lines.h), signal behind the lines, because cross sections
// of free atoms hold no lines. An edge whose background window holds another edge of the specimen,
// or begins less than 30 eV behind one, is withheld.
#pragma once

#include <string>
#include <vector>

#include "daemon/analysis/edge.h"
#include "daemon/losses/conditions.h"

namespace creel::analysis {

struct ElementEdge {
  std::string element, shell;  ///< "K" or "L2,3"
  double onset_ev = 0;         ///< xraylib 4.0: solids, not free molecules
  Window background, signal;
  double net = 0, sigma = 0;  ///< counts
  double h = 1;               ///< by how much the fit multiplies the background's noise
  double exponent = 0;        ///< of the background
  double barn = 0;            ///< cross section of the signal's losses; 0 = not told
  std::string withheld;       ///< why there are no counts; "" = there are
};

struct ElementRatio {
  std::string above, below;  ///< elements; atoms of the one for one of the other
  double value = 0;
  double sigma = 0;  ///< by counting
  double model = 0;  ///< one standard deviation by the cross sections; not in `sigma`
};

struct Elements {
  bool plural_removed = false;  ///< else plural scattering is still in the counts
  std::vector<ElementEdge> edges;
  std::vector<ElementRatio> ratios;
  std::string withheld;  ///< why there are no ratios; "" = there are
};

/// @param edge    the session's edge as measured for the white lines: its sum, axis and noise.
/// @param single  of the same session.
/// C N O by K, Ti V Cr Mn Fe Co Ni Cu by L2,3, of those that the series names and the axis holds.
Elements measure_elements(const SessionSpectra& session, const EdgeMeasurement& edge,
                          const SingleScattering& single, const Conditions& conditions);

}  // namespace creel::analysis
