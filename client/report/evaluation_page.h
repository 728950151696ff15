// The report of an evaluation: one HTML file that needs nothing else, to hand to the group.
#pragma once

#include <string>
#include <vector>

#include "client/report/evaluation_input.h"
#include "daemon/analysis/evaluate.h"
#include "daemon/spectra/series_calibration.h"

namespace creel::report {

/// What the page says besides the evaluation itself.
struct PageInput {
  const SessionInput* specimen = nullptr;
  std::vector<const SessionInput*> references;
  std::string edge_svg, dose_svg;  ///< texts of the figures, from our own scripts
  std::string results_file;        ///< name of the JSON beside the page; "" = none
};

/// The answer in a few lines for a person, as `creel evaluate` prints it: ratio, part in the high
/// state and oxidation state at zero dose, critical dose, thickness; what is withheld with its
/// reason; the systematic part; remarks.
std::string answer_text(const analysis::Evaluation& evaluation);

/// Low loss and elements, each under a heading, in as many lines.
std::string beside_text(const analysis::Evaluation& evaluation);

/// What the session says of the instrument, under a heading, in as many lines.
std::string calibration_text(const analysis::SeriesCalibration& calibration);

/// The whole page. Everything that comes from a file is escaped.
std::string evaluation_page(const analysis::Evaluation& evaluation, const PageInput& input);

}  // namespace creel::report
