#include "daemon/rpc/dispatcher.h"

#include <gtest/gtest.h>

#include <stdexcept>

#include "protocol/rpc/openrpc.h"

namespace creel::rpc {
namespace {

using nlohmann::json;

constexpr const char* kMethods = R"({"methods": [
  {"name": "now", "params": [{"name": "value", "schema": {"type": "number"}}]},
  {"name": "later", "params": []}, {"name": "follow", "params": []}, {"name": "throws", "params": []},
  {"name": "drops", "params": []}, {"name": "fails", "params": []}, {"name": "nobody", "params": []},
  {"name": "rpc.discover", "params": []}]})";

/// A peer that keeps what it is sent.
struct TestPeer {
  std::vector<json> sent;
  std::shared_ptr<Connection> connection =
      Connection::make("test", [this](const std::shared_ptr<const std::string>& line) {
        sent.push_back(json::parse(*line));
      });
};

class DispatcherTest : public testing::Test {
 protected:
  DispatcherTest() {
    dispatcher->add_prompt("now", [](const Call& call) -> Result<json> { return call.params; });
    dispatcher->add("later",
                    [this](const Call&, Reply reply) { waiting.push_back(std::move(reply)); });
    dispatcher->add_subscription("follow", "event");
    dispatcher->add("throws",
                    [](const Call&, const Reply&) { throw std::runtime_error("a fault"); });
    dispatcher->add("drops", [](const Call&, const Reply&) {});
    dispatcher->add_prompt("fails", [](const Call&) -> Result<json> {
      return Error{ErrorCode::device_lost, "the detector is gone"};
    });
  }
  void say(const std::string& line) { dispatcher->handle(line, peer.connection); }
  void call(const std::string& method, const std::string& id) {
    say(R"({"jsonrpc":"2.0","method":")" + method + R"(","id":)" + id + "}");
  }
  json last() { return peer.sent.empty() ? json() : peer.sent.back(); }

  std::unique_ptr<Dispatcher> dispatcher = Dispatcher::make(kMethods).value();
  TestPeer peer;
  std::vector<Reply> waiting;
};

TEST_F(DispatcherTest, ALateReplyReachesTheCallItBelongsTo) {
  call("later", "1");
  call("later", "2");
  EXPECT_EQ(peer.connection->pending(), 2U);
  EXPECT_TRUE(peer.sent.empty());
  waiting[1](json("second"));
  waiting[0](json("first"));
  ASSERT_EQ(peer.sent.size(), 2U);
  EXPECT_EQ(peer.sent[0], (json{{"jsonrpc", "2.0"}, {"id", 2}, {"result", "second"}}));
  EXPECT_EQ(peer.sent[1], (json{{"jsonrpc", "2.0"}, {"id", 1}, {"result", "first"}}));
  EXPECT_EQ(peer.connection->pending(), 0U);
}

TEST_F(DispatcherTest, OnlyTheFirstReplyCounts) {
  call("later", "1");
  waiting[0](json(1));
  waiting[0](json(2));
  waiting[0](Error{ErrorCode::internal, "three"});
  ASSERT_EQ(peer.sent.size(), 1U);
  EXPECT_EQ(last()["result"], 1);
}

TEST_F(DispatcherTest, ABatchIsAnsweredAtOnceWhenItsLastCallIs) {
  say(R"([{"jsonrpc":"2.0","method":"later","id":1},{"jsonrpc":"2.0","method":"now","id":2},
          {"jsonrpc":"2.0","method":"later"}])");
  EXPECT_TRUE(peer.sent.empty());
  waiting[0](json("done"));
  ASSERT_EQ(peer.sent.size(), 1U);  // the notification that still runs holds nothing up
  EXPECT_EQ(last().size(), 2U);
  waiting[1](json("nobody asked"));
  EXPECT_EQ(peer.sent.size(), 1U);
}

