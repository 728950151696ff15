// A blocking client of creeld over its Unix socket: for the command line and for tests.
//
// One thread. Notifications that arrive while an answer is awaited are kept, in order, for
// wait_notification().
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "protocol/base/result.h"
#include "protocol/base/units.h"
#include "protocol/rpc/message.h"

namespace creel::rpc {

constexpr Duration kCallTimeout = seconds(10);
constexpr std::size_t kMaxKeptNotifications = 100'000;

class Client {
 public:
  /// refused when no creeld listens there (with what to do), or it may not be reached, or somebody
  /// else (neither this user nor root) answers; invalid_request for an impossible path.
  static Result<Client> connect(const std::string& path);
  ~Client();
  Client(Client&& other) noexcept;
  Client& operator=(Client&& other) noexcept;
  Client(const Client&) = delete;
  Client& operator=(const Client&) = delete;

  /// Calls and waits for the answer: its result, or the error as creeld gave it. timed_out when
  /// none came in time (the call may still be carried out); device_lost when creeld went away;
  /// corrupt when it sent nonsense. After device_lost or corrupt the connection is of no more use.
  Result<nlohmann::json> call(std::string_view method,
                              const nlohmann::json& params = nlohmann::json::object(),
                              Duration timeout = kCallTimeout);
  /// The next notification, waiting for one if need be; timed_out when none came. Errors as for
  /// call().
  Result<Notification> wait_notification(Duration timeout);

  /// For poll() beside other descriptors; readable does not promise a whole message.
  [[nodiscard]] int descriptor() const { return socket_; }

 private:
  using Deadline = std::chrono::steady_clock::time_point;

  Client(int socket, std::string path) : socket_(socket), path_(std::move(path)) {}
  Result<void> send(std::string_view line, Deadline deadline);
  Result<std::string> read_line(Deadline deadline);
  Result<std::variant<Notification, Response>> receive(Deadline deadline);
  Result<void> wait_for(short events, Deadline deadline) const;
  [[nodiscard]] Error why_gone();
  [[nodiscard]] Error gone(const std::string& how) const;

  int socket_ = -1;
  std::string path_;
  std::int64_t last_id_ = 0;
  std::string buffer_;        ///< received, not yet taken
  std::size_t searched_ = 0;  ///< no LF in the buffer before here
  std::string farewell_;      ///< why creeld said it would end the connection
  std::deque<Notification> kept_;
};

}  // namespace creel::rpc
