// What the daemon tells the world by itself, and whoever carries it there.
//
// Outward only: an alert channel never listens, so it is never a way in.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

namespace creel {

struct Alert {
  /// "hold", "long_wait", "shutter_not_closed", "device_lost", "disk_short", "alarm",
  /// "series_ended", "daemon_started", "session_taken_up", "daemon_ending".
  std::string kind;
  bool urgent = false;  ///< somebody should come
  std::string text;     ///< what happened, what is safe, what to do: for a person at 3 a.m.
  std::string session;  ///< "" = none runs
  std::string utc;      ///< RFC 3339
  [[nodiscard]] nlohmann::json object() const {
    return {{"kind", kind},
            {"urgent", urgent},
            {"text", text},
            {"session", session.empty() ? nlohmann::json(nullptr) : nlohmann::json(session)},
            {"utc", utc}};
  }
};

/// Control thread only. Neither call waits for anything.
class AlertChannel {
 public:
  virtual ~AlertChannel() = default;
  virtual void raise(const Alert& alert) = 0;
  /// What the daemon does now; for channels that keep it.
  virtual void state(const nlohmann::json& state) = 0;
  /// The state of each device by its name.
  virtual void devices(const nlohmann::json& devices) = 0;
};

}  // namespace creel
