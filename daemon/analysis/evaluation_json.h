// An evaluation as JSON, for `creel evaluate --json`, reports and other programs.
//
// Every number carries its unit in its name (_ev, _counts, _e_per_a2); pure ratios carry none. What
// could not be told is null, and a sentence beside it says why (ratio_withheld,
// oxidation_withheld).
#pragma once

#include <nlohmann/json.hpp>

#include "daemon/analysis/evaluate.h"

namespace creel::analysis {

/// @param with_spectra  false leaves the spectra out (sum, background, edge, fit, ...).
nlohmann::json to_json(const Evaluation& evaluation, bool with_spectra = true);

}  // namespace creel::analysis
