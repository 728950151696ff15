// The real disk, through POSIX.
#pragma once

#include <memory>

#include "daemon/seams/disk.h"

namespace creel {

/// Locks are flock(2) on the open file, never waited for; space is set aside with
/// posix_fallocate(3), which writes where the file system cannot do it. Errors are one sentence
/// with the path and the system's reason.
std::unique_ptr<Disk> make_posix_disk();

}  // namespace creel
