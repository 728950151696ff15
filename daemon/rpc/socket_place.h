// The place of a daemon's Unix socket in the file system: a directory that nobody else can write
// to, a lock that only one daemon holds, and no socket left over from an earlier one.
#pragma once

#include <functional>
#include <string>

#include "protocol/base/result.h"

namespace creel::rpc {

/// Held as long as the daemon listens there. One thread.
class SocketPlace {
 public:
  /// Makes missing directories with mode 0700, takes the lock PATH.lock (the file stays; it is
  /// empty), and removes a left-over socket. refused when others may write to the directory, when
  /// another daemon has the lock or answers, or when something that is no socket has the name;
  /// nothing is removed then. `log` gets one sentence when a left-over socket was removed.
  static Result<SocketPlace> take(const std::string& path,
                                  const std::function<void(const std::string&)>& log);
  ~SocketPlace();
  SocketPlace(SocketPlace&& other) noexcept;
  SocketPlace& operator=(SocketPlace&& other) noexcept;
  SocketPlace(const SocketPlace&) = delete;
  SocketPlace& operator=(const SocketPlace&) = delete;

  [[nodiscard]] const std::string& path() const { return path_; }
  /// After bind() and before listen(): mode 0600; from now on the destructor removes the socket.
  Result<void> restrict_socket();

 private:
  SocketPlace(std::string path, int lock) : path_(std::move(path)), lock_(lock) {}
  std::string path_;
  int lock_ = -1;
  bool bound_ = false;
};

}  // namespace creel::rpc
