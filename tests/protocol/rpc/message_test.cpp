#include "protocol/rpc/message.h"

#include <gtest/gtest.h>

namespace creel::rpc {
namespace {

using nlohmann::json;

const Malformed* malformed(const Incoming& incoming, std::size_t i = 0) {
  return i < incoming.items.size() ? std::get_if<Malformed>(&incoming.items[i]) : nullptr;
}
const Request* request(const Incoming& incoming, std::size_t i = 0) {
  return i < incoming.items.size() ? std::get_if<Request>(&incoming.items[i]) : nullptr;
}
int fault_code(std::string_view line) {
  const Incoming incoming = parse_requests(line);
  const Malformed* fault = malformed(incoming);
  return fault == nullptr || incoming.items.size() != 1 ? 0 : fault->fault.code;
}

TEST(RpcMessage, ReadsARequestAndANotification) {
  const Incoming call =
      parse_requests(R"({"jsonrpc":"2.0","method":"m","params":{"a":1},"id":"x"})");
  ASSERT_NE(request(call), nullptr);
  EXPECT_EQ(request(call)->method, "m");
  EXPECT_EQ(request(call)->params, (json{{"a", 1}}));
  EXPECT_EQ(request(call)->id, "x");
  EXPECT_FALSE(request(call)->notification);
  const Incoming notification = parse_requests(R"({"jsonrpc":"2.0","method":"m"})");
  ASSERT_NE(request(notification), nullptr);
  EXPECT_TRUE(request(notification)->notification);
  EXPECT_TRUE(request(notification)->params.is_null());
}

// JSON-RPC 2.0 section 4: an id is a string, a number or null; with an id of null it is a request
// all the same.
TEST(RpcMessage, KeepsTheTypeOfTheId) {
  for (const char* id : {"1", "-7", "1.5", "\"1\"", "\"\"", "null"}) {
    const Incoming in =
        parse_requests(std::string(R"({"jsonrpc":"2.0","method":"m","id":)") + id + "}");
    ASSERT_NE(request(in), nullptr) << id;
    EXPECT_FALSE(request(in)->notification) << id;
    EXPECT_EQ(request(in)->id.dump(), id);
  }
  for (const char* id : {"true", "[]", "{}"}) {
    EXPECT_EQ(fault_code(std::string(R"({"jsonrpc":"2.0","method":"m","id":)") + id + "}"),
              kInvalidRequest);
  }
}

TEST(RpcMessage, AnInvalidRequestIsAnsweredWithItsIdWhereThatIsReadable) {
  const Incoming in = parse_requests(R"({"jsonrpc":"1.0","method":"m","id":5})");
  ASSERT_NE(malformed(in), nullptr);
  EXPECT_EQ(malformed(in)->id, 5);
  EXPECT_EQ(malformed(in)->fault.code, kInvalidRequest);
}

TEST(RpcMessage, RefusesWhatIsNoRequest) {
  for (const char* line :
       {"1", "\"text\"", "null", "{}", R"({"jsonrpc":"2.0"})", R"({"method":"m","id":1})",
        R"({"jsonrpc":2.0,"method":"m","id":1})", R"({"jsonrpc":"2.0","method":null,"id":1})",
        R"({"jsonrpc":"2.0","method":"m","params":"text","id":1})",
        R"({"jsonrpc":"2.0","method":"m","params":null,"id":1})",
        R"({"jsonrpc":"2.0","method":"m","params":7})", R"({"JSONRPC":"2.0","METHOD":"m"})",
        R"({"jsonrpc":"2.0","result":1,"id":1})"}) {
    EXPECT_EQ(fault_code(line), kInvalidRequest) << line;
  }
}

TEST(RpcMessage, NamesAMisspeltMember) {
  const Incoming in = parse_requests(R"({"jsonrpc":"2.0","method":"m","parms":{},"id":1})");
  ASSERT_NE(malformed(in), nullptr);
  EXPECT_NE(malformed(in)->fault.data["text"].get<std::string>().find("parms"), std::string::npos);
}

TEST(RpcMessage, RefusesWhatIsNoJson) {
  for (const char* line :
       {"{", "nope", R"({"jsonrpc":"2.0","method":"m",})", R"({"a":1}{"b":2})", "[1,",
        R"({"jsonrpc":"2.0","method":"m","method":"n","id":1})",  // RFC 7493 section 2.3
        R"({"jsonrpc":"2.0","method":"m","id":NaN})", "\xEF\xBB\xBF{}",
        "{\"jsonrpc\":\"2.0\",\"method\":\"\xff\",\"id\":1}"}) {
    EXPECT_EQ(fault_code(line), kParseError) << line;
  }
}

TEST(RpcMessage, LimitsLineBatchAndNesting) {
  const std::string head = R"({"jsonrpc":"2.0","method":"m","id":1,"params":[")";
  const std::string tail = "\"]}";
  const std::string fits =
      head + std::string(kMaxLineBytes - head.size() - tail.size(), 'x') + tail;
  ASSERT_EQ(fits.size(), kMaxLineBytes);
  EXPECT_NE(request(parse_requests(fits)), nullptr);
  EXPECT_EQ(fault_code(fits + " "), kTooLarge);

