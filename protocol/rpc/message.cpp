#include "protocol/rpc/message.h"

#include <array>
#include <utility>

#include "protocol/json/strict_json.h"

namespace creel::rpc {
namespace {

using nlohmann::json;

constexpr Limits kRequestLimits = {kMaxLineBytes, kMaxDepth, 1U << 17};
/// A server's answer may be long (a whole ledger), and the server is trusted more than a peer.
constexpr Limits kAnswerLimits = {64U << 20, kMaxDepth * 2, 1U << 23};

struct Code {
  ErrorCode code;
  int wire;
};
constexpr std::array<Code, 8> kCodes = {{{ErrorCode::invalid_request, -32001},
                                         {ErrorCode::refused, -32002},
                                         {ErrorCode::timed_out, -32003},
                                         {ErrorCode::device_lost, -32004},
                                         {ErrorCode::storage_failed, -32005},
                                         {ErrorCode::corrupt, -32006},
                                         {ErrorCode::cancelled, -32007},
                                         {ErrorCode::internal, kInternalError}}};

/// The specification's own wording (section 5.1); empty for any other code.
std::string_view standard_message(int wire_code) {
  switch (wire_code) {
    case kParseError:
      return "Parse error";
    case kInvalidRequest:
      return "Invalid Request";
    case kMethodNotFound:
      return "Method not found";
    case kInvalidParams:
      return "Invalid params";
    case kInternalError:
      return "Internal error";
    default:
      return {};
  }
}

Malformed invalid(const json& id, std::string_view sentence) {
  return {make_fault(kInvalidRequest, sentence), id};
}

bool is_id(const json& value) {
  return value.is_string() || value.is_number() || value.is_null();
}

std::variant<Request, Malformed> read_request(json& value) {
  if (!value.is_object()) return invalid(nullptr, "a request is a JSON object");
  Request request;
  const auto id = value.find("id");
  request.notification = id == value.end();
  if (!request.notification) {
    if (!is_id(*id)) return invalid(nullptr, "\"id\" must be a string, a number or null");
    request.id = *id;
  }
  const auto version = value.find("jsonrpc");
  if (version == value.end() || *version != "2.0") {
    return invalid(request.id, "\"jsonrpc\" must be exactly \"2.0\"");
  }
  const auto method = value.find("method");
  if (method == value.end() || !method->is_string()) {
    return invalid(request.id, "\"method\" must be a string");
  }
  request.method = method->get<std::string>();
  const auto params = value.find("params");
  if (params != value.end()) {
    if (!params->is_structured())
      return invalid(request.id, "\"params\" must be an array or an object");
    request.params = std::move(*params);
  }
  for (const auto& [name, member] : value.items()) {
    if (name != "jsonrpc" && name != "method" && name != "params" && name != "id") {
      return invalid(request.id, "a request has no member \"" + name +
                                     "\"; only jsonrpc, method, params and id");
    }
  }
  return request;
}

Incoming only(Malformed malformed) {
  Incoming incoming;
  incoming.items.emplace_back(std::move(malformed));
  return incoming;
}

Result<json> read_error(const json& error) {
  const bool sound = error.is_object() && error.contains("code") &&
                     error["code"].is_number_integer() && error.contains("message") &&
                     error["message"].is_string();
  if (!sound) return Error{ErrorCode::corrupt, "an answer of creeld holds a damaged error"};
  Error out{error_code_of(error["code"].get<int>()), error["message"].get<std::string>()};
  const auto data = error.find("data");
  if (data == error.end() || !data->is_object()) return out;
  if (data->contains("code") && (*data)["code"].is_string()) {
    out.code = error_code_from((*data)["code"].get<std::string>()).value_or(out.code);
  }
  if (data->contains("text") && (*data)["text"].is_string()) out.text = (*data)["text"];
  return out;
}

}  // namespace

int wire_code(ErrorCode code) {
  for (const Code& known : kCodes) {
    if (known.code == code) return known.wire;
  }
  return kInternalError;
}

ErrorCode error_code_of(int wire) {
  for (const Code& known : kCodes) {
    if (known.wire == wire) return known.code;
  }
  switch (wire) {
    case kParseError:
    case kInvalidRequest:
    case kMethodNotFound:
    case kInvalidParams:
    case kTooLarge:
      return ErrorCode::invalid_request;
    default:
      return ErrorCode::internal;
  }
}

Fault make_fault(int wire, std::string_view sentence) {
  const std::string_view standard = standard_message(wire);
  Fault fault{wire,
              std::string(standard.empty() ? sentence : standard),
              {{"code", error_name(error_code_of(wire))}}};
  if (!standard.empty()) fault.data["text"] = sentence;
  return fault;
}

Fault make_fault(const Error& error) {
  return make_fault(wire_code(error.code), error.text);
}

Incoming parse_requests(std::string_view line) {
  if (line.size() > kMaxLineBytes) {
    return only({make_fault(kTooLarge, "the line is longer than " + std::to_string(kMaxLineBytes) +
                                           " bytes; nothing of it was done"),
                 nullptr});
  }
  auto parsed = parse_strict(line, kRequestLimits, "");
  if (!parsed.ok()) return only({make_fault(kParseError, parsed.error().text), nullptr});
  Incoming incoming;
  if (!parsed->is_array()) {
    incoming.items.push_back(read_request(*parsed));
    return incoming;
  }
  if (parsed->empty()) return only(invalid(nullptr, "a batch holds at least one request"));
  if (parsed->size() > kMaxBatch) {
    return only({make_fault(kTooLarge, "the batch holds " + std::to_string(parsed->size()) +
                                           " requests; at most " + std::to_string(kMaxBatch) +
                                           " are allowed; none was done"),
                 nullptr});
  }
  incoming.batch = true;
  for (json& value : *parsed) incoming.items.push_back(read_request(value));
  return incoming;
}

bool is_blank(std::string_view line) {
  return line.find_first_not_of(" \t\r") == std::string_view::npos;
}

json make_response(const json& id, json result) {
  return {{"jsonrpc", "2.0"}, {"result", std::move(result)}, {"id", id}};
}

json make_response(const json& id, const Fault& fault) {
  json error = {{"code", fault.code}, {"message", fault.message}};
  if (!fault.data.is_null()) error["data"] = fault.data;
  return {{"jsonrpc", "2.0"}, {"error", std::move(error)}, {"id", id}};
}

std::string to_line(const json& message) {
  return message.dump(-1, ' ', false, json::error_handler_t::replace) + "\n";
}

std::string request_line(const json& id, std::string_view method, const json& params) {
  json request = {{"jsonrpc", "2.0"}, {"method", method}, {"id", id}};
  if (!params.is_null()) request["params"] = params;
  return to_line(request);
}

std::string notification_line(std::string_view method, const json& params) {
  json notification = {{"jsonrpc", "2.0"}, {"method", method}};
  if (!params.is_null()) notification["params"] = params;
  return to_line(notification);
}

Result<std::variant<Notification, Response>> parse_from_server(std::string_view line) {
  using Message = std::variant<Notification, Response>;
  auto parsed = parse_strict(line, kAnswerLimits, "answer of creeld");
  if (!parsed.ok()) return Error{ErrorCode::corrupt, parsed.error().text};
  const json& value = *parsed;
  if (!value.is_object() || value.value("jsonrpc", json()) != "2.0") {
    return Error{ErrorCode::corrupt, "creeld sent something that is not JSON-RPC 2.0"};
  }
  const auto method = value.find("method");
  if (method != value.end() && method->is_string() && !value.contains("id")) {
    return Message(Notification{method->get<std::string>(), value.value("params", json())});
  }
  const bool has_result = value.contains("result");
  if (!value.contains("id") || has_result == value.contains("error")) {
    return Error{ErrorCode::corrupt,
                 "creeld sent something that is neither an answer nor a notification"};
  }
  return Message(Response{value["id"],
                          has_result ? Result<json>(value["result"]) : read_error(value["error"])});
}

}  // namespace creel::rpc
