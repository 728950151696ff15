// Finishes a session that no daemon finishes: takes it up, proves its frames, folds it into one
// file and verifies that. Reading a session never needs this.
#pragma once

#include <cstdint>
#include <functional>
#include <nlohmann/json.hpp>
#include <string>

#include "daemon/seams/disk.h"
#include "daemon/store/session.h"
#include "protocol/base/result.h"

namespace creel {

struct Recovered {
  std::string path;        ///< of the file that holds everything now
  nlohmann::json summary;  ///< as it stands in that file
  nlohmann::json report;   ///< of verify, on that file
};

/// Told the step ("fold", "verify") and frames done of all.
using RecoverProgress =
    std::function<void(const char* step, std::uint64_t done, std::uint64_t total)>;

/// `path` is DIR/NAME (or DIR/NAME/whole.h5). Shutters and the dose ledger are not touched: what a
/// crash left unsettled there the next daemon charges. `now_utc_ns` goes into the summary.
/// `progress` may be empty. invalid_request when there is no unfinished session; refused when a
/// creeld has it; corrupt when frames that counted are damaged: then the folder stays as it is.
Result<Recovered> recover_session(Disk& disk, const std::string& path, std::int64_t now_utc_ns,
                                  const RecoverProgress& progress,
                                  const store::Background& background = {});

}  // namespace creel
