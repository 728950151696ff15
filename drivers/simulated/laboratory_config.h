// The "world" object in the config of simulated devices. All devices of one rig must have the same.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>

#include "drivers/kit/config.h"
#include "sim/world.h"

namespace creel::simulated {

/// Reads "world" from a device's config: fields named as in sim/source.h and sim/specimen.h, the
/// latter within "world": {"specimen": {...}}; all have defaults. Throws Failure.
sim::Laboratory read_laboratory(kit::Config& config);
/// The same number for the same world.
std::uint64_t fingerprint(const nlohmann::json& config);

}  // namespace creel::simulated
