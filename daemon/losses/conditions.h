// What a series says of specimen and microscope and no device reports: what thickness in nanometres
// and cross sections need. Nothing means "unknown", and is never filled in.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace creel::analysis {

struct Conditions {
  std::optional<double> high_tension_ev;  ///< kinetic energy E0 of the electrons, eV
  std::optional<double> collection_rad;   ///< semi-angle
  std::optional<double> convergence_rad;  ///< semi-angle
  std::optional<double> density_g_per_cm3;
  std::vector<std::string> elements;          ///< of the specimen
  std::map<std::string, double> composition;  ///< atoms by element, any scale; empty = unknown
};

}  // namespace creel::analysis
