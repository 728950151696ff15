// The server over real sockets, its loop on a thread of its own.
#include "daemon/rpc/server.h"

#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <future>
#include <thread>

#include "protocol/rpc/client.h"

namespace creel::rpc {
namespace {

using nlohmann::json;

constexpr const char* kMethods = R"({"methods": [
  {"name": "echo", "params": [{"name": "text", "schema": {"type": "string"}}]},
  {"name": "big", "params": [{"name": "bytes", "required": true, "schema": {"type": "integer"}}]},
  {"name": "never", "params": []}, {"name": "follow", "params": []}]})";

std::string error_of(const Result<void>& result) {
  return result.ok() ? "" : result.error().text;
}

class Directory {
 public:
  Directory() {
    std::string pattern = (std::filesystem::temp_directory_path() / "creel-rpc-XXXXXX").string();
    path_ = mkdtemp(pattern.data());
  }
  ~Directory() { std::filesystem::remove_all(path_); }
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  std::string path_;
};

sockaddr_un address_of(const std::string& path) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  std::memcpy(address.sun_path, path.data(), path.size());
  return address;
}

/// Bytes, without a client's manners.
class RawSocket {
 public:
  explicit RawSocket(const std::string& path)
      : socket_(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
    const sockaddr_un address = address_of(path);
    EXPECT_EQ(::connect(socket_, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
    const timeval limit{20, 0};  // a test that waits longer has failed
    ::setsockopt(socket_, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
    ::setsockopt(socket_, SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit);
  }
  ~RawSocket() { ::close(socket_); }
  RawSocket(const RawSocket&) = delete;
  RawSocket& operator=(const RawSocket&) = delete;

  bool write(std::string_view text) {
    while (!text.empty()) {
      const ssize_t sent = ::send(socket_, text.data(), text.size(), MSG_NOSIGNAL);
      if (sent <= 0) return false;
      text.remove_prefix(static_cast<std::size_t>(sent));
    }
    return true;
  }
  void end_writing() { ::shutdown(socket_, SHUT_WR); }
  /// The next line as JSON; a discarded value at the end of the stream.
  json read() {
    while (true) {
      const auto end = buffer_.find('\n');
      if (end != std::string::npos) {
        json value = json::parse(buffer_.substr(0, end), nullptr, false);
        buffer_.erase(0, end + 1);
        return value;
      }
      char chunk[65536];
      const ssize_t got = ::recv(socket_, chunk, sizeof chunk, 0);
      if (got <= 0) return json(json::value_t::discarded);
      buffer_.append(chunk, static_cast<std::size_t>(got));
    }
  }
  bool at_end() { return read().is_discarded(); }

 private:
  int socket_;
  std::string buffer_;
};

class ServerTest : public testing::Test {
 protected:
  /// Runs `job` on the loop and waits for it.
  template <class Job>
  auto on_loop(Job job) {
    std::packaged_task<decltype(job())()> task(std::move(job));
    auto done = task.get_future();
    boost::asio::post(io, [&task] { task(); });
    return done.get();
  }
  ServerTest() {
    options.path = directory.path() + "/run/creeld.sock";
    options.log = [this](const std::string& text) { log += text + "\n"; };
    dispatcher->add_prompt("echo", [](const Call& call) -> Result<json> { return call.params; });
    dispatcher->add_prompt("big", [](const Call& call) -> Result<json> {
      return json(std::string(call.params["bytes"].get<std::size_t>(), 'x'));
    });
    dispatcher->add("never",
                    [this](const Call&, Reply reply) { waiting.push_back(std::move(reply)); });
    dispatcher->add_subscription("follow", "event");
    loop = std::thread([this] { io.run(); });
  }
  ~ServerTest() override {
    on_loop([this] {
      waiting.clear();
      server.reset();
    });
    work.reset();
    loop.join();
  }
  Result<void> listen() {
    return on_loop([this]() -> Result<void> {
      auto listening = Server::listen(io, *dispatcher, options);
      if (!listening.ok()) return listening.error();
      server = std::move(*listening);
      return {};
    });
  }
  void start() {
    const auto listening = listen();
    ASSERT_TRUE(listening.ok()) << error_of(listening);
  }
  Client client() { return Client::connect(options.path).value(); }
  std::string log_text() {
    return on_loop([this] { return log; });
  }
  /// Waits until `condition` holds on the loop; false after a long time.
  template <class Condition>
  bool eventually(Condition condition) {
    for (int i = 0; i < 2000; ++i) {
      if (on_loop(condition)) return true;
      ::usleep(5000);
    }
    return false;
  }
  static std::string echo(const std::string& text, int id) {
    return request_line(id, "echo", {{"text", text}});
  }

  Directory directory;
  ServerOptions options;
  boost::asio::io_context io;
  boost::asio::executor_work_guard<boost::asio::io_context::executor_type> work =
      boost::asio::make_work_guard(io);
  std::unique_ptr<Dispatcher> dispatcher = Dispatcher::make(kMethods).value();
  std::unique_ptr<Server> server;
  std::vector<Reply> waiting;
  std::string log;
  std::thread loop;
};

TEST_F(ServerTest, AnswersSeveralClientsEachItsOwn) {
  start();
  auto ana = client();
  auto ben = client();
  EXPECT_EQ(*ana.call("echo", {{"text", "ana"}}), (json{{"text", "ana"}}));
  EXPECT_EQ(*ben.call("echo", {{"text", "ben"}}), (json{{"text", "ben"}}));
  EXPECT_EQ(on_loop([this] { return server->connections(); }), 2U);
}

TEST_F(ServerTest, TheSocketBelongsToItsUserAlone) {
  start();
  struct stat found {};
  ASSERT_EQ(::stat(options.path.c_str(), &found), 0);
  EXPECT_TRUE(S_ISSOCK(found.st_mode));
  EXPECT_EQ(found.st_mode & 0777U, 0600U);
  ASSERT_EQ(::stat((directory.path() + "/run").c_str(), &found), 0);
  EXPECT_EQ(found.st_mode & 0777U, 0700U);
}

TEST_F(ServerTest, LogsWhoCame) {
  start();
  auto ana = client();
  ASSERT_TRUE(ana.call("echo").ok());
  const std::string expected =
      "pid " + std::to_string(::getpid()) + ", user " + std::to_string(::geteuid());
  EXPECT_NE(log_text().find(expected), std::string::npos) << log_text();
}

TEST_F(ServerTest, TakesALineInPiecesAndWithCrLf) {
  start();
  RawSocket peer(options.path);
  std::string line = echo("slowly", 1);
  line.insert(line.size() - 1, "\r");
  for (const char c : line) ASSERT_TRUE(peer.write({&c, 1}));
  EXPECT_EQ(peer.read()["result"]["text"], "slowly");
  ASSERT_TRUE(peer.write("\r\n\n" + echo("after empty lines", 2)));
  EXPECT_EQ(peer.read()["result"]["text"], "after empty lines");
}

TEST_F(ServerTest, AnswersPipelinedCallsInOrder) {
  start();
  RawSocket peer(options.path);
  std::string lines;
  for (int i = 0; i < 2000; ++i) lines += echo("x", i);
  ASSERT_TRUE(peer.write(lines));
  for (int i = 0; i < 2000; ++i) ASSERT_EQ(peer.read()["id"], i);
}

TEST_F(ServerTest, RefusesAHugeLineAndIsInStepAgainAfterIt) {
  start();
  RawSocket peer(options.path);
  ASSERT_TRUE(peer.write(std::string(kMaxLineBytes * 3, '[')));
  EXPECT_EQ(peer.read()["error"]["code"], kTooLarge);  // before the line has ended
  ASSERT_TRUE(peer.write("\n" + echo("next", 2)));
  EXPECT_EQ(peer.read()["id"], 2);
}

TEST_F(ServerTest, RefusesDeepNestingAndInvalidUtf8AndGoesOn) {
  start();
  RawSocket peer(options.path);
  ASSERT_TRUE(peer.write(std::string(100'000, '[') + "\n"));
  EXPECT_EQ(peer.read()["error"]["code"], kParseError);
  ASSERT_TRUE(peer.write(
      "{\"jsonrpc\":\"2.0\",\"method\":\"echo\",\"params\":{\"text\":\"\xc3\x28\"},\"id\":1}\n"));
  EXPECT_EQ(peer.read()["error"]["code"], kParseError);
  ASSERT_TRUE(peer.write(std::string("\0\x01\x02\n", 4)));
  EXPECT_EQ(peer.read()["error"]["code"], kParseError);
  ASSERT_TRUE(peer.write(echo("fine", 2)));
  EXPECT_EQ(peer.read()["id"], 2);
}

TEST_F(ServerTest, APeerThatStopsSendingStillGetsWhatItIsOwed) {
  start();
  RawSocket peer(options.path);
  std::string last = request_line(2, "never", {});
  last.pop_back();  // not even an LF at the end
  ASSERT_TRUE(peer.write(echo("first", 1) + last));
  peer.end_writing();
  EXPECT_EQ(peer.read()["id"], 1);
  ASSERT_TRUE(eventually([this] { return waiting.size() == 1; }));
  on_loop([this] { waiting[0](json("late")); });
  EXPECT_EQ(peer.read()["result"], "late");
  EXPECT_TRUE(peer.at_end());
  EXPECT_TRUE(eventually([this] { return server->connections() == 0; }));
}

TEST_F(ServerTest, AReplyToAPeerThatIsGoneIsHarmless) {
  start();
  {
    RawSocket peer(options.path);
    ASSERT_TRUE(peer.write(request_line(1, "never", {})));
    ASSERT_TRUE(eventually([this] { return waiting.size() == 1; }));
  }
  on_loop([this] { waiting[0](json("late")); });
  EXPECT_TRUE(eventually([this] { return server->connections() == 0; }));
  EXPECT_TRUE(client().call("echo").ok());
}

TEST_F(ServerTest, AFollowerThatDoesNotReadIsDroppedWithTheReasonAndDelaysNobody) {
  options.max_queue_bytes = 100'000;
  options.farewell = seconds(20);
  start();
  RawSocket slow(options.path);
  ASSERT_TRUE(slow.write(request_line(1, "follow", {})));
  ASSERT_EQ(slow.read()["id"], 1);
  auto good = client();
  ASSERT_TRUE(good.call("follow").ok());
  const std::string text(1000, 'x');
  int published = 0;
  while (log_text().find("client gone") == std::string::npos && published < 5000) {
    on_loop([&] { dispatcher->publish("event", {{"n", published}, {"text", text}}); });
    const auto event = good.wait_notification(seconds(20));
    ASSERT_TRUE(event.ok()) << event.error().text;
    ASSERT_EQ(event->params["n"], published);
    ++published;
    if (published == 4000) {  // it has been told by now; reading lets the farewell through
      json message;
      while (!(message = slow.read()).is_discarded() && message["method"] != "goodbye") {
      }
      ASSERT_FALSE(message.is_discarded());
      EXPECT_NE(message["params"]["reason"].get<std::string>().find("did not read"),
                std::string::npos);
      EXPECT_TRUE(slow.at_end());
    }
  }
  EXPECT_NE(log_text().find("did not read"), std::string::npos) << log_text();
  EXPECT_TRUE(good.call("echo").ok());
  EXPECT_EQ(on_loop([this] { return server->connections(); }), 1U);
}

TEST_F(ServerTest, APeerThatNeverReadsItsFarewellIsClosedAllTheSame) {
  options.max_queue_bytes = 100'000;
  options.farewell = milliseconds(10);
  start();
  RawSocket slow(options.path);
  std::string flood;
  for (int i = 0; i < 20; ++i) flood += request_line(i, "big", {{"bytes", 90'000}});
  ASSERT_TRUE(slow.write(flood));
  EXPECT_TRUE(eventually([this] { return log.find("did not read") != std::string::npos; }));
  EXPECT_TRUE(eventually([this] { return server->connections() == 0; }));
}

TEST_F(ServerTest, OneAnswerLongerThanTheQueueGoesAlone) {
  options.max_queue_bytes = 1000;
  start();
  EXPECT_EQ(client().call("big", {{"bytes", 5'000'000}})->get<std::string>().size(), 5'000'000U);
}

TEST_F(ServerTest, OneClientTooManyIsToldSo) {
  options.max_connections = 2;
  start();
  auto first = client();
  auto second = client();
  ASSERT_TRUE(first.call("echo").ok() && second.call("echo").ok());
  RawSocket third(options.path);
  EXPECT_EQ(third.read()["error"]["code"], kTooLarge);
  EXPECT_TRUE(third.at_end());
  auto fourth = client();
  const auto refused = fourth.call("echo");
  ASSERT_FALSE(refused.ok());
  EXPECT_NE(refused.error().text.find("2 clients"), std::string::npos) << refused.error().text;
  EXPECT_TRUE(first.call("echo").ok());
}

TEST_F(ServerTest, ClosingAnswersPendingCallsSaysGoodbyeAndRemovesTheSocket) {
  start();
  auto caller = client();
  RawSocket follower(options.path);
  ASSERT_TRUE(follower.write(request_line(1, "follow", {})));
  ASSERT_EQ(follower.read()["id"], 1);
  std::thread closer([this] {
    EXPECT_TRUE(eventually([this] { return waiting.size() == 1; }));
    std::promise<void> closed;
    on_loop([&] { server->close("creeld is ending", [&closed] { closed.set_value(); }); });
    closed.get_future().wait();
    on_loop([this] { waiting[0](json("too late")); });
  });
  const auto result = caller.call("never", json::object(), seconds(20));
  ASSERT_FALSE(result.ok());
  EXPECT_EQ(result.error().code, ErrorCode::cancelled);
  EXPECT_EQ(result.error().text, "creeld is ending");
  const json goodbye = follower.read();
  EXPECT_EQ(goodbye["method"], "goodbye");
  EXPECT_EQ(goodbye["params"]["reason"], "creeld is ending");
  EXPECT_TRUE(follower.at_end());
  closer.join();
  EXPECT_FALSE(std::filesystem::exists(options.path));
  EXPECT_FALSE(Client::connect(options.path).ok());
}

TEST_F(ServerTest, DestroyingTheServerWhileCallsPendIsHarmless) {
  start();
  auto caller = client();
  std::thread ender([this] {
    EXPECT_TRUE(eventually([this] { return waiting.size() == 1; }));
    on_loop([this] { server.reset(); });
  });
  EXPECT_EQ(caller.call("never", json::object(), seconds(20)).error().code, ErrorCode::device_lost);
  ender.join();
  on_loop([this] { waiting[0](json("too late")); });
}

TEST_F(ServerTest, RefusesToStartWhereAnotherDaemonServes) {
  start();
  auto second = on_loop([this] {
    auto listening = Server::listen(io, *dispatcher, options);
    return listening.ok() ? Result<void>() : Result<void>(listening.error());
  });
  ASSERT_FALSE(second.ok());
  EXPECT_EQ(second.error().code, ErrorCode::refused);
  EXPECT_NE(second.error().text.find("another creeld"), std::string::npos) << second.error().text;
  EXPECT_TRUE(client().call("echo").ok()) << "the first one goes on";
}

TEST_F(ServerTest, RefusesToStartWhereAnotherProgramAnswers) {
  ASSERT_EQ(::mkdir((directory.path() + "/run").c_str(), 0700), 0);
  const int other = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  const sockaddr_un address = address_of(options.path);
  ASSERT_EQ(::bind(other, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
  ASSERT_EQ(::listen(other, 1), 0);
  const auto refused = listen();
  EXPECT_NE(error_of(refused).find("another program answers"), std::string::npos)
      << error_of(refused);
  EXPECT_TRUE(std::filesystem::exists(options.path));
  ::close(other);
  EXPECT_EQ(error_of(listen()), "") << "now it is a left-over, and removed";
  EXPECT_NE(log_text().find("left over"), std::string::npos);
  EXPECT_TRUE(client().call("echo").ok());
}

TEST_F(ServerTest, LeavesAloneWhatIsNoSocket) {
  ASSERT_EQ(::mkdir((directory.path() + "/run").c_str(), 0700), 0);
  std::ofstream(options.path) << "notes";
  EXPECT_NE(error_of(listen()).find("not a socket"), std::string::npos);
  EXPECT_TRUE(std::filesystem::is_regular_file(options.path));
}

TEST_F(ServerTest, RefusesADirectoryThatOthersMayWriteTo) {
  const std::string shared = directory.path() + "/run";
  ASSERT_EQ(::mkdir(shared.c_str(), 0700), 0);
  ASSERT_EQ(::chmod(shared.c_str(), 01777), 0);
  EXPECT_NE(error_of(listen()).find("may be written to by other users"), std::string::npos);
  ASSERT_EQ(::chmod(shared.c_str(), 0755), 0);
  EXPECT_EQ(error_of(listen()), "");
}

TEST_F(ServerTest, RefusesAPathThatIsTooLong) {
  options.path = directory.path() + "/" + std::string(120, 'x');
  const auto refused = listen();
  ASSERT_FALSE(refused.ok());
  EXPECT_EQ(refused.error().code, ErrorCode::invalid_request);
}

TEST_F(ServerTest, CanStartAgainInTheSamePlace) {
  for (int i = 0; i < 3; ++i) {
    ASSERT_EQ(error_of(listen()), "");
    EXPECT_TRUE(client().call("echo").ok());
    on_loop([this] { server.reset(); });
    EXPECT_FALSE(std::filesystem::exists(options.path));
  }
}

}  // namespace
}  // namespace creel::rpc
