#include "daemon/losses/atoms.h"

#include <algorithm>
#include <array>

namespace creel::analysis {

namespace {

constexpr std::array<Atom, 27> kAtoms = {
    {{"H", 1, 1.008, 1},     {"Li", 3, 6.94, 1},     {"Be", 4, 9.0122, 2},  {"B", 5, 10.81, 3},
     {"C", 6, 12.011, 4},    {"N", 7, 14.007, 5},    {"O", 8, 15.999, 6},   {"F", 9, 18.998, 7},
     {"Na", 11, 22.990, 1},  {"Mg", 12, 24.305, 2},  {"Al", 13, 26.982, 3}, {"Si", 14, 28.085, 4},
     {"P", 15, 30.974, 5},   {"S", 16, 32.06, 6},    {"Cl", 17, 35.45, 7},  {"K", 19, 39.098, 1},
     {"Ca", 20, 40.078, 2},  {"Sc", 21, 44.956, 3},  {"Ti", 22, 47.867, 4}, {"V", 23, 50.942, 5},
     {"Cr", 24, 51.996, 6},  {"Mn", 25, 54.938, 7},  {"Fe", 26, 55.845, 8}, {"Co", 27, 58.933, 9},
     {"Ni", 28, 58.693, 10}, {"Cu", 29, 63.546, 11}, {"Zn", 30, 65.38, 12}}};

}  // namespace

std::optional<Atom> atom(std::string_view element) {
  const auto found = std::find_if(kAtoms.begin(), kAtoms.end(),
                                  [element](const Atom& one) { return one.element == element; });
  return found == kAtoms.end() ? std::nullopt : std::optional<Atom>(*found);
}

}  // namespace creel::analysis
