// Adds up the dose of each area and compares it with what the session was told of the ledger: for
// `verify`, and for reports that tell what the dose came from. Control or client thread; reads no
// frame.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "protocol/session/reader.h"
#include "protocol/session/verify.h"

namespace creel::session {

/// `log` null = the events cannot be read. `add` is given each finding. Areas without any dose in
/// this session are left out.
std::vector<AreaDose> check_doses(const Reader& reader, const EventLog* log,
                                  const std::function<void(Finding)>& add);

}  // namespace creel::session
