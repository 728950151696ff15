// What an evaluation measures beside the white lines, as JSON. The rules of evaluation_json.h hold.
#pragma once

#include <nlohmann/json.hpp>

#include "daemon/analysis/elements.h"
#include "daemon/losses/low_loss.h"

namespace creel::analysis {

/// @param with_spectra  false leaves the single losses and their fits out.
nlohmann::json to_json(const LowLoss& low_loss, bool with_spectra);
nlohmann::json to_json(const Elements& elements);

}  // namespace creel::analysis
