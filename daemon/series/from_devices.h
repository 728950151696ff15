// What devices answer, as numbers. What a host sends is untrusted: everything is looked at before
// it is used.
#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/guards/guard.h"
#include "daemon/series/frame_queue.h"
#include "daemon/store/session.h"
#include "daemon/supervisor/device_host.h"
#include "protocol/base/result.h"

namespace creel {

/// The frame shape in a detector's answer to "arm"; invalid_request for one that cannot be.
Result<store::FrameShape> shape_from(const nlohmann::json& armed);

/// What is wrong with a block as the host delivered it, when it cannot be frames of this shape:
/// then nothing more can be believed of the host. Clears the places of a list of events that hold
/// none, whatever the driver left there.
std::optional<std::string> fault_of(const store::FrameShape& shape, FrameBlock& block);

/// Adds the valid readings of one gauge, each under the name of its channel.
void add_readings(const DeviceHost& gauge, const nlohmann::json& readings,
                  std::vector<Reading>& into);

/// Sum over all pixels of a block, or its events.
double counts_of(const store::FrameShape& shape, const FrameBlock& block);

}  // namespace creel
