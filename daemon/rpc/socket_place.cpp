#include "daemon/rpc/socket_place.h"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <system_error>
#include <utility>

#include "protocol/rpc/address.h"

namespace creel::rpc {
namespace {

Error refused(std::string text) {
  return {ErrorCode::refused, std::move(text)};
}
std::string reason(int error) {
  return std::generic_category().message(error);
}

std::string directory_of(const std::string& path) {
  const auto slash = path.rfind('/');
  if (slash == std::string::npos) return ".";
  return slash == 0 ? "/" : path.substr(0, slash);
}

Result<void> make_directory(const std::string& path) {
  struct stat found {};
  if (::stat(path.c_str(), &found) == 0) return {};
  if (errno != ENOENT) return refused("cannot look at " + path + ": " + reason(errno));
  CREEL_TRY(make_directory(directory_of(path)));
  if (::mkdir(path.c_str(), 0700) != 0 && errno != EEXIST) {
    return refused("cannot make the directory " + path + ": " + reason(errno));
  }
  return {};
}

Result<void> check_directory(const std::string& path) {
  struct stat found {};
  if (::stat(path.c_str(), &found) != 0)
    return refused("cannot look at " + path + ": " + reason(errno));
  if (!S_ISDIR(found.st_mode)) return refused(path + " is not a directory");
  const bool own = found.st_uid == ::geteuid() || found.st_uid == 0;
  if (own && (found.st_mode & (S_IWGRP | S_IWOTH)) == 0) return {};
  return refused(
      "the socket's directory " + path +
      " may be written to by other users, who could put their own socket there; use a directory "
      "of mode 0700 that belongs to the user of creeld (CREEL_SOCKET chooses it)");
}

Result<int> take_lock(const std::string& path) {
  const std::string lock_path = path + ".lock";
  const int lock = ::open(lock_path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
  if (lock < 0) return refused("cannot open " + lock_path + ": " + reason(errno));
  if (::flock(lock, LOCK_EX | LOCK_NB) == 0) return lock;
  const int error = errno;
  ::close(lock);
  if (error == EWOULDBLOCK) {
    return refused("another creeld serves " + path +
                   " already; end it first, or set CREEL_SOCKET to another path");
  }
  return refused("cannot lock " + lock_path + ": " + reason(error));
}

/// 0 when somebody answers at `path`, else the reason why not.
int try_connect(const std::string& path) {
  const int probe = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (probe < 0) return errno;
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  std::memcpy(address.sun_path, path.data(), path.size());
  const int result = ::connect(probe, reinterpret_cast<const sockaddr*>(&address), sizeof address);
  const int error = result == 0 ? 0 : errno;
  ::close(probe);
  return error;
}

Result<void> remove_left_over(const std::string& path,
                              const std::function<void(const std::string&)>& log) {
  struct stat found {};
  if (::lstat(path.c_str(), &found) != 0) {
    if (errno == ENOENT) return {};
    return refused("cannot look at " + path + ": " + reason(errno));
  }
  if (!S_ISSOCK(found.st_mode)) {
    return refused(path +
                   " exists and is not a socket; it was not touched: move it, or set CREEL_SOCKET");
  }
  const int error = try_connect(path);
  if (error != ECONNREFUSED) {
    return refused("another program answers at " + path +
                   (error == 0 ? "" : " (" + reason(error) + ")") +
                   "; end it first, or set CREEL_SOCKET to another path");
  }
  if (::unlink(path.c_str()) != 0) {
    return refused("cannot remove the left-over socket " + path + ": " + reason(errno));
  }
  log("removed the socket " + path + ", left over from a creeld that had not ended in order");
  return {};
}

}  // namespace

Result<SocketPlace> SocketPlace::take(const std::string& path,
                                      const std::function<void(const std::string&)>& log) {
  CREEL_TRY(check_socket_path(path));
  CREEL_TRY(make_directory(directory_of(path)));
  CREEL_TRY(check_directory(directory_of(path)));
  const auto lock = take_lock(path);
  if (!lock.ok()) return lock.error();
  SocketPlace place(path, *lock);
  CREEL_TRY(remove_left_over(path, log));
  return place;
}

SocketPlace::~SocketPlace() {
  if (bound_) ::unlink(path_.c_str());
  if (lock_ >= 0)
    ::close(lock_);  // the lock file stays: removing it would race with the next daemon
}

SocketPlace::SocketPlace(SocketPlace&& other) noexcept {
  *this = std::move(other);
}

SocketPlace& SocketPlace::operator=(SocketPlace&& other) noexcept {
  std::swap(path_, other.path_);
  std::swap(lock_, other.lock_);
  std::swap(bound_, other.bound_);
  return *this;
}

Result<void> SocketPlace::restrict_socket() {
  bound_ = true;
  if (::chmod(path_.c_str(), 0600) == 0) return {};
  return refused("cannot set the mode of " + path_ + ": " + reason(errno));
}

}  // namespace creel::rpc
