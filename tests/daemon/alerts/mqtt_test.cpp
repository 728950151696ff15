// Publication to a real broker (Debian's mosquitto), heard by a real subscriber.
// Behaviour of Will and retained messages: OASIS MQTT Version 5.0 (2019), sections 3.1.2.5 and
// 3.3.1.3.
#include "daemon/alerts/mqtt.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <mutex>

#include "tests/daemon/alerts/broker.h"

namespace creel {
namespace {

using nlohmann::json;
using test::Broker;
using test::Scratch;
using test::Subscriber;
using test::until;
using testing::HasSubstr;
using testing::Not;

MqttOptions to(const Broker& broker, const std::string& name = "ink lab/1") {
  MqttOptions options;
  options.host = "127.0.0.1";
  options.port = broker.port();
  options.name = name;
  options.first_retry = milliseconds(20);
  options.longest_retry = milliseconds(100);
  return options;
}

/// What the channel says of itself, from its own thread.
class Log {
 public:
  std::function<void(const std::string&)> taker() {
    return [this](const std::string& line) {
      const std::lock_guard lock(mutex_);
      text_ += line + "\n";
    };
  }
  std::string text() const {
    const std::lock_guard lock(mutex_);
    return text_;
  }
  bool says(const std::string& part) const {
    return until([&] { return text().find(part) != std::string::npos; });
  }
  std::size_t count(const std::string& part) const {
    const std::string all = text();
    std::size_t n = 0;
    for (auto at = all.find(part); at != std::string::npos; at = all.find(part, at + 1)) {
      ++n;
    }
    return n;
  }

