// The oxidation state at zero dose, from three white-line areas at several doses and two end
// members.
//
// Each metal atom is in one of two states, so the areas of a mixture are those of the end members,
// each per atom (per height h of the steps, which counts atoms), in proportion:
//
//   A_i = H [ (1 - x) p_i / h_p  +  x q_i / h_q ],    i = L3 below the split, L3 above it, L2
//
// x, the part of atoms in the high state, is read from how the areas stand to each other; their
// common size H is free in each dose group, so neither thickness, nor loss of mass, nor intensity
// enters. Damage takes atoms from the high to the low state, first order in dose:
//
//   x(D) = x0 <exp(-k D)>       mean over the exposures of a group and over the beam's profile
//
// x0, k, all H, and the eight numbers of the references are fitted together by generalised least
// squares (A. C. Aitken, Proc. R. Soc. Edinburgh 55, 42 (1935)) to the measured areas and to the
// references' measured numbers, with the whole covariance. Neither x0 nor k is bounded: bounds
// would make the error bar a lie near them. An error of the dose scale changes k, not x0.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "daemon/analysis/damage_law.h"
#include "daemon/analysis/white_lines.h"
#include "daemon/analysis/zero_dose.h"
#include "protocol/base/result.h"

namespace creel::analysis {

/// A row-major square matrix.
struct Covariance {
  std::size_t size = 0;
  std::vector<double> values;
  Covariance() = default;
  explicit Covariance(std::size_t n) : size(n), values(n * n, 0.0) {}
  double& at(std::size_t i, std::size_t j) { return values[i * size + j]; }
  [[nodiscard]] double at(std::size_t i, std::size_t j) const { return values[i * size + j]; }
};

using LineAreas = std::array<double, kLines>;
using EdgeNumbers = std::array<double, kQuantities>;

struct OxidationData {
  std::vector<LineAreas> areas;                  ///< by dose group
  std::vector<std::vector<DoseInterval>> doses;  ///< of each group, not empty
  EdgeNumbers low{}, high{};                     ///< references: areas and step height
  Covariance covariance;  ///< of (areas of group 0, of group 1, ..., low, high), in this order
  BeamProfile profile = BeamProfile::flat;
};

struct OxidationFit : ZeroDose {
  std::vector<double> height;  ///< H by group
  EdgeNumbers low{}, high{};   ///< as fitted
  /// x of each group by itself, H and x free, references as fitted; NaN where it cannot be told.
  std::vector<double> x_of_group, sigma_x_of_group;
};

/// Whether anything can come of these data. refused, with the reason, rather than a number that
/// means nothing: end members that do not differ by five standard deviations, end members the wrong
/// way round (in the high state the L3 line lies higher, by its chemical shift), too few counts
/// (five standard deviations). invalid_request: sizes or values that cannot be.
Result<void> check_oxidation(const OxidationData& data);

/// As check_oxidation; refused also where the error of x0 is above 0.5.
Result<OxidationFit> fit_oxidation(const OxidationData& data);

}  // namespace creel::analysis
