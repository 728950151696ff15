// Publishes to an existing MQTT 5 broker (OASIS MQTT Version 5.0, 2019), for whoever watches a
// laboratory there. It never subscribes, so nothing that the broker sends is ever acted upon.
//
//   creel/NAME/online    retained: true; false once the daemon has ended, was killed (its Will), or
//                        the broker has not heard of it for 1.5 times the keep-alive
//   creel/NAME/state     retained: {state, session, text, exposures_done, exposures, frames_safe,
//                        shutter_may_be_open, utc}
//   creel/NAME/devices   retained: {device: state}
//   creel/NAME/alert     each alert once, not retained: {kind, urgent, text, session, utc}
//
// All of quality of service 1, JSON. While the broker is away alerts wait, the oldest are dropped
// when they are too many; of a state only the last counts. It tries again with a growing delay.
//
// One thread of its own makes every call of the library; it shares with the control thread nothing
// but a queue behind a lock.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>

#include "daemon/alerts/alert.h"
#include "protocol/base/result.h"
#include "protocol/base/units.h"

namespace creel {

struct MqttOptions {
  std::string host;
  std::uint16_t port = 1883;
  std::string name;            ///< of this rig in the topics
  std::string user, password;  ///< "" = none
  std::string ca_file;         ///< TLS when not empty: who vouches for the broker
  Duration keep_alive = seconds(20);
  Duration first_retry = seconds(1);
  Duration longest_retry = seconds(60);
};

/// "host", "host:1883", "[2001:db8::1]:8883". invalid_request otherwise.
Result<void> read_broker(const std::string& text, MqttOptions& options);
/// The text of a login file: the user on the first line, the password on the second.
/// invalid_request otherwise; the message never holds the password.
Result<void> read_login(const std::string& text, MqttOptions& options);
/// `name` as one level of a topic: no '/', '+', '#', no control character.
std::string topic_level(const std::string& name);

class MqttChannel final : public AlertChannel {
 public:
  static constexpr std::size_t kMostWaiting = 100;

  /// `log` is called on the channel's thread, one line each: connected, lost, dropped.
  MqttChannel(MqttOptions options, std::function<void(const std::string&)> log);
  /// Publishes what waits and "offline", as far as that takes no longer than a moment.
  ~MqttChannel() override;
  void raise(const Alert& alert) override;
  void state(const nlohmann::json& state) override;
  void devices(const nlohmann::json& devices) override;

 private:
  struct Shared;
  std::shared_ptr<Shared> shared_;  ///< outlives this while the thread is stuck in the system
};

}  // namespace creel
