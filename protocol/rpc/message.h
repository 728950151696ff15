// JSON-RPC 2.0 messages (specification of 2013-01-04, https://www.jsonrpc.org/specification) and
// their framing: one JSON text a line, ended by LF (a CR before it is allowed), UTF-8, empty lines
// skipped.
//
// What the specification leaves open, and what Creel does:
//   - a request with a member that is not one of jsonrpc, method, params, id is invalid (-32600),
//   so that a
//     misspelt "params" is not silently dropped; so are params that are neither array nor object;
//   - an invalid request is answered with its id when that could be read, else with null;
//   - limits below; a text over one of them is answered with one error, and nothing of it is done;
//   - for the five errors of the specification `message` is the specification's own wording and
//     data.text says what is wrong; for all others `message` is that sentence. data.code always
//     holds the error's name (protocol/base/result.h).
//
// Error codes beside those of the specification (-32000..-32099 are the server's own to define):
//     -32000 too large or too many   -32001 invalid_request   -32002 refused      -32003 timed_out
//     -32004 device_lost             -32005 storage_failed    -32006 corrupt      -32007 cancelled
// ErrorCode::internal is the specification's -32603.
//
// Pure functions; any thread.
#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/base/result.h"

namespace creel::rpc {

constexpr std::size_t kMaxLineBytes = 1U << 20;  ///< of a request, without its LF
constexpr std::size_t kMaxBatch = 100;           ///< requests in one batch
constexpr std::size_t kMaxDepth = 64;            ///< arrays and objects inside each other

constexpr int kParseError = -32700;
constexpr int kInvalidRequest = -32600;
constexpr int kMethodNotFound = -32601;
constexpr int kInvalidParams = -32602;
constexpr int kInternalError = -32603;
constexpr int kTooLarge = -32000;

/// The code on the wire for an error of Creel's, and back; an unknown code is internal.
int wire_code(ErrorCode code);
ErrorCode error_code_of(int wire_code);

/// The "error" object of a response.
struct Fault {
  int code = kInternalError;
  std::string message;
  nlohmann::json
      data;  ///< {"code": error name, "text": sentence (the specification's errors only)}
};
/// One of the codes above, with a sentence for a person.
Fault make_fault(int wire_code, std::string_view sentence);
Fault make_fault(const Error& error);

/// A request, or a notification when nobody wants an answer.
struct Request {
  std::string method;
  nlohmann::json params;  ///< array, object, or null when there were none
  nlohmann::json id;      ///< string, number or null, as it came
  bool notification = false;
};
/// Something that is no request, and the answer that it gets.
struct Malformed {
  Fault fault;
  nlohmann::json id;
};
struct Incoming {
  bool batch = false;  ///< the answers go into one array
  std::vector<std::variant<Request, Malformed>> items;
};
/// Reads one line (without its LF) from a peer that nobody vouches for. What is wrong is in the
/// items.
Incoming parse_requests(std::string_view line);

/// Whether the line holds nothing (spaces, tabs, CR): to be skipped without an answer.
bool is_blank(std::string_view line);

nlohmann::json make_response(const nlohmann::json& id, nlohmann::json result);
nlohmann::json make_response(const nlohmann::json& id, const Fault& fault);
/// Ready to send, LF included. Strings that are not UTF-8 are sent with U+FFFD in place of what is
/// wrong.
std::string to_line(const nlohmann::json& message);
std::string request_line(const nlohmann::json& id, std::string_view method,
                         const nlohmann::json& params);
std::string notification_line(std::string_view method, const nlohmann::json& params);

/// What a server sends.
struct Notification {
  std::string method;
  nlohmann::json params;
};
struct Response {
  nlohmann::json id;
  Result<nlohmann::json> result;
};
/// Reads one line from the server. corrupt when it is no JSON-RPC message.
Result<std::variant<Notification, Response>> parse_from_server(std::string_view line);

}  // namespace creel::rpc
