// The client against a server that says exactly what a test wants it to say.
#include "protocol/rpc/client.h"

#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <functional>
#include <thread>

namespace creel::rpc {
namespace {

using nlohmann::json;

class Directory {
 public:
  Directory() {
    std::string pattern = (std::filesystem::temp_directory_path() / "creel-client-XXXXXX").string();
    path_ = mkdtemp(pattern.data());
  }
  ~Directory() { std::filesystem::remove_all(path_); }
  [[nodiscard]] std::string file(const std::string& name) const { return path_ + "/" + name; }

 private:
  std::string path_;
};

int listen_at(const std::string& path) {
  const int socket = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  std::memcpy(address.sun_path, path.data(), path.size());
  EXPECT_EQ(::bind(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
  EXPECT_EQ(::listen(socket, 5), 0);
  return socket;
}

/// One connection of a scripted server.
class Wire {
 public:
  explicit Wire(int socket) : socket_(socket) {}
  ~Wire() { ::close(socket_); }
  Wire(const Wire&) = delete;
  Wire& operator=(const Wire&) = delete;
  json read() {
    std::string line;
    char c = 0;
    while (::recv(socket_, &c, 1, 0) == 1 && c != '\n') line += c;
    return json::parse(line, nullptr, false);
  }
  void write(const std::string& text) {
    (void)::send(socket_, text.data(), text.size(), MSG_NOSIGNAL);
  }

 private:
  int socket_;
};

class ClientTest : public testing::Test {
 protected:
  ~ClientTest() override {
    if (server_.joinable()) server_.join();
    if (listening_ >= 0) ::close(listening_);
  }
  /// Serves one connection with `script`, which ends it by returning.
  Client connect(std::function<void(Wire&)> script) {
    listening_ = listen_at(path);
    server_ = std::thread([this, script = std::move(script)] {
      Wire wire(::accept(listening_, nullptr, nullptr));
      script(wire);
    });
    auto client = Client::connect(path);
    EXPECT_TRUE(client.ok()) << client.error().text;
    return std::move(*client);
  }
  Directory directory;
  std::string path = directory.file("s");

 private:
  int listening_ = -1;
  std::thread server_;
};

TEST_F(ClientTest, GetsTheResultOfItsOwnCall) {
  auto client = connect([](Wire& wire) {
    const json call = wire.read();
    EXPECT_EQ(call["jsonrpc"], "2.0");
    EXPECT_EQ(call["method"], "ledger.balance");
    EXPECT_EQ(call["params"], (json{{"area", "grid-3/C4"}}));
    wire.write(to_line(make_response(999, "somebody else's")) + "\r\n" +
               to_line(make_response(call["id"], 42)));
  });
  const auto result = client.call("ledger.balance", {{"area", "grid-3/C4"}});
  ASSERT_TRUE(result.ok()) << result.error().text;
  EXPECT_EQ(*result, 42);
}

TEST_F(ClientTest, GetsTheErrorAsTheServerGaveIt) {
  auto client = connect([](Wire& wire) {
    wire.write(to_line(
        make_response(wire.read()["id"], make_fault({ErrorCode::refused, "a series runs"}))));
    wire.write(
        to_line(make_response(wire.read()["id"], make_fault(kMethodNotFound, "no method 'x'"))));
    wire.write(to_line({{"jsonrpc", "2.0"}, {"id", wire.read()["id"]}, {"error", "damaged"}}));
  });
  auto result = client.call("series.start");
  EXPECT_EQ(result.error().code, ErrorCode::refused);
  EXPECT_EQ(result.error().text, "a series runs");
  result = client.call("x");
  EXPECT_EQ(result.error().code, ErrorCode::invalid_request);
  EXPECT_EQ(result.error().text, "no method 'x'");
  EXPECT_EQ(client.call("x").error().code, ErrorCode::corrupt);
}

TEST_F(ClientTest, KeepsNotificationsThatComeBeforeTheAnswerInOrder) {
  auto client = connect([](Wire& wire) {
    const json call = wire.read();
    wire.write(notification_line("event", {{"n", 1}}) + notification_line("event", {{"n", 2}}));
    wire.write(to_line(make_response(call["id"], true)) + notification_line("event", {{"n", 3}}));
    wire.read();  // until the client goes
  });
  ASSERT_TRUE(client.call("events.follow").ok());
  for (int n = 1; n <= 3; ++n) {
    const auto notification = client.wait_notification(seconds(10));
    ASSERT_TRUE(notification.ok()) << notification.error().text;
    EXPECT_EQ(notification->method, "event");
    EXPECT_EQ(notification->params["n"], n);
  }
  EXPECT_EQ(client.wait_notification(milliseconds(1)).error().code, ErrorCode::timed_out);
}

TEST_F(ClientTest, TimesOutAndIsNotConfusedByTheLateAnswer) {
  auto client = connect([](Wire& wire) {
    const json first = wire.read();
    const json second = wire.read();
    wire.write(to_line(make_response(first["id"], "late")) +
               to_line(make_response(second["id"], "in time")));
  });
  const auto late = client.call("daemon.status", json::object(), milliseconds(20));
  EXPECT_EQ(late.error().code, ErrorCode::timed_out);
  EXPECT_NE(late.error().text.find("daemon.status"), std::string::npos) << late.error().text;
  EXPECT_EQ(*client.call("daemon.status"), "in time");
}

TEST_F(ClientTest, TakesAnAnswerInPiecesAndALongOne) {
  const std::string big(3'000'000, 'x');
  auto client = connect([&big](Wire& wire) {
    json id = wire.read()["id"];
    for (const char c : to_line(make_response(id, "in pieces"))) wire.write(std::string(1, c));
    id = wire.read()["id"];
    wire.write(to_line(make_response(id, big)));
  });
  EXPECT_EQ(*client.call("m"), "in pieces");
  EXPECT_EQ(*client.call("m"), big);
}

TEST_F(ClientTest, SaysWhyTheServerLeft) {
  auto client = connect([](Wire& wire) {
    wire.read();
    wire.write(notification_line("goodbye", {{"reason", "creeld is ending"}}));
  });
  const auto result = client.call("m");
  EXPECT_EQ(result.error().code, ErrorCode::device_lost);
  EXPECT_NE(result.error().text.find("creeld is ending"), std::string::npos) << result.error().text;
  EXPECT_EQ(client.call("m").error().code, ErrorCode::device_lost);
  EXPECT_EQ(client.wait_notification(seconds(10)).error().code, ErrorCode::device_lost);
}

TEST_F(ClientTest, ReportsNonsenseFromTheServer) {
  auto client = connect([](Wire& wire) {
    wire.read();
    wire.write("HTTP/1.1 400 Bad Request\n");
  });
  EXPECT_EQ(client.call("m").error().code, ErrorCode::corrupt);
}

TEST_F(ClientTest, TellsAMissingDaemonFromALeftOverSocket) {
  const auto missing = Client::connect(path);
  ASSERT_FALSE(missing.ok());
  EXPECT_EQ(missing.error().code, ErrorCode::refused);
  EXPECT_NE(missing.error().text.find("not running"), std::string::npos);
  EXPECT_NE(missing.error().text.find(path), std::string::npos);
  ::close(listen_at(path));
  const auto left_over = Client::connect(path);
  ASSERT_FALSE(left_over.ok());
  EXPECT_EQ(left_over.error().code, ErrorCode::refused);
  EXPECT_NE(left_over.error().text.find("left over"), std::string::npos) << left_over.error().text;
}

TEST_F(ClientTest, SaysWhenItMayNotReachTheSocket) {
  if (::geteuid() == 0) GTEST_SKIP() << "root may reach every socket";
  const int listening = listen_at(path);
  ASSERT_EQ(::chmod(path.c_str(), 0), 0);
  const auto client = Client::connect(path);
  ASSERT_FALSE(client.ok());
  EXPECT_NE(client.error().text.find("permission"), std::string::npos) << client.error().text;
  ::close(listening);
}

TEST_F(ClientTest, RefusesAnImpossiblePath) {
  EXPECT_EQ(Client::connect("/" + std::string(200, 'x')).error().code, ErrorCode::invalid_request);
  EXPECT_EQ(Client::connect("").error().code, ErrorCode::invalid_request);
}

}  // namespace
}  // namespace creel::rpc
