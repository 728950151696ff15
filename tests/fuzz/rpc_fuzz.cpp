// Feeds the dispatcher whatever a peer might send, through the line splitter as the server does,
// and checks what holds for every input: answers are single lines of JSON, one for each request
// that asks for one.
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string_view>

#include "daemon/rpc/dispatcher.h"
#include "daemon/rpc/framing.h"
#include "protocol/rpc/message.h"

namespace {

using nlohmann::json;
using namespace creel::rpc;

constexpr const char* kMethods = R"({"methods": [
  {"name": "echo", "params": [{"name": "text", "schema": {"type": "string", "maxLength": 20}},
                              {"name": "dose", "schema": {"type": "number", "minimum": 0}},
                              {"name": "n", "schema": {"type": "integer"}}]},
  {"name": "later", "params": []}, {"name": "follow", "params": []}, {"name": "rpc.discover", "params": []}]})";

void require(bool condition, const char* what) {
  if (condition) return;
  std::fprintf(stderr, "%s\n", what);
  std::abort();
}

bool is_answer(const json& value) {
  return value.is_object() && value.value("jsonrpc", json()) == "2.0" && value.contains("id") &&
         value.contains("result") != value.contains("error");
}

void check_line(const std::string& line) {
  require(!line.empty() && line.find('\n') == line.size() - 1, "an answer is one line");
  const json value = json::parse(line, nullptr, false);
  require(!value.is_discarded(), "an answer is JSON");
  if (value.is_array()) {
    require(!value.empty(), "a batch answer is not empty");
    for (const json& one : value) require(is_answer(one), "an item of a batch answer is an answer");
  } else if (value.contains("method")) {
    require(!value.contains("id"), "a notification has no id");
  } else {
    require(is_answer(value), "an answer is an answer");
  }
  (void)parse_from_server(std::string_view(line).substr(0, line.size() - 1));
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  auto dispatcher = std::move(Dispatcher::make(kMethods)).value();
  std::vector<Reply> waiting;
  dispatcher->add_prompt("echo",
                         [](const Call& call) -> creel::Result<json> { return call.params; });
  dispatcher->add("later",
                  [&waiting](const Call&, Reply reply) { waiting.push_back(std::move(reply)); });
  dispatcher->add_subscription("follow", "event");
  const auto connection = Connection::make(
      "fuzzer", [](const std::shared_ptr<const std::string>& line) { check_line(*line); });
  dispatcher->join(connection);

  LineSplitter lines(4096);
  const auto handle = [&](std::string_view line) {
    dispatcher->handle(line, connection);
    return true;
  };
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  lines.feed(text.substr(0, size / 2), handle);  // in two pieces, as a stream may come
  lines.feed(text.substr(size / 2), handle);
  lines.finish(handle);
  dispatcher->publish("event", {{"n", 1}});
  for (std::size_t i = 0; i < waiting.size(); i += 2) waiting[i](json("done"));
  waiting.clear();  // the rest is dropped without a reply
  require(connection->pending() == 0, "every call was dealt with");
  return 0;
}
