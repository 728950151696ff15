#include "client/cli/progress.h"

#include <algorithm>
#include <cmath>

#include "client/cli/answer.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

bool is_quiet(const std::string& event) {
  static constexpr const char* kQuiet[] = {"stored", "gauges", "folding",  "setting",
                                           "moved",  "answer", "measures", "shutter_times"};
  return std::any_of(std::begin(kQuiet), std::end(kQuiet),
                     [&event](const char* one) { return event == one; });
}

/// Cuts after `width` characters, never inside one.
std::string cut(const std::string& text, std::size_t width) {
  std::size_t characters = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const bool begins = (static_cast<unsigned char>(text[i]) & 0xC0U) != 0x80U;
    if (begins && ++characters > width) {
      return text.substr(0, i);
    }
  }
  return text;
}

/// Control characters as spaces: what creeld sends may hold texts of devices.
std::string printable(std::string text) {
  std::replace_if(
      text.begin(), text.end(),
      [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7F; }, ' ');
  return text;
}

}  // namespace

void Progress::take_status(const json& series, double now_s) {
  series_ = series;
  running_ = flag_of(series, "running");
  now_s_ = now_s;
  const std::string session = text_of(series, "session");
  const double done = number_of(series, "exposures_done");
  const bool holding = flag_of(series, "holding");
  if (!timing_ || session != session_ || holding) {  // a hold is no measure of the pace
    first_done_ = done;
    first_s_ = now_s;
    timing_ = running_;
    session_ = session;
  }
}

std::optional<std::string> Progress::take_event(const json& event) {
  const std::string what = text_of(event, "event");
  if (what == "folding") {
    folding_ = number_of(event, "done") / std::max(1.0, number_of(event, "total"));
  } else if (what == "session_closed") {
    folding_ = -1;
  } else if (what == "answer") {
    series_["white_line_ratio"] = member_of(event, "white_line_ratio");
    series_["white_line_ratio_sigma"] = member_of(event, "white_line_ratio_sigma");
  }
  if (is_quiet(what) || what.empty()) {
    return std::nullopt;
  }
  const std::string utc = text_of(event, "utc");
  const std::string time = utc.size() >= 19 ? utc.substr(11, 8) + "Z " : "";
  const bool loud = what == "alarm";
  std::string line = time + (loud ? "ALARM" : what) + ": " + text_of(event, "text", what);
  if (what == "hold") {
    line += "  (shutter closed; 'creel continue' goes on, 'creel stop' ends it)";
  }
  return printable(line);
}

std::string Progress::dose_text() const {
  // The area nearest to one of its limits speaks for all.
  double nearest = -1;
  std::string text;
  const json doses = object_of(series_, "dose");
  for (const auto& [area, dose] : doses.items()) {
    for (const char* which : {"series", "area"}) {
      const std::string name = which;
      const double had = number_of(dose, (name + "_e_per_a2").c_str());
      const double limit = number_of(dose, (name + "_limit_e_per_a2").c_str());
      if (limit > 0 && had / limit > nearest) {
        nearest = had / limit;
        text = "dose " + number(had, 3) + "/" + number(limit, 3) + " e/A^2";
      }
    }
  }
  return text;
}

std::string Progress::ratio_text() const {
  const double ratio = number_of(series_, "white_line_ratio", std::nan(""));
  const double sigma = number_of(series_, "white_line_ratio_sigma", std::nan(""));
  return std::isfinite(ratio) ? "L3/L2 " + number(ratio, 3) + " +- " + number(sigma, 2) : "";
}

/// What guards see of beam and specimen: those numbers that a person glances at.
std::string Progress::measures_text() const {
  const json measures = member_of(series_, "measures");
  const auto value = [&measures](const char* name) {
    return measures.is_object() ? number_of(member_of(measures, name), "value", std::nan(""))
                                : std::nan("");
  };
  std::string text;
  const auto add = [&text](double shown, const std::string& before, const std::string& after) {
    if (std::isfinite(shown)) {
      text += (text.empty() ? "" : ", ") + before + number(shown, 3) + after;
    }
  };
  add(value("zero_loss_ev"), "zero loss at ", " eV");
  add(value("t_over_lambda"), "t/lambda ", "");
  return text;
}

std::string Progress::time_left() const {
  const double done = number_of(series_, "exposures_done");
  const double left = number_of(series_, "exposures") - done;
  const double pace = done - first_done_;
  if (!timing_ || pace <= 0 || now_s_ <= first_s_ || left <= 0) {
    return "";
  }
  return "about " + time_span(std::max(1.0, std::ceil((now_s_ - first_s_) / pace * left))) +
         " left";
}

std::string Progress::line(std::size_t width) const {
  if (!running_) {
    return cut(flag_of(series_, "preparing") ? "preparing a series" : "no series is running",
               width);
  }
  std::string text;
  const auto add = [&text](const std::string& part) {
    text += part.empty() ? "" : (text.empty() ? "" : ", ") + part;
  };
  if (flag_of(series_, "holding")) {
    add("HOLDING, shutter " +
        std::string(flag_of(series_, "shutter_may_be_open") ? "MAY BE OPEN" : "closed"));
  }
  const double total = number_of(series_, "exposures");
  const double done = number_of(series_, "exposures_done");
  add("exposure " + number(std::min(done + 1, total), 12) + "/" + number(total, 12) + " " +
      text_of(series_, "kind"));
  add(dose_text());
  add(ratio_text());
  add(measures_text());
  add(number(number_of(series_, "frames_safe"), 12) + " frames safe");
  if (folding_ >= 0) {
    add("closing the session, " + number(std::floor(folding_ * 100), 3) + " %");
  } else if (!flag_of(series_, "holding")) {
    add(time_left());
  }
  return cut(printable(text), width);
}

bool Progress::plain_line_due() {
  const double total = std::max(1.0, number_of(series_, "exposures"));
  const int tenth =
      running_ ? static_cast<int>(number_of(series_, "exposures_done") / total * 10) : -1;
  const bool holding = flag_of(series_, "holding");
  const bool due = running_ && (tenth != last_tenth_ || holding != was_holding_);
  last_tenth_ = tenth;
  was_holding_ = holding;
  return due;
}

}  // namespace creel::cli
