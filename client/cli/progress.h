// What a person sees of a running series: one line that changes, and lines for what matters. Pure:
// it is told statuses, events and the time.
#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

namespace creel::cli {

class Progress {
 public:
  /// `status`: the "series" member of daemon.status; `now_s`: any steady clock, for the time left.
  void take_status(const nlohmann::json& series, double now_s);
  /// Line for an event that a person should see, "03:10:07 hold: laser power outside its band";
  /// nothing for those that only move the progress line (stored, gauges, folding).
  std::optional<std::string> take_event(const nlohmann::json& event);

  /// exposure k/n, kind, dose against the limit, frames safe, time left. At most `width`
  /// characters.
  [[nodiscard]] std::string line(std::size_t width) const;
  /// Whether enough changed since the last plain line (10 % of the exposures, or holding) to print
  /// another.
  bool plain_line_due();
  [[nodiscard]] bool running() const { return running_; }

 private:
  [[nodiscard]] std::string dose_text() const;
  [[nodiscard]] std::string ratio_text() const;
  [[nodiscard]] std::string measures_text() const;
  [[nodiscard]] std::string time_left() const;

  nlohmann::json series_;
  bool running_ = false;
  std::string session_;
  double folding_ = -1;  ///< fraction, < 0: not folding
  double first_done_ = 0, first_s_ = 0, now_s_ = 0;
  bool timing_ = false;
  int last_tenth_ = -1;
  bool was_holding_ = false;
};

}  // namespace creel::cli
