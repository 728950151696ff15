// The connection of one command to creeld.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "client/cli/answer.h"
#include "protocol/base/result.h"
#include "protocol/rpc/client.h"

namespace creel::cli {

class Link {
 public:
  /// `socket`: path, or "" for the rule of protocol/rpc/address.h.
  static Result<Link> open(const std::string& socket);

  Result<nlohmann::json> call(const std::string& method,
                              const nlohmann::json& params = nlohmann::json::object(),
                              Duration limit = rpc::kCallTimeout);
  Result<rpc::Notification> next(Duration limit) { return client_.wait_notification(limit); }
  /// Whether creeld has closed the connection (or is gone).
  [[nodiscard]] bool gone() const;
  /// The exit code for an error of call() or next(): no_daemon when creeld is gone.
  [[nodiscard]] Exit exit_for(const Error& error) const;

 private:
  explicit Link(rpc::Client client) : client_(std::move(client)) {}
  rpc::Client client_;
};

/// The answer when open() failed.
Answer unreachable(const std::string& what, const Error& error);

/// Opens a link, makes one call and turns what goes wrong into an answer; the result otherwise.
struct Called {
  nlohmann::json result;
  std::optional<Answer> failed;
};
Called call_once(const std::string& what, const std::string& socket, const std::string& method,
                 const nlohmann::json& params = nlohmann::json::object(),
                 Duration limit = rpc::kCallTimeout);

}  // namespace creel::cli
