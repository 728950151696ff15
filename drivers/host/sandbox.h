// What a driver's process may touch. Everything that the rig does not grant is denied, so that a
// fault in a vendor's library stays its own: it cannot run programs, reach the network, write
// files, or reach into the daemon. The order is part of the protection:
//   one thread -> enter_sandbox (no_new_privs, Landlock, first filter) -> load the plugin, open the
//   device
//   -> seal_sandbox (second filter, on all threads that the plugin may have started).
// Denied calls fail with EPERM or EACCES; nothing is killed.
//
// Both parts are the kernel's: Landlock since Linux 5.13, growing since (Debian 12 has its second
// version), seccomp with libseccomp. What is missing becomes a warning for the session's log, not a
// refusal to run.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "protocol/base/result.h"

namespace creel::host {

/// The "sandbox" object of the "open" call.
struct Grants {
  bool off = false;  ///< for debugging a driver: no sandbox at all
  bool network = false;
  bool usb = false;
  bool tty = false;
  std::vector<std::string> read_paths;   ///< files or directories
  std::vector<std::string> write_paths;  ///< files or device nodes
};

/// invalid_request names the key that is wrong; an unknown key is refused, as it may be a mistyped
/// grant.
Result<Grants> parse_grants(const nlohmann::json& sandbox);

/// First half, while the process has one thread. Cannot be undone. Returns warnings for the log.
std::vector<std::string> enter_sandbox(const Grants& grants, const std::string& plugin_path);

/// Second half, after the device is open: no file may be opened for writing (unless write_paths,
/// usb or tty grant some) nor any name on the disk changed. Sockets of granted families stay
/// possible, for reconnecting.
std::vector<std::string> seal_sandbox(const Grants& grants);

}  // namespace creel::host
