// A program that is run for every alert: the alert as one JSON object on its standard input, and
// CREEL_ALERT (kind), CREEL_URGENT (yes, no), CREEL_TEXT and CREEL_SESSION in its environment. No
// shell, no arguments.
//
// Few at once, few waiting, each for a bounded time: an alert too many is dropped, the oldest
// waiting one first, and the log says so.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <string>

#include "daemon/alerts/alert.h"
#include "daemon/seams/programs.h"

namespace creel {

class HookChannel final : public AlertChannel {
 public:
  static constexpr std::size_t kMostWaiting = 16;
  static constexpr Duration kLimit = seconds(30);

  /// `programs` must outlive this, or never call back after it. `log` gets one line for each hook
  /// that fails and for each alert that is dropped.
  HookChannel(Programs& programs, std::string program, std::function<void(const std::string&)> log);
  ~HookChannel() override;
  void raise(const Alert& alert) override;
  void state(const nlohmann::json&) override {}
  void devices(const nlohmann::json&) override {}

 private:
  void run_next();

  Programs& programs_;
  std::string program_;
  std::function<void(const std::string&)> log_;
  std::deque<Alert> waiting_;
  std::size_t running_ = 0;
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);
};

}  // namespace creel
