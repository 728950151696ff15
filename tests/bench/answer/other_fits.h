// The same fit of one spectrum by general-purpose libraries, to compare times and answers.
#pragma once

#include <optional>

#include "daemon/analysis/component_fit.h"

namespace creel::bench {

struct OtherFit {
  double x = 0;        ///< part in the high state
  double seconds = 0;  ///< of one fit
};

/// Ceres (S. Agarwal et al., 2.1) with automatic derivatives: x, H, ln A, r by the signed roots of
/// the Poisson deviance, dense QR. Nothing where it was not built in.
std::optional<OtherFit> ceres_fit(const analysis::ComponentData& data, int repeats);

/// scipy.optimize.least_squares (P. Virtanen et al., Nature Methods 17, 261 (2020)) on the same
/// residuals, numerical derivatives. Nothing where python3-scipy is missing.
std::optional<OtherFit> scipy_fit(const analysis::ComponentData& data, int repeats);

}  // namespace creel::bench
