// Least squares, as every calibration needs it.
#pragma once

#include <functional>
#include <span>
#include <vector>

#include "protocol/base/result.h"

namespace creel::calibration {

/// Parameters, their covariance, and how well they fit.
struct Fit {
  std::vector<double> value;
  std::vector<std::vector<double>> covariance;
  double chi2 = 0;
  std::size_t freedom = 0;  ///< observations - parameters
  [[nodiscard]] double sigma(std::size_t parameter) const;
};

/// y = sum over j of value[j] slopes[i][j], weights 1/sigma^2, all sigma > 0 (A. C. Aitken, Proc.
/// R. Soc. Edinburgh 55, 42 (1935)). refused: fewer observations than parameters, or parameters
/// that the observations cannot tell apart.
Result<Fit> fit_linear(const std::vector<std::vector<double>>& slopes, std::span<const double> y,
                       std::span<const double> sigma);

/// What model() gives for one observation: its value and its derivative by each parameter.
struct Modelled {
  double value = 0;
  std::vector<double> slopes;
};
/// Least squares of a model that is not linear, by damped Gauss-Newton steps (K. Levenberg, Quart.
/// Appl. Math. 2, 164 (1944)), from `start`. refused as above, and when it does not settle.
using Model = std::function<Modelled(std::size_t observation, std::span<const double> parameters)>;
Result<Fit> fit_model(const Model& model, std::span<const double> y, std::span<const double> sigma,
                      std::vector<double> start);

/// The extra relative scatter s, >= 0, for which observations with variance known[i] + (s
/// level[i])^2 have chi2 = freedom. `chi2_of` fits with the sigmas that it is given. For a source
/// whose current flickers by an unknown amount beside counting noise (R. C. Paule, J. Mandel, J.
/// Res. Natl. Bur. Stand. 87, 377 (1982)).
Result<double> extra_scatter(
    std::span<const double> known_variance, std::span<const double> level,
    const std::function<Result<Fit>(std::span<const double> sigma)>& fit_with);

/// Their sigmas: sqrt(known[i] + (s level[i])^2).
std::vector<double> widened(std::span<const double> known_variance, std::span<const double> level,
                            double scatter);

}  // namespace creel::calibration
