#include "client/cli/link.h"

#include <poll.h>

#include "protocol/rpc/address.h"

namespace creel::cli {

Result<Link> Link::open(const std::string& socket) {
  std::string path = socket;
  if (path.empty()) {
    auto found = rpc::default_socket_path();
    if (!found.ok()) {
      return found.error();
    }
    path = *found;
  }
  auto client = rpc::Client::connect(path);
  if (!client.ok()) {
    return client.error();
  }
  return Link(std::move(*client));
}

Result<nlohmann::json> Link::call(const std::string& method, const nlohmann::json& params,
                                  Duration limit) {
  return client_.call(method, params, limit);
}

bool Link::gone() const {
  pollfd watched{client_.descriptor(), POLLIN | POLLRDHUP, 0};
  return ::poll(&watched, 1, 0) > 0 &&
         (watched.revents & (POLLHUP | POLLRDHUP | POLLERR | POLLNVAL)) != 0;
}

Exit Link::exit_for(const Error& error) const {
  return error.code == ErrorCode::device_lost && gone() ? Exit::no_daemon : exit_of(error.code);
}

Answer unreachable(const std::string& what, const Error& error) {
  return failure(what, error.code == ErrorCode::invalid_request ? Exit::wrong : Exit::no_daemon,
                 error);
}

Called call_once(const std::string& what, const std::string& socket, const std::string& method,
                 const nlohmann::json& params, Duration limit) {
  auto link = Link::open(socket);
  if (!link.ok()) {
    return {{}, unreachable(what, link.error())};
  }
  auto result = link->call(method, params, limit);
  if (!result.ok()) {
    return {{}, failure(what, link->exit_for(result.error()), result.error())};
  }
  return {std::move(*result), std::nullopt};
}

}  // namespace creel::cli
