// Decides what is worth an alert. It is told of every event of the running series, of every change
// of a device and of the daemon's own beginning and end, and tells the channels. Waits are measured
// in real time: somebody sits there, or does not.
//
// Control thread only.
//
// SAFETY: an alert that a shutter is not closed is a message, not a personnel-safety interlock; see
// protocol/driver/creel_driver.h.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "daemon/alerts/alert.h"
#include "daemon/seams/clock.h"
#include "daemon/seams/scheduler.h"

namespace creel {

class AlertWatch {
 public:
  struct Limits {
    Duration long_wait = seconds(600);      ///< a guard that waits longer than this
    Duration device_away = seconds(60);     ///< a device that does not come back within this
    Duration device_failed = seconds(600);  ///< a device that for so long never works ...
    Duration device_settled = seconds(60);  ///< ... for so long at a stretch has failed for good
    Duration first_closing = seconds(15);   ///< to show every shutter closed at the daemon's start
    Duration again = seconds(600);          ///< the same alert is not raised again within this
  };

  AlertWatch(Scheduler& scheduler, const Clock& clock, Limits limits);
  ~AlertWatch();
  AlertWatch(const AlertWatch&) = delete;
  AlertWatch& operator=(const AlertWatch&) = delete;

  /// `channel` must outlive the watch.
  void add(AlertChannel& channel) { channels_.push_back(&channel); }
  [[nodiscard]] bool silent() const { return channels_.empty(); }
  /// Every alert as an event to be recorded in the running session.
  void record(std::function<void(nlohmann::json)> recorder) { recorder_ = std::move(recorder); }

  /// The daemon starts: from here on its shutters should soon be shown closed.
  void starting();
  /// Nothing is left to take up; `trouble` is why something could not be, "" = all is well.
  void started(const std::string& trouble);
  void ending(const std::string& why);
  /// An event of the running series, as recorded.
  void event(const nlohmann::json& event);
  /// `trouble`: what it met last.
  void device(const std::string& name, const std::string& state, const std::string& trouble);
  /// What the daemon does now (daemon.status' "series"); channels are told when it changed.
  void state(const nlohmann::json& series);

 private:
  void raise(const std::string& kind, bool urgent, const std::string& text,
             const std::string& same = "");
  void waits(const std::string& reason);
  void waits_no_more();
  void after(Duration time, TimerId& timer, std::function<void()> job);
  void cancel(TimerId& timer);
  void device_in_trouble(const std::string& name, const std::string& why);
  void device_ready(const std::string& name);
  void forget_trouble(const std::string& name);

  Scheduler& scheduler_;
  const Clock& clock_;
  Limits limits_;
  std::vector<AlertChannel*> channels_;
  std::function<void(nlohmann::json)> recorder_;
  std::string session_;
  std::map<std::string, SafetyTime> raised_;  ///< by what counts as the same alert
  std::map<std::string, std::string> devices_;
  std::map<std::string, TimerId> away_;  ///< devices that are not ready
  struct Trouble {
    TimerId failed = 0, settled = 0;
    std::string why;  ///< newest
  };
  std::map<std::string, Trouble> trouble_;  ///< devices that have not settled since they failed
  TimerId wait_ = 0, closing_ = 0;
  nlohmann::json told_;  ///< the state that channels know
  bool ending_ = false;
};

}  // namespace creel
