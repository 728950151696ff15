// What devices answer, as numbers. What a host sends is untrusted: everything is looked at before
// it is used.
#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <span>
#include <vector>

#include "daemon/guards/guard.h"
#include "daemon/store/session.h"
#include "daemon/supervisor/device_host.h"
#include "protocol/base/result.h"

namespace creel {

/// The frame shape in a detector's answer to "arm"; invalid_request for one that cannot be.
Result<store::FrameShape> shape_from(const nlohmann::json& armed);
bool same_shape(const store::FrameShape& a, const store::FrameShape& b);

/// Adds the valid readings of one gauge, each under the name of its channel.
void add_readings(const DeviceHost& gauge, const nlohmann::json& readings,
                  std::vector<Reading>& into);

/// Sum over all pixels of one frame.
double counts_of(const store::FrameShape& shape, std::span<const std::byte> bytes);

}  // namespace creel
