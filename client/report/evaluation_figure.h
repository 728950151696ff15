// The figures of an evaluation as gnuplot scripts. Pure: numbers in, text out.
#pragma once

#include <string>
#include <string_view>

#include "client/report/drawing.h"
#include "daemon/analysis/comparison.h"
#include "daemon/analysis/evaluate.h"

namespace creel::report {

/// Around the edge: the sum with its background; the edge with the two steps, the line windows and
/// the references' mixture; what remains, in standard deviations. The last two only where the
/// evaluation has them.
std::string edge_figure(const analysis::Evaluation& evaluation, std::string_view title,
                        Format format, std::string_view output);

/// Two edges on each other, and what remains in standard deviations of a channel. `a` and `b` are
/// their names.
std::string comparison_figure(const analysis::Comparison& comparison, const std::string& a,
                              const std::string& b, Format format, std::string_view output);

/// Against dose: the white-line ratio, and the part of the metal in the high state with the fitted
/// damage and its value at zero dose.
std::string dose_figure(const analysis::Evaluation& evaluation, std::string_view title,
                        Format format, std::string_view output);

}  // namespace creel::report
