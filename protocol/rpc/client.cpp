#include "protocol/rpc/client.h"

#include <fcntl.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <system_error>
#include <utility>
#include <variant>

#include "protocol/rpc/address.h"

namespace creel::rpc {
namespace {

using nlohmann::json;
using std::chrono::steady_clock;

constexpr std::size_t kMaxAnswerBytes = 64U << 20;

std::string reason(int error) {
  return std::generic_category().message(error);
}

Error cannot_connect(const std::string& path, int error) {
  switch (error) {
    case ENOENT:
      return {ErrorCode::refused,
              "creeld is not running: there is no socket " + path +
                  "; start creeld, or set CREEL_SOCKET to the socket of the one that runs"};
    case ECONNREFUSED:
      return {ErrorCode::refused, "creeld is not running: the socket " + path +
                                      " is left over from one that has ended; start creeld"};
    case EACCES:
    case EPERM:
      return {ErrorCode::refused, "no permission to reach creeld at " + path +
                                      ": only the user that started it and root may"};
    case EAGAIN:
      return {ErrorCode::refused,
              "creeld at " + path + " takes no more connections: it is busy or hangs"};
    default:
      return {ErrorCode::refused, "cannot reach creeld at " + path + ": " + reason(error)};
  }
}

/// Another user could have put a socket of his own in the place.
Result<void> check_server(int socket, const std::string& path) {
  ucred peer{};
  socklen_t size = sizeof peer;
  if (getsockopt(socket, SOL_SOCKET, SO_PEERCRED, &peer, &size) != 0) {
    return cannot_connect(path, errno);
  }
  if (peer.uid == 0 || peer.uid == geteuid() || geteuid() == 0) return {};
  return Error{ErrorCode::refused, "the socket " + path + " is served by user " +
                                       std::to_string(peer.uid) +
                                       ", neither you nor root; nothing was sent"};
}

steady_clock::time_point deadline_after(Duration timeout) {
  const auto span =
      std::chrono::nanoseconds(std::clamp<std::int64_t>(timeout.value, 0, INT64_MAX / 4));
  return steady_clock::now() + span;
}

}  // namespace

Result<Client> Client::connect(const std::string& path) {
  CREEL_TRY(check_socket_path(path));
  const int socket = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (socket < 0) return cannot_connect(path, errno);
  Client client(socket, path);
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  std::memcpy(address.sun_path, path.data(), path.size());
  if (::connect(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
    return cannot_connect(path, errno);
  }
  CREEL_TRY(check_server(socket, path));
  return client;
}

Client::~Client() {
  if (socket_ >= 0) ::close(socket_);
}

Client::Client(Client&& other) noexcept {
  *this = std::move(other);
}

Client& Client::operator=(Client&& other) noexcept {
  std::swap(socket_, other.socket_);
  path_ = std::move(other.path_);
  last_id_ = other.last_id_;
  buffer_ = std::move(other.buffer_);
  searched_ = other.searched_;
  farewell_ = std::move(other.farewell_);
  kept_ = std::move(other.kept_);
  return *this;
}

Result<json> Client::call(std::string_view method, const json& params, Duration timeout) {
  const auto deadline = deadline_after(timeout);
  const std::int64_t id = ++last_id_;
  const auto sent = send(request_line(id, method, params), deadline);
  if (!sent.ok()) return sent.error().code == ErrorCode::device_lost ? why_gone() : sent.error();
  while (true) {
    auto message = receive(deadline);
    if (!message.ok()) {
      return message.error().code == ErrorCode::timed_out
                 ? message.error().during("creeld did not answer " + std::string(method))
                 : message.error();
    }
    if (auto* notification = std::get_if<Notification>(&*message)) {
      if (kept_.size() >= kMaxKeptNotifications) {
        return Error{ErrorCode::refused,
                     "more notifications came than can be kept: take them with "
                     "wait_notification()"};
      }
      kept_.push_back(std::move(*notification));
      continue;
    }
    auto& response = std::get<Response>(*message);
    // A null id answers something that creeld could not read: only this call can be meant. Any
    // other id is that of an earlier call that had timed out.
    if (response.id == id || response.id.is_null()) return std::move(response.result);
  }
}

Result<Notification> Client::wait_notification(Duration timeout) {
  const auto deadline = deadline_after(timeout);
  while (kept_.empty()) {
    auto message = receive(deadline);
    if (!message.ok()) return message.error();
    if (auto* notification = std::get_if<Notification>(&*message))
      kept_.push_back(std::move(*notification));
  }
  Notification first = std::move(kept_.front());
  kept_.pop_front();
  return first;
}

Result<std::variant<Notification, Response>> Client::receive(Deadline deadline) {
  while (true) {
    auto line = read_line(deadline);
    if (!line.ok()) return line.error();
    if (is_blank(*line)) continue;
    auto message = parse_from_server(*line);
    if (!message.ok()) return message.error();
    const auto* notification = std::get_if<Notification>(&*message);
    if (notification == nullptr || notification->method != "goodbye") return message;
    const json reason_given =
        notification->params.is_object() ? notification->params.value("reason", json()) : json();
    if (reason_given.is_string()) farewell_ = reason_given;
  }
}

Result<std::string> Client::read_line(Deadline deadline) {
  while (true) {
    const std::size_t end = buffer_.find('\n', searched_);
    if (end != std::string::npos) {
      std::string line = buffer_.substr(0, end);
      buffer_.erase(0, end + 1);
      searched_ = 0;
      return line;
    }
    searched_ = buffer_.size();
    if (buffer_.size() > kMaxAnswerBytes) {
      return Error{ErrorCode::corrupt, "creeld sent a line of more than 64 MiB"};
    }
    std::array<char, 65536> chunk{};
    const ssize_t got = ::recv(socket_, chunk.data(), chunk.size(), 0);
    if (got > 0) {
      buffer_.append(chunk.data(), static_cast<std::size_t>(got));
    } else if (got == 0) {
      return gone("");
    } else if (errno == EAGAIN || errno == EWOULDBLOCK) {
      CREEL_TRY(wait_for(POLLIN, deadline));
    } else if (errno != EINTR) {
      return gone(reason(errno));
    }
  }
}

Result<void> Client::send(std::string_view line, Deadline deadline) {
  const std::size_t whole = line.size();
  while (!line.empty()) {
    const ssize_t sent = ::send(socket_, line.data(), line.size(), MSG_NOSIGNAL);
    if (sent >= 0) {
      line.remove_prefix(static_cast<std::size_t>(sent));
    } else if (errno == EAGAIN || errno == EWOULDBLOCK) {
      const auto writable = wait_for(POLLOUT, deadline);
      if (writable.ok()) continue;
      if (line.size() < whole)
        ::shutdown(socket_, SHUT_RDWR);  // half a line: nothing may follow it
      return writable.error().during("creeld does not take requests");
    } else if (errno != EINTR) {
      return gone(reason(errno));
    }
  }
  return {};
}

Result<void> Client::wait_for(short events, Deadline deadline) const {
  while (true) {
    const auto left =
        std::chrono::ceil<std::chrono::milliseconds>(deadline - steady_clock::now()).count();
    pollfd wanted{socket_, events, 0};
    const int ready =
        ::poll(&wanted, 1, static_cast<int>(std::clamp<std::int64_t>(left, 0, 3'600'000)));
    if (ready > 0) return {};
    if (ready < 0 && errno != EINTR) return gone(reason(errno));
    if (ready == 0 && left <= 0) return Error{ErrorCode::timed_out, "nothing came in time"};
  }
}

/// When sending met a closed connection: the reason may be among what came before.
Error Client::why_gone() {
  while (true) {
    auto message = receive(steady_clock::now());
    if (!message.ok()) return gone("");
    if (auto* notification = std::get_if<Notification>(&*message)) {
      kept_.push_back(std::move(*notification));
      continue;
    }
    const auto& response = std::get<Response>(*message);
    if (response.id.is_null() && !response.result.ok()) return response.result.error();
  }
}

Error Client::gone(const std::string& how) const {
  std::string text = "creeld ended the connection";
  if (!farewell_.empty()) {
    text += ": " + farewell_;
  } else if (!how.empty()) {
    text += " (" + how + ")";
  }
  return {ErrorCode::device_lost, std::move(text)};
}

}  // namespace creel::rpc
