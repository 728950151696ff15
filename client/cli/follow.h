// Watches what creeld does.
#pragma once

#include <string>

#include "client/cli/commands.h"
#include "client/cli/link.h"

namespace creel::cli {

/// Prints events and progress on a link that already called events.follow. With `until_end` until
/// the session `session` (any session when "") is closed: done when it was completed, no when it
/// ended otherwise. Ends with `interrupted` on SIGINT or SIGTERM; the series goes on.
Answer watch(Link& link, const Common& common, const std::string& session, bool until_end);

}  // namespace creel::cli
