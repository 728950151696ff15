#include "protocol/host/channel.h"

#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

#include "protocol/host/messages.h"

namespace creel::host {
namespace {

constexpr std::size_t kControlBytes = CMSG_SPACE(sizeof(int) * kMostDescriptors);

void attach(msghdr& header, void* control, std::span<const int> descriptors) {
  header.msg_control = control;
  header.msg_controllen = CMSG_SPACE(descriptors.size_bytes());
  cmsghdr* rights = CMSG_FIRSTHDR(&header);
  rights->cmsg_level = SOL_SOCKET;
  rights->cmsg_type = SCM_RIGHTS;
  rights->cmsg_len = CMSG_LEN(descriptors.size_bytes());
  std::memcpy(CMSG_DATA(rights), descriptors.data(), descriptors.size_bytes());
}

std::vector<Descriptor> detach(msghdr& header, std::size_t most) {
  std::vector<Descriptor> kept;
  for (cmsghdr* part = CMSG_FIRSTHDR(&header); part != nullptr; part = CMSG_NXTHDR(&header, part)) {
    if (part->cmsg_level != SOL_SOCKET || part->cmsg_type != SCM_RIGHTS) {
      continue;
    }
    const std::size_t count = (part->cmsg_len - CMSG_LEN(0)) / sizeof(int);
    for (std::size_t i = 0; i < count; ++i) {
      int fd = -1;
      std::memcpy(&fd, CMSG_DATA(part) + i * sizeof fd, sizeof fd);
      Descriptor owned(fd);
      if (kept.size() < most) {
        kept.push_back(std::move(owned));
      }
    }
  }
  return kept;
}

}  // namespace

Descriptor::~Descriptor() {
  if (fd_ >= 0) {
    ::close(fd_);
  }
}

Result<bool> send_message(int socket, std::string_view text, std::span<const int> descriptors) {
  if (text.empty() || text.size() > kMaxMessageBytes || descriptors.size() > kMostDescriptors) {
    return Error{ErrorCode::invalid_request, "a message of " + std::to_string(text.size()) +
                                                 " bytes; 1 to " +
                                                 std::to_string(kMaxMessageBytes) + " are allowed"};
  }
  iovec part{const_cast<char*>(text.data()), text.size()};  // sendmsg does not write to it
  msghdr header{};
  header.msg_iov = &part;
  header.msg_iovlen = 1;
  alignas(cmsghdr) char control[kControlBytes] = {};
  if (!descriptors.empty()) {
    attach(header, control, descriptors);
  }
  ssize_t sent = -1;
  do {
    sent = ::sendmsg(socket, &header, MSG_DONTWAIT | MSG_NOSIGNAL);
  } while (sent < 0 && errno == EINTR);
  if (sent < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
    return false;
  }
  if (sent < 0) {
    return Error{ErrorCode::device_lost,
                 std::string("the other side is gone (") + std::strerror(errno) + ")"};
  }
  return true;
}

Received receive_message(int socket, std::size_t most_descriptors) {
  Received result;
  result.text.resize(kMaxMessageBytes + 1);
  iovec part{result.text.data(), result.text.size()};
  msghdr header{};
  header.msg_iov = &part;
  header.msg_iovlen = 1;
  alignas(cmsghdr) char control[kControlBytes] = {};
  if (most_descriptors > 0) {  // without room for them the kernel closes what was sent
    header.msg_control = control;
    header.msg_controllen = sizeof control;
  }
  ssize_t got = -1;
  do {
    got = ::recvmsg(socket, &header, MSG_DONTWAIT | MSG_CMSG_CLOEXEC);
  } while (got < 0 && errno == EINTR);
  if (got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
    result.text.clear();
    return result;
  }
  result.text.resize(static_cast<std::size_t>(std::max<ssize_t>(got, 0)));
  if (got <= 0) {  // an empty datagram is not a message of ours: the same as hanging up
    result.kind = Received::Kind::hung_up;
    return result;
  }
  result.kind = Received::Kind::message;
  result.descriptors = detach(header, most_descriptors);
  return result;
}

}  // namespace creel::host
