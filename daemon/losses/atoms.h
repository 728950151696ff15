// Atoms by their symbols.
#pragma once

#include <optional>
#include <string_view>

namespace creel::analysis {

struct Atom {
  std::string_view element;
  int number = 0;      ///< Z
  double molar_g = 0;  ///< standard atomic weight, g/mol
  int valence = 0;     ///< electrons outside closed shells; of 3d metals 4s and 3d
};

/// H to Zn without noble gases; nothing for others. Source: T. Prohaska et al., Standard atomic
/// weights of the elements 2021, Pure Appl. Chem. 94, 573 (2022), abridged values.
std::optional<Atom> atom(std::string_view element);

}  // namespace creel::analysis
