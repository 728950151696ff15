// How messages and descriptors travel between the daemon and a host: SOCK_SEQPACKET on AF_UNIX, one
// datagram a message, descriptors as SCM_RIGHTS. Both ends use this; nothing here interprets a
// message.
#pragma once

#include <cstddef>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "protocol/base/result.h"

namespace creel::host {

/// Most descriptors that one message may carry ("ring" carries three).
constexpr std::size_t kMostDescriptors = 4;

/// Owns one file descriptor and closes it; -1 is none.
class Descriptor {
 public:
  Descriptor() = default;
  explicit Descriptor(int fd) : fd_(fd) {}
  Descriptor(Descriptor&& other) noexcept : fd_(other.release()) {}
  Descriptor& operator=(Descriptor&& other) noexcept {
    std::swap(fd_, other.fd_);
    return *this;
  }
  ~Descriptor();
  [[nodiscard]] int get() const { return fd_; }
  explicit operator bool() const { return fd_ >= 0; }
  /// Gives the descriptor up without closing it.
  int release() { return std::exchange(fd_, -1); }

 private:
  int fd_ = -1;
};

/// Sends one message without waiting and without SIGPIPE. True when it is on its way, false when
/// the other side has not made room (nothing was sent: try later). device_lost when the other side
/// is gone, invalid_request when the message is empty or over kMaxMessageBytes. Any thread.
Result<bool> send_message(int socket, std::string_view text, std::span<const int> descriptors = {});

struct Received {
  enum class Kind { message, nothing_yet, hung_up };
  Kind kind = Kind::nothing_yet;
  std::string text;  ///< longer than kMaxMessageBytes: cut to kMaxMessageBytes + 1
  std::vector<Descriptor>
      descriptors;  ///< close-on-exec; only what receive_message was told to take
};

/// Takes one message if there is one; never waits. Descriptors beyond `most_descriptors` are closed
/// unseen, so a peer cannot fill this process's table. Never fails: an error of the socket is a
/// hang-up.
Received receive_message(int socket, std::size_t most_descriptors);

}  // namespace creel::host
