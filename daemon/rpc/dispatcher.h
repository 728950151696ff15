// JSON-RPC 2.0, server side, without any I/O: lines in, calls to handlers, lines out.
//
// The OpenRPC description says which methods there are and what parameters each takes; the
// dispatcher checks every call against it, so a handler sees only declared parameters of the
// declared types and ranges, by name. The requests of a batch are started in their order; each is
// answered when its handler replies, the batch when all have. A notification is carried out and
// never answered, not even with an error.
//
// Control thread only. No exception leaves it: one thrown by a handler becomes an internal error.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/rpc/connection.h"
#include "daemon/rpc/parameters.h"
#include "protocol/base/result.h"
#include "protocol/rpc/message.h"

namespace creel::rpc {

/// Answers a call, now or later; the first reply counts, further ones are dropped. May be copied,
/// and dropped without a reply, which the peer then gets to know as an internal error.
using Reply = std::function<void(Result<nlohmann::json> result)>;

struct Call {
  nlohmann::json params;                   ///< object; only declared members
  std::shared_ptr<Connection> connection;  ///< to notify this peer alone
};
using Handler = std::function<void(const Call& call, Reply reply)>;
/// For a method that can answer at once.
using PromptHandler = std::function<Result<nlohmann::json>(const Call& call)>;

class Dispatcher {
 public:
  /// From the text of an OpenRPC document. internal says what is wrong with it. If it describes
  /// rpc.discover, that method is served.
  static Result<std::unique_ptr<Dispatcher>> make(std::string_view openrpc);

  /// Serves a described method. An undescribed name, or a second handler, stops the process: a
  /// fault of the program.
  void add(std::string_view method, Handler handler);
  void add_prompt(std::string_view method, PromptHandler handler);
  /// A method without parameters that makes the caller a follower of `topic`, see publish().
  void add_subscription(std::string_view method, std::string topic);
  /// Described and not yet served: must be empty before the daemon listens.
  [[nodiscard]] std::vector<std::string> unserved() const;

  /// Deals with one line (its LF taken off) from a peer that nobody vouches for.
  void handle(std::string_view line, const std::shared_ptr<Connection>& connection);

  /// Peers get events from join() until leave() or close().
  void join(const std::shared_ptr<Connection>& connection);
  void leave(const std::shared_ptr<Connection>& connection);
  /// Sends the notification `topic` to every joined peer that follows it.
  void publish(const std::string& topic, const nlohmann::json& params);

 private:
  struct Method {
    Parameters parameters;
    Handler handler;
  };

  Dispatcher() = default;
  Result<void> describe(std::string_view openrpc);
  void start(const Request& request, const std::shared_ptr<Connection>& connection,
             const std::shared_ptr<Answers>& answers);

  nlohmann::json openrpc_;
  std::map<std::string, Method, std::less<>> methods_;
  std::vector<std::weak_ptr<Connection>> joined_;
};

}  // namespace creel::rpc
