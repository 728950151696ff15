// Least squares of a curve with few parameters, and how its parameters hang on the data, so that
// any noise can be carried into them.
#pragma once

#include <functional>
#include <span>
#include <vector>

#include "protocol/base/result.h"

namespace creel::analysis {

/// The curve at every data point for these parameters.
using Curve = std::function<std::vector<double>(std::span<const double> parameters)>;

struct CurveFit {
  std::vector<double> value;  ///< parameters
  /// Derivative of each parameter by each data point, (J^T W J)^-1 J^T W: variance = f^T C f for
  /// data of covariance C, whatever the weights were.
  std::vector<std::vector<double>> by_data;
  std::vector<double> curve;
  double misfit = 0;  ///< root of mean ((data - curve) / sigma)^2, degrees of freedom as divisor
};

/// Minimises sum ((data - curve) / sigma)^2 by Levenberg's and Marquardt's method (K. Levenberg,
/// Quart. Appl. Math. 2, 164 (1944); D. W. Marquardt, J. SIAM 11, 431 (1963)) with derivatives by
/// differences.
/// @param sigma  > 0, of each data point: the weights.
/// @param start  the parameters to begin with; @param step  for their derivatives, > 0.
/// refused: more parameters than data, no minimum found, or one that does not settle every
/// parameter.
Result<CurveFit> fit_curve(std::span<const double> data, std::span<const double> sigma,
                           const Curve& curve, std::vector<double> start,
                           std::span<const double> step);

}  // namespace creel::analysis
