// creel-host: the process around one device driver. Started by creeld, which talks to it over
// descriptor 3.
#include <fcntl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cstdio>
#include <string>
#include <string_view>

#include "drivers/host/host.h"
#include "drivers/host/plugin.h"
#include "protocol/host/messages.h"

namespace {

using namespace creel::host;

constexpr const char* kUsage =
    "creel-host: the process that holds one device of a Creel rig. creeld starts it; by hand it "
    "can only\n"
    "describe a driver:\n"
    "\n"
    "  creel-host --describe PLUGIN.so   print every call that a driver plugin fills\n"
    "  creel-host --help                 print this\n"
    "\n"
    "Software shutter control is not a personnel-safety interlock: a class 4 laser needs "
    "hard-wired\n"
    "interlocks, eyewear and a laser safety officer (IEC 60825-1, ANSI Z136.1, local rules).\n";

int describe(const std::string& path) {
  const auto plugin = load_plugin(path);
  if (!plugin.ok()) {
    std::fprintf(stderr, "creel-host: %s\n", plugin.error().text.c_str());
    return 1;
  }
  std::printf("%s %s, driver ABI %u\n", plugin->name.c_str(), plugin->version.c_str(),
              plugin->abi_major);
  bool complete = true;
  for (const Calls& calls : plugin->offers) {
    std::printf("\n%.*s\n", static_cast<int>(kind_text(calls.kind).size()),
                kind_text(calls.kind).data());
    for (const Slot& slot : slots_of(calls)) {
      const bool missing = slot.required && !slot.filled;
      const std::string name = std::string(slot.table) + "." + std::string(slot.name);
      std::printf("  %-24s %s\n", name.c_str(),
                  slot.filled ? "yes"
                  : missing   ? "MISSING (required)"
                              : "not offered");
      complete = complete && !missing;
    }
  }
  return complete ? 0 : 1;
}

// Descriptor 3 is the daemon's socket, or this was not started by it.
bool started_by_daemon() {
  int type = 0;
  socklen_t size = sizeof type;
  return ::getsockopt(kControlFd, SOL_SOCKET, SO_TYPE, &type, &size) == 0 && type == SOCK_SEQPACKET;
}

bool is_pipe(int fd) {
  struct stat status {};
  return ::fstat(fd, &status) == 0 && S_ISFIFO(status.st_mode);
}

}  // namespace

int main(int count, char** arguments) {
  const std::string_view first = count > 1 ? arguments[1] : "";
  if (first == "--describe" && count == 3) {
    return describe(arguments[2]);
  }
  if (first == "--help" && count == 2) {
    std::fputs(kUsage, stdout);
    return 0;
  }
  if (count != 1 || !started_by_daemon()) {
    std::fputs(kUsage, stderr);
    return 2;
  }
  ::umask(077);
  const bool life_line = is_pipe(kLifeLineFd);
  ::close_range((life_line ? kLifeLineFd : kControlFd) + 1, ~0U, 0);
  ::fcntl(kControlFd, F_SETFD, FD_CLOEXEC);
  ::fcntl(kLifeLineFd, F_SETFD, FD_CLOEXEC);
  Host host{Descriptor(kControlFd), Descriptor(life_line ? kLifeLineFd : -1)};
  host.run();
}
