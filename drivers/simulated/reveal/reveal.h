// What was true in a session that was recorded on a simulated rig: for training and for tests of
// the evaluation, after the fact. The evaluation and the daemon never link this folder.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"

namespace creel::simulated {

/// Of one specimen, at zero dose.
struct Hidden {
  std::string specimen;       ///< "film", or the name of what is mounted
  double fe3_fraction = 0;    ///< Fe(III) / total Fe, 0..1
  double critical_dose = 0;   ///< e/angstrom^2: Fe(III) falls as exp(-dose / critical dose)
  double t_over_lambda = 0;   ///< thickness in inelastic mean free paths
  double mass_loss = 0;       ///< part of carbon, oxygen and thickness lost in the end
  double mass_loss_dose = 0;  ///< e/angstrom^2
};

struct RevealedArea {
  std::string area;              ///< grid/name, its key in the ledger
  double x_um = 0, y_um = 0;     ///< stage, as the series says; 0 where it says nothing
  std::optional<Hidden> hidden;  ///< nothing = vacuum
};

struct Revealed {
  std::string rig, series;
  std::uint64_t seed = 0;
  double high_tension_kv = 0;
  std::vector<RevealedArea> areas;  ///< in the order of the series
};

/// The truth of a recorded session from its two documents, verbatim as they were recorded. Pure;
/// any thread. refused when the frames did not come from the simulated detector: nobody knows the
/// truth of a real specimen, and a replay's truth is in the session that it replays.
/// invalid_request when a document cannot be read.
Result<Revealed> reveal(std::string_view rig_text, std::string_view series_text);

/// For a person: one paragraph, one line an area.
std::string text_of(const Revealed& revealed);
/// {"rig", "series", "seed", "areas": [{"area", "position_um": {"x", "y"}, "specimen": name or
/// null, "fe3_fraction", "critical_dose_e_per_a2", "t_over_lambda", "mass_loss",
/// "mass_loss_dose_e_per_a2"}]}; the numbers are absent in vacuum.
nlohmann::json json_of(const Revealed& revealed);

}  // namespace creel::simulated