TEST_F(DispatcherTest, ANotificationIsNeverAnsweredWhateverBecomesOfIt) {
  for (const char* method : {"now", "throws", "drops", "fails", "nobody", "missing"}) {
    say(std::string(R"({"jsonrpc":"2.0","method":")") + method + "\"}");
    say(std::string(R"({"jsonrpc":"2.0","method":")") + method + R"(","params":{"wrong":1}})");
  }
  EXPECT_TRUE(peer.sent.empty()) << last();
}

TEST_F(DispatcherTest, AHandlerThatFailsThrowsOrForgetsIsAnswered) {
  call("fails", "1");
  EXPECT_EQ(
      last()["error"],
      json::parse(
          R"({"code":-32004,"message":"the detector is gone","data":{"code":"device_lost"}})"));
  call("throws", "2");
  EXPECT_EQ(last()["error"]["code"], kInternalError);
  EXPECT_NE(last()["error"]["data"]["text"].get<std::string>().find("a fault"), std::string::npos);
  call("drops", "3");
  EXPECT_EQ(last()["error"]["code"], kInternalError);
  EXPECT_EQ(last()["id"], 3);
}

TEST_F(DispatcherTest, AMisspeltParameterIsRefusedByName) {
  say(R"({"jsonrpc":"2.0","method":"now","params":{"vlaue":1},"id":1})");
  EXPECT_EQ(last()["error"]["code"], kInvalidParams);
  EXPECT_EQ(last()["error"]["message"], "Invalid params");
  EXPECT_EQ(last()["error"]["data"]["text"],
            "now: there is no parameter 'vlaue'; there are: value");
}

TEST_F(DispatcherTest, AMethodThatIsDescribedButNotServedIsNotFound) {
  EXPECT_EQ(dispatcher->unserved(), std::vector<std::string>{"nobody"});
  call("nobody", "1");
  EXPECT_EQ(last()["error"]["code"], kMethodNotFound);
  EXPECT_NE(last()["error"]["data"]["text"].get<std::string>().find("'nobody'"), std::string::npos);
}

TEST_F(DispatcherTest, BlankLinesAreSkipped) {
  for (const char* line : {"", " ", "\t", "\r"}) say(line);
  EXPECT_TRUE(peer.sent.empty());
}

TEST_F(DispatcherTest, EventsReachWhoFollowsThemAndIsStillThere) {
  TestPeer other;
  dispatcher->join(peer.connection);
  dispatcher->join(other.connection);
  dispatcher->publish("event", {{"n", 0}});
  EXPECT_TRUE(peer.sent.empty());
  call("follow", "1");
  EXPECT_EQ(last()["result"], (json{{"following", true}}));
  dispatcher->publish("event", {{"n", 1}});
  EXPECT_EQ(last(), json::parse(R"({"jsonrpc":"2.0","method":"event","params":{"n":1}})"));
  EXPECT_TRUE(other.sent.empty());
  dispatcher->publish("something else", {{"n", 2}});
  dispatcher->leave(peer.connection);
  dispatcher->publish("event", {{"n", 3}});
  EXPECT_EQ(peer.sent.size(), 2U);
}

TEST_F(DispatcherTest, ACloseEndsAllSendingAndLateRepliesAreHarmless) {
  dispatcher->join(peer.connection);
  call("follow", "1");
  call("later", "2");
  peer.connection->close();
  waiting[0](json("too late"));
  dispatcher->publish("event", {});
  EXPECT_EQ(peer.sent.size(), 1U);
}

TEST_F(DispatcherTest, PendingCallsCanBeAnsweredForTheirHandlers) {
  call("later", "1");
  say(R"([{"jsonrpc":"2.0","method":"later","id":2},{"jsonrpc":"2.0","method":"later"}])");
  peer.connection->answer_pending({ErrorCode::cancelled, "creeld is ending"});
  EXPECT_EQ(peer.connection->pending(), 0U);
  ASSERT_EQ(peer.sent.size(), 2U);
  for (const Reply& reply : waiting) reply(json("too late"));
  EXPECT_EQ(peer.sent.size(), 2U);
}

TEST_F(DispatcherTest, OnePeerCanHaveOnlySoManyCallsWaiting) {
  for (std::size_t i = 0; i < kMaxPendingCalls; ++i) call("later", std::to_string(i));
  EXPECT_TRUE(peer.sent.empty());
  call("later", "\"one more\"");
  EXPECT_EQ(last()["error"]["code"], kTooLarge);
  waiting[0](json(0));
  call("later", "\"now\"");
  EXPECT_EQ(last()["result"], 0);
  TestPeer other;
  dispatcher->handle(R"({"jsonrpc":"2.0","method":"now","id":1})", other.connection);
  EXPECT_EQ(other.sent.size(), 1U);
  waiting.clear();
}

TEST_F(DispatcherTest, RepliesThatOutliveTheDispatcherAreHarmless) {
  call("later", "1");
  dispatcher.reset();
  waiting[0](json("still here"));
  EXPECT_EQ(last()["result"], "still here");
}

TEST_F(DispatcherTest, DiscoveryGivesTheDescriptionItself) {
  call("rpc.discover", "1");
  EXPECT_EQ(last()["result"], json::parse(kMethods));
}

TEST(DispatcherDescription, TheOneOfCreeldIsUsable) {
  const auto dispatcher = Dispatcher::make(openrpc_text());
  ASSERT_TRUE(dispatcher.ok()) << dispatcher.error().text;
  const std::vector<std::string> expected = {
      "daemon.shutdown", "daemon.status",     "devices.list",      "events.follow",
      "grids.add",       "grids.add_area",    "grids.add_picture", "grids.list",
      "grids.load",      "grids.set_profile", "ledger.balance",    "ledger.enter",
      "ledger.entries",  "series.check",      "series.continue",   "series.hold",
      "series.start",    "series.stop",       "session.list",      "setup.follow",
      "setup.start",     "setup.status",      "setup.stop",        "shutters.close_all"};
  EXPECT_EQ((*dispatcher)->unserved(), expected);
}

TEST(DispatcherDescription, AnUnusableOneIsRefused) {
  for (const char* bad :
       {"", "[]", "{}", R"({"methods": [{}]})", R"({"methods": [{"name": "a"}]})",
        R"({"methods": [{"name": "a", "params": []}, {"name": "a", "params": []}]})",
        R"({"methods": [{"name": "a", "params": [{"name": "b", "schema": {"enum": []}}]}]})"}) {
    EXPECT_FALSE(Dispatcher::make(bad).ok()) << bad;
  }
}

using DispatcherDeathTest = DispatcherTest;

TEST_F(DispatcherDeathTest, ServingAMethodThatIsNotDescribedStopsTheProgram) {
  EXPECT_DEATH(
      dispatcher->add_prompt("undescribed", [](const Call&) -> Result<json> { return json(); }),
      "described in openrpc.json");
}

}  // namespace
}  // namespace creel::rpc
