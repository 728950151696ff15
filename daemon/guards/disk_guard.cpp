#include "daemon/guards/disk_guard.h"

#include "protocol/base/text.h"

namespace creel {

Verdict DiskGuard::before(const BeforeExposure& view) {
  if (!view.room || view.room->free >= view.room->needed) {
    waiting_.reset();
    return {};
  }
  return waiting_.longer(
      view.now,
      "disk guard: " + bytes_text(static_cast<double>(view.room->free)) +
          " are free on the disk of the sessions, and the next exposure may need " +
          bytes_text(static_cast<double>(view.room->needed)) +
          "; all frames so far are safe. Make room on that disk",
      {{"free_bytes", view.room->free}, {"needed_bytes", view.room->needed}});
}

}  // namespace creel
