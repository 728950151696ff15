#include "daemon/alerts/mqtt.h"

#include <mosquitto.h>
#include <mqtt_protocol.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <chrono>
#include <condition_variable>
#include <cstring>
#include <deque>
#include <map>
#include <mutex>
#include <optional>
#include <set>
#include <thread>
#include <utility>
#include <vector>

#include "protocol/base/text.h"

namespace creel {

using nlohmann::json;

namespace {

constexpr int kQuality = 1;  // at least once
constexpr int kLoopMs = 100;
constexpr std::size_t kMostUnanswered = 8;  ///< publications that the broker has not confirmed
constexpr auto kFarewell = std::chrono::seconds(3);  ///< for the last words at the end

std::string text_of(const json& object) {
  return object.dump(-1, ' ', false, json::error_handler_t::replace);
}

struct Message {
  std::string topic, text;
  bool retained = false;
};

}  // namespace

Result<void> read_broker(const std::string& text, MqttOptions& options) {
  const Error wrong{ErrorCode::invalid_request,
                    "the broker '" + text +
                        "' is not of the form HOST, HOST:PORT or [IPv6]:PORT, "
                        "PORT from 1 to 65535"};
  std::string host = text, port;
  if (text.rfind('[', 0) == 0) {
    const auto end = text.find(']');
    if (end == std::string::npos || (end + 1 < text.size() && text[end + 1] != ':')) {
      return wrong;
    }
    host = text.substr(1, end - 1);
    port = end + 1 < text.size() ? text.substr(end + 2) : "";
    if (end + 1 < text.size() && port.empty()) {
      return wrong;
    }
  } else if (const auto colon = text.find(':'); colon != std::string::npos) {
    host = text.substr(0, colon);
    port = text.substr(colon + 1);
    if (port.empty()) {
      return wrong;
    }
  }
  if (!port.empty()) {
    const auto [end, error] = std::from_chars(port.data(), port.data() + port.size(), options.port);
    if (error != std::errc() || end != port.data() + port.size() || options.port == 0) {
      return wrong;
    }
  }
  if (host.empty()) {
    return wrong;
  }
  options.host = host;
  return {};
}

Result<void> read_login(const std::string& text, MqttOptions& options) {
  std::vector<std::string> lines(1);
  for (const char c : text) {
    if (c == '\n') {
      lines.emplace_back();
    } else if (c != '\r') {
      lines.back() += c;
    }
  }
  while (lines.size() > 2 && lines.back().empty()) {
    lines.pop_back();
  }
  if (lines.size() != 2 || lines[0].empty()) {
    return Error{ErrorCode::invalid_request,
                 "must hold two lines: the user's name, then the password"};
  }
  options.user = lines[0];
  options.password = lines[1];
  return {};
}

std::string topic_level(const std::string& name) {
  std::string level = name.empty() ? "rig" : name;
  std::replace_if(
      level.begin(), level.end(),
      [](char c) {
        return c == '/' || c == '+' || c == '#' || c == '$' ||
               static_cast<unsigned char>(c) < 0x20 || c == 0x7F;
      },
      '_');
  return level;
}

/// What both threads see, and all that the channel's thread does.
struct MqttChannel::Shared {
  // Behind the lock.
  std::mutex mutex;
  std::condition_variable changed;
  std::deque<Message> alerts;
  std::map<std::string, std::string> retained;  ///< last text by topic
  std::set<std::string> unsent;  ///< topics of `retained` that the broker has not got
  std::function<void(const std::string&)> log;
  bool ending = false, ended = false;
  bool abandoned = false;  ///< nobody waits for the last words any more

  // The channel's thread only.
  MqttOptions options;
  std::string root;
  bool connected = false;
  bool refused = false;
  std::map<int, Message> unanswered;  ///< published, not confirmed; by the library's number
  Duration delay;                     ///< before the next try
  std::string said;                   ///< the last failure: the same is not said again and again

