// What an evaluation measures beside the white lines, as lines for a person.
#pragma once

#include <string>
#include <vector>

#include "daemon/analysis/elements.h"
#include "daemon/losses/low_loss.h"
#include "daemon/spectra/series_calibration.h"

namespace creel::report {

/// Value and error with as many decimals as two digits of the error need.
std::string with_error(double value, double sigma);

/// Thickness by both formulas, plasmon, M2,3. What is withheld stands there with its reason.
std::vector<analysis::CalibrationLine> low_loss_lines(const analysis::LowLoss& low_loss);

/// Ratios of elements with both their errors, and each edge with its windows.
std::vector<analysis::CalibrationLine> element_lines(const analysis::Elements& elements);

}  // namespace creel::report
