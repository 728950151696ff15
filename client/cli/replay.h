// creel replay: makes a rig and a series of a recorded session, so that an unchanged creeld runs
// the recorded night again.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "client/cli/answer.h"
#include "client/cli/commands.h"
#include "protocol/base/result.h"
#include "protocol/session/reader.h"

namespace creel::cli {

struct ReplayOptions {
  std::string session;  ///< path of a session: NAME.h5, or a folder that no creeld writes any more
  std::string out;      ///< directory for the files; made when it is not there
  double speed = 1;     ///< 1 to 1000 times real time: 1 = the recorded timing
  bool fast = false;    ///< accelerated clock instead
};

/// Writes OUT/NAME.rig.json and OUT/NAME.series.json (the series verbatim) and says which two
/// commands run them. Refuses a damaged session, one that is running, and to write over files.
Answer replay(const Common& common, const ReplayOptions& options);

/// The rig document of a replay: the recorded rig with every device replaced by its recording at
/// `path` (absolute). corrupt when the recorded rig is not one.
Result<std::string> replay_rig(const session::Documents& recorded, const std::string& path,
                               const ReplayOptions& options);

}  // namespace creel::cli
