// Where creeld listens, unless told otherwise. The daemon and its clients share the rule:
//   1. $CREEL_SOCKET, if set and not empty;
//   2. $XDG_RUNTIME_DIR/creel/creeld.sock (XDG Base Directory Specification: per user, mode 0700,
//   local);
//   3. /run/creel/creeld.sock for root;
//   4. $XDG_STATE_HOME/creel/creeld.sock, or ~/.local/state/creel/creeld.sock: the user's own,
//   where there is
//      no runtime directory (a cron job, a plain su). Never /tmp: anybody could take the name there
//      first.
#pragma once

#include <sys/types.h>

#include <functional>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/base/result.h"

namespace creel::rpc {

/// Environment variable -> its value; nothing when unset.
using Environment = std::function<std::optional<std::string>(const char* name)>;

/// The rule above. refused when none applies (no home directory); invalid_request when the path is
/// not absolute or too long for a socket.
Result<std::string> socket_path(const Environment& environment, uid_t user);
/// For this process.
Result<std::string> default_socket_path();

/// invalid_request unless `path` fits a Unix socket address (107 bytes on Linux, unix(7)).
Result<void> check_socket_path(std::string_view path);

}  // namespace creel::rpc
