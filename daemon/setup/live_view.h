// The last minutes of a set-up, as a person wants to see them: now, the peak, the trend. Older
// frames are forgotten. Control thread.
#pragma once

#include <cstdint>
#include <deque>
#include <nlohmann/json.hpp>
#include <vector>

#include "daemon/setup/live_frames.h"

namespace creel {

/// A straight line through values against time.
struct Trend {
  double per_minute = kNotKnown;  ///< slope
  double sigma = kNotKnown;       ///< standard error of it, from the scatter about the line
};
/// Least squares with equal weights; NaN for fewer than three points or no spread in time. Source:
/// P. R. Bevington, D. K. Robinson, Data Reduction and Error Analysis, 3rd ed. (2003),
/// sec. 6.3-6.4.
Trend trend_of(const std::vector<double>& at_s, const std::vector<double>& values);

class LiveView {
 public:
  static constexpr double kKept_s = 300;  ///< frames older than this are forgotten
  static constexpr double kNow_s = 1;     ///< "now" is the mean over so long
  static constexpr double kTrend_s = 60;  ///< trends are taken over so long
  static constexpr std::size_t kMostFrames = 30'000;

  void add(const LiveFrame& frame);
  [[nodiscard]] std::uint64_t frames() const { return frames_; }
  /// {frames, rate_per_s, electrons_per_pulse, zero_loss_ev, zero_loss_fwhm_ev, highest_pixel,
  /// saturated_frames, peak_rate_per_s, peak_ago_s, peak_60s_per_s, rate_trend_percent_per_min,
  /// rate_trend_sigma, zero_loss_trend_ev_per_min, zero_loss_trend_sigma, history: one mean rate
  /// for each of the last 60 s}; null where it cannot be told.
  [[nodiscard]] nlohmann::json to_json() const;

 private:
  struct Second {  ///< what the frames of one second come to
    std::int64_t at = 0;
    double rate = 0, zero_loss_ev = 0;
    std::uint64_t frames = 0, with_zero_loss = 0;
  };
  [[nodiscard]] std::vector<Second> by_second(double span_s) const;
  void add_now(nlohmann::json& into) const;
  void add_trends(nlohmann::json& into) const;

  std::deque<LiveFrame> kept_;
  std::uint64_t frames_ = 0, saturated_ = 0;
  double peak_rate_ = kNotKnown, peak_at_s_ = 0;  ///< of all frames, forgotten ones too
};

}  // namespace creel
