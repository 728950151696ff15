// The timeline of a recap: events and records in order, repeated things together. Inside
// client/report only.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <span>
#include <string>
#include <vector>

#include "client/report/recap.h"
#include "protocol/session/reader.h"

namespace creel::report {

struct Timeline {
  std::vector<Moment> moments;  ///< in order of beginning
  std::int64_t began_ns = 0, last_ns = 0;
  std::string outcome, reason;  ///< of the last event "ended"; "" = there is none
  std::string holding;          ///< why it holds, if the last thing said of it is a hold
  std::string not_closed;       ///< the last alarm, if no exposure, hold or end came after it
};

/// `series` and `rig` are the session's documents, parsed; null where that failed.
Timeline timeline_of(const session::Reader& reader, const session::EventLog& log,
                     const nlohmann::json& series, const nlohmann::json& rig, bool all);

}  // namespace creel::report