 private:
  mutable std::mutex mutex_;
  std::string text_;
};

Alert an_alert(const std::string& text) {
  return {"hold", true, text, "ink-a", "2026-11-27T03:00:00.000Z"};
}

TEST(Mqtt, StatesAreRetainedAndAlertsAreNot) {
  const Scratch scratch;
  const Broker broker(scratch);
  const Subscriber early(scratch, broker);
  Log log;
  MqttChannel channel(to(broker), log.taker());
  channel.state({{"state", "idle"}});
  channel.devices({{"camera", "ready"}});
  channel.raise(an_alert("the series holds"));
  channel.state({{"state", "running"}});
  EXPECT_TRUE(early.hears("creel/ink lab_1/online true"));
  EXPECT_TRUE(early.hears(R"(creel/ink lab_1/state {"state":"running"})"));
  EXPECT_TRUE(early.hears(R"(creel/ink lab_1/alert {"kind":"hold","session":"ink-a")"));
  EXPECT_THAT(early.heard(), Not(HasSubstr("1 creel/"))) << "to who listens it is news";
  const Subscriber late(scratch, broker);
  EXPECT_TRUE(late.hears("1 creel/ink lab_1/online true"));
  EXPECT_TRUE(late.hears(R"(1 creel/ink lab_1/state {"state":"running"})"));
  EXPECT_TRUE(late.hears(R"(1 creel/ink lab_1/devices {"camera":"ready"})"));
  EXPECT_THAT(late.heard(), Not(HasSubstr("alert")));
}

TEST(Mqtt, TheEndIsPublishedAfterAllThatWaits) {
  const Scratch scratch;
  const Broker broker(scratch);
  const Subscriber subscriber(scratch, broker);
  Log log;
  {
    MqttChannel channel(to(broker), log.taker());
    for (int i = 0; i < 50; ++i) {
      channel.raise(an_alert("alert " + std::to_string(i) + "."));
    }
  }
  EXPECT_TRUE(subscriber.hears("online false"));
  for (int i = 0; i < 50; ++i) {
    EXPECT_THAT(subscriber.heard(), HasSubstr("alert " + std::to_string(i) + "."));
  }
}

TEST(Mqtt, ADaemonKilledWithSignal9IsShownAsOffline) {
  const Scratch scratch;
  const Broker broker(scratch);
  const Subscriber subscriber(scratch, broker);
  test::Process child({CREEL_TEST_PUBLISHER, "127.0.0.1:" + std::to_string(broker.port())},
                      scratch.file("child.log"));
  ASSERT_TRUE(subscriber.hears(R"(creel/child/state {"state":"running"})"))
      << scratch.read("child.log");
  ASSERT_TRUE(subscriber.hears("creel/child/online true"));
  EXPECT_THAT(subscriber.heard(), Not(HasSubstr("online false")));
  child.kill();
  EXPECT_TRUE(subscriber.hears("creel/child/online false"));
  const Subscriber late(scratch, broker);
  EXPECT_TRUE(late.hears("1 creel/child/online false")) << "retained, too";
}

TEST(Mqtt, ABrokerThatWasAwayGetsAllAfterwards) {
  const Scratch scratch;
  Broker broker(scratch);
  Log log;
  MqttChannel channel(to(broker), log.taker());
  channel.state({{"state", "idle"}});
  ASSERT_TRUE(log.says("connected"));
  broker.kill();
  ASSERT_TRUE(log.says("the connection is lost"));
  channel.state({{"state", "running"}});
  ASSERT_TRUE(log.says("cannot be reached"));
  broker.start();  // it remembers nothing
  ASSERT_TRUE(until([&] { return log.count("connected to") == 2; })) << log.text();
  const Subscriber subscriber(scratch, broker);
  EXPECT_TRUE(subscriber.hears("online true"));
  EXPECT_TRUE(subscriber.hears(R"(state {"state":"running"})"));
  channel.raise(an_alert("after the break"));
  EXPECT_TRUE(subscriber.hears("after the break"));
  EXPECT_EQ(log.count("cannot be reached"), 1U) << "the same is not said again and again";
}

TEST(Mqtt, WithoutABrokerOnlySoMuchWaits) {
  const Scratch scratch;
  Broker broker(scratch);
  broker.kill();
  Log log;
  {
    MqttChannel channel(to(broker), log.taker());
    ASSERT_TRUE(log.says("cannot be reached"));
    for (std::size_t i = 0; i < MqttChannel::kMostWaiting + 7; ++i) {
      channel.raise(an_alert("alert " + std::to_string(i)));
    }
  }
  EXPECT_EQ(log.count("the oldest is dropped"), 7U);
}

TEST(Mqtt, NothingIsEverSubscribedTo) {
  const Scratch scratch;
  const Broker broker(scratch);
  Log log;
  {
    MqttChannel channel(to(broker), log.taker());
    channel.raise(an_alert("x"));
    ASSERT_TRUE(log.says("connected"));
  }
  ASSERT_TRUE(until([&] { return broker.log().find("online'") != std::string::npos; }));
  EXPECT_THAT(broker.log(), HasSubstr("Received PUBLISH"));
  EXPECT_THAT(broker.log(), Not(HasSubstr("SUBSCRIBE")));
}

TEST(Mqtt, ABrokerThatWantsALoginGetsIt) {
  const Scratch scratch;
  scratch.write("users", "");
  ASSERT_EQ(
      test::run_to_end({"mosquitto_passwd", "-b", scratch.file("users"), "creel", "iron gall"}), 0);
  const Broker broker(scratch,
                      "allow_anonymous false\npassword_file " + scratch.file("users") + "\n");
  MqttOptions options = to(broker);
  {
    Log log;
    MqttChannel channel(options, log.taker());
    EXPECT_TRUE(log.says("refuses the connection"));
  }
  ASSERT_TRUE(read_login("creel\niron gall\n", options).ok());
  Log log;
  MqttChannel channel(options, log.taker());
  EXPECT_TRUE(log.says("connected"));
}

TEST(Mqtt, TlsIsOnlyForABrokerThatItsAuthorityVouchesFor) {
  const Scratch scratch;
  for (const char* who : {"right", "wrong"}) {
    ASSERT_EQ(
        test::run_to_end({"openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
                          "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
                          "-keyout", scratch.file(std::string(who) + ".key"), "-out",
                          scratch.file(std::string(who) + ".pem")}),
        0);
  }
  const Broker broker(scratch, "allow_anonymous true\ncertfile " + scratch.file("right.pem") +
                                   "\nkeyfile " + scratch.file("right.key") + "\n");
  MqttOptions options = to(broker);
  options.host = "localhost";
  options.ca_file = scratch.file("right.pem");
  {
    Log log;
    MqttChannel channel(options, log.taker());
    EXPECT_TRUE(log.says("connected"));
  }
  options.ca_file = scratch.file("wrong.pem");
  Log log;
  MqttChannel channel(options, log.taker());
  ASSERT_TRUE(until([&] { return !log.text().empty(); }));
  EXPECT_THAT(log.text(), Not(HasSubstr("connected")));
}

TEST(MqttOptions, ABrokerIsHostAndPort) {
  const auto read = [](const std::string& text) {
    MqttOptions options;
    const auto done = read_broker(text, options);
    return done.ok() ? options.host + " " + std::to_string(options.port) : "wrong";
  };
  EXPECT_EQ(read("broker.lab"), "broker.lab 1883");
  EXPECT_EQ(read("broker.lab:8883"), "broker.lab 8883");
  EXPECT_EQ(read("[2001:db8::1]:1884"), "2001:db8::1 1884");
  EXPECT_EQ(read("[2001:db8::1]"), "2001:db8::1 1883");
  for (const char* wrong :
       {"", ":1883", "a:", "a:0", "a:65536", "a:1x", "a:-1", "[a", "[a]b", "[]", "2001:db8::1"}) {
    EXPECT_EQ(read(wrong), "wrong") << wrong;
  }
}

TEST(MqttOptions, ALoginIsTwoLines) {
  MqttOptions options;
  ASSERT_TRUE(read_login("ada\r\nsecret word\r\n", options).ok());
  EXPECT_EQ(options.user, "ada");
  EXPECT_EQ(options.password, "secret word");
  for (const char* wrong : {"", "ada", "\nsecret", "ada\nsecret\nmore\n"}) {
    const auto read = read_login(wrong, options);
    ASSERT_FALSE(read.ok()) << wrong;
    EXPECT_THAT(read.error().text, Not(HasSubstr("secret")));
  }
}

TEST(MqttOptions, ANameIsOneLevelOfATopic) {
  EXPECT_EQ(topic_level("ink-lab"), "ink-lab");
  EXPECT_EQ(topic_level("a/b+c#d$\n"), "a_b_c_d__");
  EXPECT_EQ(topic_level(""), "rig");
}

}  // namespace
}  // namespace creel
