#include "daemon/setup/live_view.h"

#include <algorithm>
#include <cmath>

namespace creel {

using nlohmann::json;

namespace {

json or_null(double value) {
  return std::isfinite(value) ? json(value) : json(nullptr);
}

/// The mean of what is known.
class Mean {
 public:
  void add(double value) {
    if (std::isfinite(value)) {
      sum_ += value;
      ++count_;
    }
  }
  [[nodiscard]] double value() const { return count_ > 0 ? sum_ / count_ : kNotKnown; }

 private:
  double sum_ = 0;
  int count_ = 0;
};

}  // namespace

Trend trend_of(const std::vector<double>& at_s, const std::vector<double>& values) {
  const auto n = static_cast<double>(values.size());
  if (values.size() < 3) {
    return {};
  }
  double t = 0;
  double v = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    t += at_s[i] / n;
    v += values[i] / n;
  }
  double tt = 0;
  double tv = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    tt += (at_s[i] - t) * (at_s[i] - t);
    tv += (at_s[i] - t) * (values[i] - v);
  }
  if (!(tt > 0)) {
    return {};
  }
  const double slope = tv / tt;
  double left = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const double off = values[i] - v - slope * (at_s[i] - t);
    left += off * off;
  }
  return {60 * slope, 60 * std::sqrt(left / (n - 2) / tt)};
}

void LiveView::add(const LiveFrame& frame) {
  ++frames_;
  saturated_ += frame.saturated ? 1 : 0;
  if (!(frame.rate <= peak_rate_)) {  // also the first one
    peak_rate_ = frame.rate;
    peak_at_s_ = frame.at_s;
  }
  kept_.push_back(frame);
  while (kept_.size() > kMostFrames || kept_.front().at_s < frame.at_s - kKept_s) {
    kept_.pop_front();
  }
}

std::vector<LiveView::Second> LiveView::by_second(double span_s) const {
  std::vector<Second> seconds;
  for (const LiveFrame& frame : kept_) {
    if (frame.at_s < kept_.back().at_s - span_s) {
      continue;
    }
    const auto at = static_cast<std::int64_t>(std::floor(frame.at_s));
    if (seconds.empty() || seconds.back().at != at) {
      seconds.push_back({at});
    }
    Second& second = seconds.back();
    second.rate += frame.rate;
    ++second.frames;
    if (std::isfinite(frame.zero_loss_ev)) {
      second.zero_loss_ev += frame.zero_loss_ev;
      ++second.with_zero_loss;
    }
  }
  for (Second& second : seconds) {
    second.rate /= static_cast<double>(second.frames);
    second.zero_loss_ev = second.with_zero_loss > 0
                              ? second.zero_loss_ev / static_cast<double>(second.with_zero_loss)
                              : kNotKnown;
  }
  return seconds;
}

void LiveView::add_now(json& into) const {
  Mean rate;
  Mean per_pulse;
  Mean zero_loss;
  Mean fwhm;
  double highest = kNotKnown;
  std::uint64_t saturated = 0;
  for (auto frame = kept_.rbegin(); frame != kept_.rend(); ++frame) {
    if (frame->at_s < kept_.back().at_s - kNow_s) {
      break;
    }
    rate.add(frame->rate);
    per_pulse.add(frame->per_pulse);
    zero_loss.add(frame->zero_loss_ev);
    fwhm.add(frame->fwhm_ev);
    highest = std::fmax(highest, frame->highest);
    saturated += frame->saturated ? 1 : 0;
  }
  into["rate_per_s"] = or_null(rate.value());
  into["electrons_per_pulse"] = or_null(per_pulse.value());
  into["zero_loss_ev"] = or_null(zero_loss.value());
  into["zero_loss_fwhm_ev"] = or_null(fwhm.value());
  into["highest_pixel"] = or_null(highest);
  into["saturated_now"] = saturated > 0;
}

void LiveView::add_trends(json& into) const {
  std::vector<double> at_s;
  std::vector<double> rates;
  std::vector<double> zero_at_s;
  std::vector<double> zeros;
  Mean mean;
  json history = json::array();
  for (const Second& second : by_second(kTrend_s)) {
    at_s.push_back(static_cast<double>(second.at));
    rates.push_back(second.rate);
    mean.add(second.rate);
    history.push_back(second.rate);
    if (std::isfinite(second.zero_loss_ev)) {
      zero_at_s.push_back(static_cast<double>(second.at));
      zeros.push_back(second.zero_loss_ev);
    }
  }
  const Trend rate = trend_of(at_s, rates);
  const Trend zero = trend_of(zero_at_s, zeros);
  const double to_percent = mean.value() > 0 ? 100 / mean.value() : kNotKnown;
  into["rate_trend_percent_per_min"] = or_null(rate.per_minute * to_percent);
  into["rate_trend_sigma"] = or_null(rate.sigma * to_percent);
  into["zero_loss_trend_ev_per_min"] = or_null(zero.per_minute);
  into["zero_loss_trend_sigma"] = or_null(zero.sigma);
  into["peak_60s_per_s"] =
      or_null(rates.empty() ? kNotKnown : *std::max_element(rates.begin(), rates.end()));
  into["history"] = std::move(history);
}

json LiveView::to_json() const {
  json made = {{"frames", frames_}, {"saturated_frames", saturated_}};
  add_now(made);
  add_trends(made);
  made["peak_rate_per_s"] = or_null(peak_rate_);
  made["peak_ago_s"] = or_null(kept_.empty() ? kNotKnown : kept_.back().at_s - peak_at_s_);
  return made;
}

}  // namespace creel
