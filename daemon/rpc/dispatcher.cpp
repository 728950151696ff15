#include "daemon/rpc/dispatcher.h"

#include <algorithm>
#include <exception>
#include <utility>
#include <variant>

#include "protocol/json/strict_json.h"

namespace creel::rpc {

using nlohmann::json;

Result<std::unique_ptr<Dispatcher>> Dispatcher::make(std::string_view openrpc) {
  std::unique_ptr<Dispatcher> dispatcher(new Dispatcher);
  const auto described = dispatcher->describe(openrpc);
  if (!described.ok()) return Error{ErrorCode::internal, "OpenRPC: " + described.error().text};
  return dispatcher;
}

Result<void> Dispatcher::describe(std::string_view openrpc) {
  auto document = parse_strict(openrpc, {}, "openrpc.json");
  if (!document.ok()) return document.error();
  openrpc_ = std::move(*document);
  const json methods = openrpc_.is_object() ? openrpc_.value("methods", json()) : json();
  if (!methods.is_array()) return Error{ErrorCode::internal, "there is no array \"methods\""};
  for (const json& method : methods) {
    const json name = method.is_object() ? method.value("name", json()) : json();
    if (!name.is_string()) return Error{ErrorCode::internal, "a method has no name"};
    auto parameters = Parameters::from_openrpc(method.value("params", json()));
    if (!parameters.ok()) return parameters.error().during(name.get<std::string>());
    const bool is_new = methods_.try_emplace(name, Method{std::move(*parameters), nullptr}).second;
    if (!is_new) return Error{ErrorCode::internal, name.get<std::string>() + " is described twice"};
  }
  if (methods_.count("rpc.discover") > 0) {
    add_prompt("rpc.discover", [this](const Call&) { return Result<json>(openrpc_); });
  }
  return {};
}

void Dispatcher::add(std::string_view method, Handler handler) {
  const auto found = methods_.find(method);
  CREEL_INVARIANT(found != methods_.end(),
                  "a method is described in openrpc.json before it is served");
  CREEL_INVARIANT(!found->second.handler, "a method has one handler");
  found->second.handler = std::move(handler);
}

void Dispatcher::add_prompt(std::string_view method, PromptHandler handler) {
  add(method, [handler = std::move(handler)](const Call& call, const Reply& reply) {
    reply(handler(call));
  });
}

void Dispatcher::add_subscription(std::string_view method, std::string topic) {
  add_prompt(method, [topic = std::move(topic)](const Call& call) {
    call.connection->subscribe(topic);
    return Result<json>(json{{"following", true}});
  });
}

std::vector<std::string> Dispatcher::unserved() const {
  std::vector<std::string> names;
  for (const auto& [name, method] : methods_) {
    if (!method.handler) names.push_back(name);
  }
  return names;
}

void Dispatcher::handle(std::string_view line, const std::shared_ptr<Connection>& connection) {
  if (is_blank(line)) return;
  const Incoming incoming = parse_requests(line);
  const auto answers = std::make_shared<Answers>(connection, incoming.batch);
  for (const auto& item : incoming.items) {
    if (const auto* request = std::get_if<Request>(&item)) {
      start(*request, connection, answers);
    } else {
      const auto& malformed = std::get<Malformed>(item);
      answers->expect();
      answers->add(make_response(malformed.id, malformed.fault));
    }
  }
  answers->seal();
}

void Dispatcher::start(const Request& request, const std::shared_ptr<Connection>& connection,
                       const std::shared_ptr<Answers>& answers) {
  const bool too_many = connection->pending() >= kMaxPendingCalls;
  const auto pending = std::make_shared<PendingCall>(connection, answers, request);
  if (too_many) {
    return pending->fail(
        make_fault(kTooLarge, std::to_string(kMaxPendingCalls) +
                                  " calls of this connection wait for their answers; "
                                  "wait for some before calling again"));
  }
  const auto method = methods_.find(request.method);
  if (method == methods_.end() || !method->second.handler) {
    return pending->fail(make_fault(
        kMethodNotFound,
        "there is no method '" + request.method.substr(0, 100) + "'; rpc.discover lists them"));
  }
  auto params = method->second.parameters.check(request.params);
  if (!params.ok()) {
    return pending->fail(make_fault(kInvalidParams, request.method + ": " + params.error().text));
  }
  try {
    method->second.handler({std::move(*params), connection},
                           [pending](Result<json> result) { pending->reply(std::move(result)); });
  } catch (const std::exception& fault) {
    pending->fail(make_fault(kInternalError, request.method + ": " + fault.what()));
  }
}

void Dispatcher::join(const std::shared_ptr<Connection>& connection) {
  joined_.push_back(connection);
}

void Dispatcher::leave(const std::shared_ptr<Connection>& connection) {
  joined_.erase(std::remove_if(joined_.begin(), joined_.end(),
                               [&](const auto& peer) {
                                 const auto other = peer.lock();
                                 return !other || other == connection;
                               }),
                joined_.end());
}

void Dispatcher::publish(const std::string& topic, const json& params) {
  std::shared_ptr<const std::string> line;
  const auto peers = joined_;  // sending may make a peer leave
  for (const auto& peer : peers) {
    const auto connection = peer.lock();
    if (!connection || !connection->follows(topic)) continue;
    if (!line) line = std::make_shared<const std::string>(notification_line(topic, params));
    connection->send(line);
  }
}

}  // namespace creel::rpc
