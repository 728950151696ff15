// The session whose typed settings are offered again.
#pragma once

#include <cstdint>
#include <string>

#include "client/cli/commands.h"
#include "protocol/base/result.h"
#include "protocol/series/series.h"

namespace creel::cli {

struct LastSession {
  std::string name, rig;
  std::string sessions;  ///< the folder of sessions
  std::int64_t began_utc_ns = 0;
  Series series;
};
/// The newest closed session of creeld's rig, calibrations left out. refused: there is none, or
/// creeld cannot be reached.
Result<LastSession> last_session(const Common& common);

}  // namespace creel::cli
