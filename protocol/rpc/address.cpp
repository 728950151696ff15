#include "protocol/rpc/address.h"

#include <sys/un.h>
#include <unistd.h>

#include <cstdlib>

namespace creel::rpc {
namespace {

std::optional<std::string> non_empty(const Environment& environment, const char* name) {
  auto value = environment(name);
  return value && !value->empty() ? value : std::nullopt;
}

Result<std::string> choose(const Environment& environment, uid_t user) {
  if (auto path = non_empty(environment, "CREEL_SOCKET")) return *path;
  const std::string name = "/creel/creeld.sock";
  if (auto runtime = non_empty(environment, "XDG_RUNTIME_DIR")) return *runtime + name;
  if (user == 0) return "/run" + name;
  if (auto state = non_empty(environment, "XDG_STATE_HOME")) return *state + name;
  if (auto home = non_empty(environment, "HOME")) return *home + "/.local/state" + name;
  return Error{ErrorCode::refused,
               "no place for creeld's socket: none of CREEL_SOCKET, XDG_RUNTIME_DIR, "
               "XDG_STATE_HOME and HOME "
               "is set; set CREEL_SOCKET to a path in a directory of your own"};
}

}  // namespace

Result<std::string> socket_path(const Environment& environment, uid_t user) {
  auto path = choose(environment, user);
  if (!path.ok()) return path;
  if (path->front() != '/') {
    return Error{ErrorCode::invalid_request,
                 "the path of creeld's socket must begin with '/'; it is '" + *path +
                     "' (CREEL_SOCKET, XDG_RUNTIME_DIR, XDG_STATE_HOME or HOME)"};
  }
  CREEL_TRY(check_socket_path(*path));
  return path;
}

Result<std::string> default_socket_path() {
  const auto environment = [](const char* name) -> std::optional<std::string> {
    const char* value =
        std::getenv(name);  // NOLINT(concurrency-mt-unsafe): nobody sets variables here
    return value == nullptr ? std::nullopt : std::optional<std::string>(value);
  };
  return socket_path(environment, geteuid());
}

Result<void> check_socket_path(std::string_view path) {
  constexpr std::size_t kRoom = sizeof(sockaddr_un::sun_path) - 1;
  if (path.empty())
    return Error{ErrorCode::invalid_request, "the path of creeld's socket is empty"};
  if (path.size() <= kRoom) return {};
  return Error{ErrorCode::invalid_request, "the socket's path has " + std::to_string(path.size()) +
                                               " bytes, at most " + std::to_string(kRoom) +
                                               " are possible: " + std::string(path) +
                                               "; set CREEL_SOCKET to a shorter one"};
}

}  // namespace creel::rpc