  const auto batch = [](std::size_t count) {
    json requests = json::array();
    for (std::size_t i = 0; i < count; ++i)
      requests.push_back({{"jsonrpc", "2.0"}, {"method", "m"}});
    return requests.dump();
  };
  EXPECT_EQ(parse_requests(batch(kMaxBatch)).items.size(), kMaxBatch);
  EXPECT_EQ(fault_code(batch(kMaxBatch + 1)), kTooLarge);

  const auto nested = [](std::size_t depth) {  // the request itself is one level
    return R"({"jsonrpc":"2.0","method":"m","id":1,"params":)" + std::string(depth - 1, '[') +
           std::string(depth - 1, ']') + "}";
  };
  EXPECT_NE(request(parse_requests(nested(kMaxDepth))), nullptr);
  EXPECT_EQ(fault_code(nested(kMaxDepth + 1)), kParseError);
  EXPECT_EQ(fault_code(std::string(kMaxLineBytes, '[')), kParseError);
}

TEST(RpcMessage, EveryErrorCodeSurvivesTheWire) {
  for (int i = 0; i <= static_cast<int>(ErrorCode::internal); ++i) {
    const Error error{static_cast<ErrorCode>(i), "the reason, in one sentence"};
    EXPECT_EQ(error_code_of(wire_code(error.code)), error.code);
    const std::string line = to_line(make_response(7, make_fault(error)));
    auto message = parse_from_server(std::string_view(line).substr(0, line.size() - 1));
    ASSERT_TRUE(message.ok()) << message.error().text;
    const auto* response = std::get_if<Response>(&*message);
    ASSERT_NE(response, nullptr);
    ASSERT_FALSE(response->result.ok());
    EXPECT_EQ(response->result.error().code, error.code);
    EXPECT_EQ(response->result.error().text, error.text);
    EXPECT_EQ(response->id, 7);
  }
  EXPECT_EQ(error_code_of(-1), ErrorCode::internal);
}

// JSON-RPC 2.0 section 5.1: the ranges that the specification sets aside.
TEST(RpcMessage, OwnCodesLieInTheRangeLeftToServers) {
  for (int i = 0; i < static_cast<int>(ErrorCode::internal); ++i) {
    EXPECT_LE(wire_code(static_cast<ErrorCode>(i)), -32000);
    EXPECT_GE(wire_code(static_cast<ErrorCode>(i)), -32099);
  }
}

TEST(RpcMessage, ALineHoldsNoRawLineBreakAndIsAlwaysUtf8) {
  const std::string line = to_line(make_response(1, json{{"text", "two\nlines\r\xff"}}));
  EXPECT_EQ(line.find('\n'), line.size() - 1);
  EXPECT_EQ(line.find('\r'), std::string::npos);
  EXPECT_NE(line.find("\xEF\xBF\xBD"), std::string::npos);
}

TEST(RpcMessage, ReadsNotificationsAndRefusesNonsenseFromTheServer) {
  const std::string line = notification_line("event", {{"text", "closed"}});
  auto message = parse_from_server(line);
  ASSERT_TRUE(message.ok());
  ASSERT_NE(std::get_if<Notification>(&*message), nullptr);
  EXPECT_EQ(std::get<Notification>(*message).params["text"], "closed");
  for (const char* bad :
       {"", "[]", "{}", "hello", R"({"jsonrpc":"2.0","id":1})", R"({"jsonrpc":"2.0","result":1})",
        R"({"jsonrpc":"2.0","id":1,"result":1,"error":{"code":1,"message":""}})"}) {
    const auto refused = parse_from_server(bad);
    ASSERT_FALSE(refused.ok()) << bad;
    EXPECT_EQ(refused.error().code, ErrorCode::corrupt) << bad;
  }
}

}  // namespace
}  // namespace creel::rpc