  void say(const std::string& line) {
    const std::lock_guard lock(mutex);
    if (log) {
      log("mqtt: " + line);
    }
  }
  void say_once(const std::string& line) {
    if (std::exchange(said, line) != line) {
      say(line);
    }
  }
  bool asked_to_end() {
    const std::lock_guard lock(mutex);
    return ending;
  }
  bool is_abandoned() {
    const std::lock_guard lock(mutex);
    return abandoned;
  }
  void retain(const std::string& level, std::string text) {
    const std::lock_guard lock(mutex);
    const std::string topic = root + level;
    retained[topic] = std::move(text);
    unsent.insert(topic);
  }
  std::optional<Message> next() {
    const std::lock_guard lock(mutex);
    if (!unsent.empty()) {
      const std::string topic = *unsent.begin();
      unsent.erase(unsent.begin());
      return Message{topic, retained[topic], true};
    }
    if (alerts.empty()) {
      return std::nullopt;
    }
    Message message = std::move(alerts.front());
    alerts.pop_front();
    return message;
  }
  void put_back(const Message& message) {
    const std::lock_guard lock(mutex);
    if (message.retained) {
      unsent.insert(message.topic);
    } else {
      alerts.push_front(message);
    }
  }

  static void on_connect(mosquitto*, void* self, int reason, int, const mosquitto_property*) {
    auto& shared = *static_cast<Shared*>(self);
    shared.connected = reason == 0;
    shared.refused = reason != 0;
    if (reason != 0) {
      shared.say_once("the broker at " + shared.options.host +
                      " refuses the connection: " + mosquitto_reason_string(reason));
      return;
    }
    shared.delay = shared.options.first_retry;
    shared.said.clear();
    shared.say("connected to " + shared.options.host + ":" + std::to_string(shared.options.port));
    const std::lock_guard lock(shared.mutex);
    for (const auto& [topic, text] : shared.retained) {
      shared.unsent.insert(topic);
    }
  }
  static void on_publish(mosquitto*, void* self, int id, int, const mosquitto_property*) {
    static_cast<Shared*>(self)->unanswered.erase(id);
  }

  /// False when it is to be tried again.
  bool publish(mosquitto* library, const Message& message) {
    int id = 0;
    const int done = mosquitto_publish_v5(library, &id, message.topic.c_str(),
                                          static_cast<int>(message.text.size()),
                                          message.text.data(), kQuality, message.retained, nullptr);
    if (done == MOSQ_ERR_SUCCESS) {
      unanswered[id] = message;
    } else if (done == MOSQ_ERR_PAYLOAD_SIZE || done == MOSQ_ERR_OVERSIZE_PACKET ||
               done == MOSQ_ERR_INVAL || done == MOSQ_ERR_MALFORMED_UTF8) {
      say("not published on " + message.topic + ": " + mosquitto_strerror(done));
      return true;  // it never will be
    }
    return done == MOSQ_ERR_SUCCESS;
  }

  void publish_waiting(mosquitto* library) {
    while (unanswered.size() < kMostUnanswered) {
      const auto message = next();
      if (!message) {
        return;
      }
      if (!publish(library, *message)) {
        put_back(*message);
        return;
      }
    }
  }

  /// While the connection stands. The last words are said before it goes.
  void serve(mosquitto* library) {
    bool farewell = false;
    while (true) {
      if (connected) {
        if (!farewell && asked_to_end()) {
          retain("online", "false");
          farewell = true;
        }
        publish_waiting(library);
        if (farewell && unanswered.empty() && nothing_waits()) {
          mosquitto_disconnect_v5(library, 0, nullptr);
          return;
        }
      } else if (is_abandoned()) {
        return;
      }
      const int done = mosquitto_loop(library, kLoopMs, 1);
      if (done != MOSQ_ERR_SUCCESS || refused) {
        if (connected) {
          say(std::string("the connection is lost: ") + mosquitto_strerror(done));
        } else if (!refused) {
          say_once(std::string("no connection: ") + mosquitto_strerror(done));
        }
        return;
      }
    }
  }
  bool nothing_waits() {
    const std::lock_guard lock(mutex);
    return alerts.empty() && unsent.empty();
  }

