// Every example of the JSON-RPC 2.0 specification, section 7.
// Source: JSON-RPC Working Group, "JSON-RPC 2.0 Specification", 2010-03-26, updated 2013-01-04,
// https://www.jsonrpc.org/specification. Compared as JSON values, order of a batch's answers
// included (the specification allows any), and without "data", which section 5.1 leaves to the
// server.
#include <gtest/gtest.h>

#include "daemon/rpc/dispatcher.h"

namespace creel::rpc {
namespace {

using nlohmann::json;

constexpr const char* kMethods =
    R"({"openrpc": "1.4.1", "info": {"title": "examples", "version": "1"}, "methods": [
  {"name": "subtract", "params": [{"name": "minuend", "schema": {"type": "number"}, "required": true},
                                  {"name": "subtrahend", "schema": {"type": "number"}, "required": true}]},
  {"name": "sum", "params": [{"name": "a", "schema": {"type": "number"}}, {"name": "b", "schema": {"type": "number"}},
                             {"name": "c", "schema": {"type": "number"}}]},
  {"name": "update", "params": [{"name": "a", "schema": {"type": "number"}}, {"name": "b", "schema": {"type": "number"}},
    {"name": "c", "schema": {"type": "number"}}, {"name": "d", "schema": {"type": "number"}},
    {"name": "e", "schema": {"type": "number"}}]},
  {"name": "notify_hello", "params": [{"name": "a", "schema": {"type": "number"}}]},
  {"name": "notify_sum", "params": [{"name": "a", "schema": {"type": "number"}},
    {"name": "b", "schema": {"type": "number"}}, {"name": "c", "schema": {"type": "number"}}]},
  {"name": "get_data", "params": []}]})";

class Specification : public testing::Test {
 protected:
  Specification() {
    dispatcher->add_prompt("subtract", [](const Call& call) -> Result<json> {
      return json(call.params["minuend"].get<int>() - call.params["subtrahend"].get<int>());
    });
    const auto sum = [this](const Call& call) -> Result<json> {
      int total = 0;
      for (const json& value : call.params) total += value.get<int>();
      ++carried_out;
      return json(total);
    };
    for (const char* name : {"sum", "update", "notify_hello", "notify_sum"})
      dispatcher->add_prompt(name, sum);
    dispatcher->add_prompt("get_data", [](const Call&) -> Result<json> {
      return json{"hello", 5};
    });
  }

  static json without_data(json answer) {
    if (answer.is_array()) {
      for (json& one : answer) one = without_data(one);
    } else if (answer.contains("error")) {
      answer["error"].erase("data");
    }
    return answer;
  }
  /// All that is sent in answer to `text`: nothing, or one line.
  void expect(const std::string& text, const std::string& answer) {
    sent.clear();
    dispatcher->handle(text, connection);
    if (answer.empty()) {
      EXPECT_TRUE(sent.empty()) << *sent.front();
      return;
    }
    ASSERT_EQ(sent.size(), 1U) << text;
    EXPECT_EQ(without_data(json::parse(*sent.front())), json::parse(answer)) << text;
  }

  std::unique_ptr<Dispatcher> dispatcher = Dispatcher::make(kMethods).value();
  std::vector<std::shared_ptr<const std::string>> sent;
  std::shared_ptr<Connection> connection = Connection::make(
      "test", [this](std::shared_ptr<const std::string> line) { sent.push_back(std::move(line)); });
  int carried_out = 0;
};

TEST_F(Specification, CallWithPositionalParameters) {
  expect(R"({"jsonrpc": "2.0", "method": "subtract", "params": [42, 23], "id": 1})",
         R"({"jsonrpc": "2.0", "result": 19, "id": 1})");
  expect(R"({"jsonrpc": "2.0", "method": "subtract", "params": [23, 42], "id": 2})",
         R"({"jsonrpc": "2.0", "result": -19, "id": 2})");
}

TEST_F(Specification, CallWithNamedParameters) {
  expect(
      R"({"jsonrpc": "2.0", "method": "subtract", "params": {"subtrahend": 23, "minuend": 42}, "id": 3})",
      R"({"jsonrpc": "2.0", "result": 19, "id": 3})");
  expect(
      R"({"jsonrpc": "2.0", "method": "subtract", "params": {"minuend": 42, "subtrahend": 23}, "id": 4})",
      R"({"jsonrpc": "2.0", "result": 19, "id": 4})");
}

TEST_F(Specification, ANotification) {
  expect(R"({"jsonrpc": "2.0", "method": "update", "params": [1,2,3,4,5]})", "");
  EXPECT_EQ(carried_out, 1);
  expect(R"({"jsonrpc": "2.0", "method": "foobar"})", "");
}

TEST_F(Specification, CallOfNonExistentMethod) {
  expect(
      R"({"jsonrpc": "2.0", "method": "foobar", "id": "1"})",
      R"({"jsonrpc": "2.0", "error": {"code": -32601, "message": "Method not found"}, "id": "1"})");
}

TEST_F(Specification, CallWithInvalidJson) {
  expect(R"({"jsonrpc": "2.0", "method": "foobar, "params": "bar", "baz])",
         R"({"jsonrpc": "2.0", "error": {"code": -32700, "message": "Parse error"}, "id": null})");
}

TEST_F(Specification, CallWithInvalidRequestObject) {
  expect(
      R"({"jsonrpc": "2.0", "method": 1, "params": "bar"})",
      R"({"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null})");
}

TEST_F(Specification, BatchWithInvalidJson) {
  expect(R"([
  {"jsonrpc": "2.0", "method": "sum", "params": [1,2,4], "id": "1"},
  {"jsonrpc": "2.0", "method"
])",
         R"({"jsonrpc": "2.0", "error": {"code": -32700, "message": "Parse error"}, "id": null})");
  EXPECT_EQ(carried_out, 0);
}

TEST_F(Specification, CallWithAnEmptyArray) {
  expect(
      "[]",
      R"({"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null})");
}

TEST_F(Specification, CallWithAnInvalidBatchThatIsNotEmpty) {
  expect("[1]", R"([
  {"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null}
])");
}

TEST_F(Specification, CallWithInvalidBatch) {
  expect("[1,2,3]", R"([
  {"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null},
  {"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null},
  {"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null}
])");
}

TEST_F(Specification, CallBatch) {
  expect(R"([
        {"jsonrpc": "2.0", "method": "sum", "params": [1,2,4], "id": "1"},
        {"jsonrpc": "2.0", "method": "notify_hello", "params": [7]},
        {"jsonrpc": "2.0", "method": "subtract", "params": [42,23], "id": "2"},
        {"foo": "boo"},
        {"jsonrpc": "2.0", "method": "foo.get", "params": {"name": "myself"}, "id": "5"},
        {"jsonrpc": "2.0", "method": "get_data", "id": "9"}
    ])",
         R"([
        {"jsonrpc": "2.0", "result": 7, "id": "1"},
        {"jsonrpc": "2.0", "result": 19, "id": "2"},
        {"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": null},
        {"jsonrpc": "2.0", "error": {"code": -32601, "message": "Method not found"}, "id": "5"},
        {"jsonrpc": "2.0", "result": ["hello", 5], "id": "9"}
    ])");
}

TEST_F(Specification, CallBatchOfNotifications) {
  expect(R"([
        {"jsonrpc": "2.0", "method": "notify_sum", "params": [1,2,4]},
        {"jsonrpc": "2.0", "method": "notify_hello", "params": [7]}
    ])",
         "");
  EXPECT_EQ(carried_out, 2);
}

}  // namespace
}  // namespace creel::rpc
