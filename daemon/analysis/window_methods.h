// The oxidation state by windows, as it is usually told: a number from two windows of the edge,
// compared with the same number of the end members. Shown beside the component fit, never averaged
// with it: they weigh the same counts differently, and where they disagree something is wrong with
// the references, the background or the axis.
//
// All are ratios of two linear functionals of the edge, q = N1/N2 (background and plural scattering
// removed). Both functionals mix linearly in atoms, so with those of the end members over the
// height of their continuum (atoms), A and B:
//
//   q = ((1 - x) A1 + x B1) / ((1 - x) A2 + x B2),    x = (A1 - q A2) / ((A1 - q A2) - (B1 - q B2))
//
// Mixed spectra being linear sums of end members: P. A. van Aken, B. Liebscher, V. J. Styrsa, Phys.
// Chem. Minerals 25, 323 (1998).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "daemon/analysis/components.h"

namespace creel::analysis {

/// I(L3)/I(L2) = 1 / (a x^2 + b x + c) - 1 of two 2-eV windows: form of van Aken, Liebscher, Styrsa
/// (1998). The coefficients belong to windows, resolution and instrument: whoever uses them takes
/// them from the paper or a calibration of their own. There is no default.
struct CurveCoefficients {
  double a = 0, b = 0, c = 0;
  double sigma_a = 0, sigma_b = 0, sigma_c = 0;
};
/// x of a ratio by the curve, between 0 and 1. refused: the curve has no such ratio.
Result<double> x_by_curve(const CurveCoefficients& curve, double ratio);

struct MethodAnswer {
  std::string name;
  std::string source;                    ///< where it was published
  std::string windows;                   ///< for people
  std::string limits;                    ///< what it is known to be bad at
  std::string quantity;                  ///< what `value` is, with its unit
  double value = 0, sigma = 0;           ///< of the specimen, mean over its exposures
  double low_value = 0, high_value = 0;  ///< of the end members; NaN without
  double x = 0, sigma_x = 0;    ///< part in the high state, mean over the exposures; NaN: withheld
  double x0 = 0, sigma_x0 = 0;  ///< brought to zero dose by the damage rate of the component fit
  std::string withheld;         ///< why there is no x
};

struct MethodsInput {
  MeasuredSession specimen;
  std::optional<MeasuredSession> low, high;
  std::optional<CurveCoefficients> curve;
  double mean_survival = 1;  ///< mean of s(D) over the specimen's exposures, by their counts
};

/// White-line ratio by two steps; by the double arctangent; two 2-eV windows (iron alone); position
/// of L3. Never fails: what cannot be told is withheld.
std::vector<MethodAnswer> window_methods(const MethodsInput& input,
                                         const WhiteLineWindows& windows);

}  // namespace creel::analysis
