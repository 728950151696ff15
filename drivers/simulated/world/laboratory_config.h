// The "world" object in the config of simulated devices. All devices of one rig must have the same.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>

#include "drivers/kit/config.h"
#include "sim/world.h"

namespace creel::simulated {

/// Reads "world" from a device's config: fields named as in sim/source.h and sim/specimen.h, the
/// latter within "world": {"specimen": {...}}; all have defaults. A range is two fields,
/// "fe3_fraction_least" and "fe3_fraction_most". "valence" is a list of {"energy_ev", "width_ev",
/// "strength"}. Further specimens on the same holder, for instance end-member standards:
///   "mounted": [{"name": "fe2-standard", "from_um": 520, "until_um": 560, "specimen": {...}}, ...]
/// at ranges of stage x beyond the film that do not overlap. Throws Failure.
sim::Laboratory read_laboratory(kit::Config& config);
/// The same number for the same world.
std::uint64_t fingerprint(const nlohmann::json& config);

}  // namespace creel::simulated