  /// Everything before connecting; MOSQ_ERR_SUCCESS or why not.
  int prepare(mosquitto* library) {
    mosquitto_int_option(library, MOSQ_OPT_PROTOCOL_VERSION, MQTT_PROTOCOL_V5);
    mosquitto_connect_v5_callback_set(library, on_connect);
    mosquitto_publish_v5_callback_set(library, on_publish);
    const std::string gone = "false";
    int done =
        mosquitto_will_set_v5(library, (root + "online").c_str(), static_cast<int>(gone.size()),
                              gone.data(), kQuality, true, nullptr);
    if (done == MOSQ_ERR_SUCCESS && !options.user.empty()) {
      done = mosquitto_username_pw_set(library, options.user.c_str(), options.password.c_str());
    }
    if (done == MOSQ_ERR_SUCCESS && !options.ca_file.empty()) {
      done =
          mosquitto_tls_set(library, options.ca_file.c_str(), nullptr, nullptr, nullptr, nullptr);
    }
    return done;
  }

  /// From connecting to losing the connection. Each has a library object of its own: what the
  /// broker did not confirm is ours to repeat, and nothing piles up in the library.
  void connect_once() {
    const std::unique_ptr<mosquitto, decltype(&mosquitto_destroy)> library(
        mosquitto_new(nullptr, true, this), mosquitto_destroy);
    connected = refused = false;
    int done = library == nullptr ? MOSQ_ERR_NOMEM : prepare(library.get());
    if (done == MOSQ_ERR_SUCCESS) {
      done = mosquitto_connect(library.get(), options.host.c_str(), options.port,
                               static_cast<int>(in_seconds(options.keep_alive)));
    }
    if (done == MOSQ_ERR_SUCCESS) {
      serve(library.get());
    } else {
      say_once("the broker at " + options.host + " cannot be reached (" +
               (done == MOSQ_ERR_ERRNO ? std::strerror(errno) : mosquitto_strerror(done)) +
               "); trying on, and what is to be told waits");
    }
    for (auto message = unanswered.rbegin(); message != unanswered.rend(); ++message) {
      put_back(message->second);
    }
    unanswered.clear();
  }

  /// False once it is to end.
  bool wait(Duration time) {
    std::unique_lock lock(mutex);
    changed.wait_for(lock, std::chrono::nanoseconds(time.value), [this] { return ending; });
    return !ending;
  }

  void run() {
    delay = options.first_retry;
    while (true) {
      connect_once();
      const Duration now = delay;
      delay = Duration{std::min(now.value * 2, options.longest_retry.value)};
      if (!wait(now)) {
        break;
      }
    }
    const std::lock_guard lock(mutex);
    ended = true;
    changed.notify_all();
  }
};

MqttChannel::MqttChannel(MqttOptions options, std::function<void(const std::string&)> log)
    : shared_(std::make_shared<Shared>()) {
  static const int library = mosquitto_lib_init();
  (void)library;
  shared_->options = std::move(options);
  shared_->root = "creel/" + topic_level(shared_->options.name) + "/";
  shared_->log = std::move(log);
  shared_->retain("online", "true");
  std::thread([shared = shared_] { shared->run(); }).detach();
}

MqttChannel::~MqttChannel() {
  std::unique_lock lock(shared_->mutex);
  shared_->ending = true;
  shared_->changed.notify_all();
  shared_->changed.wait_for(lock, kFarewell, [this] { return shared_->ended; });
  shared_->abandoned = true;
  shared_->log = nullptr;  // a thread that is stuck in the system's resolver is left to itself
}

void MqttChannel::raise(const Alert& alert) {
  const std::lock_guard lock(shared_->mutex);
  shared_->alerts.push_back({shared_->root + "alert", text_of(alert.object()), false});
  if (shared_->alerts.size() > kMostWaiting) {
    shared_->alerts.pop_front();
    if (shared_->log) {
      shared_->log("mqtt: too many alerts wait for the broker; the oldest is dropped");
    }
  }
}

void MqttChannel::state(const json& state) {
  shared_->retain("state", text_of(state));
}

void MqttChannel::devices(const json& devices) {
  shared_->retain("devices", text_of(devices));
}

}  // namespace creel
