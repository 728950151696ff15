// whole.h5: all that is known before frame 0, and virtual data sets that show all pieces as one.
#pragma once

#include <string>

#include "daemon/seams/disk.h"
#include "daemon/store/session.h"
#include "protocol/session/reader.h"

namespace creel::store {

/// Writes FOLDER/whole.h5; durable under its name on return. It is never written again.
Result<void> write_whole(Disk& disk, const std::string& folder, const SessionStart& start,
                         const session::PieceLayout& pieces);

}  // namespace creel::store
