#include "client/cli/set_up_screen.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>

#include "client/cli/answer.h"
#include "client/cli/big_digits.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
constexpr const char* kNoNumber = "--";

double live_number(const json& status, const char* name) {
  return number_of(object_of(status, "live"), name, kNone);
}

std::string formatted(const char* format, double value) {
  if (!std::isfinite(value)) {
    return kNoNumber;
  }
  std::array<char, 64> text{};
  std::snprintf(text.data(), text.size(), format, value);
  return text.data();
}

std::string with_prefix(double value) {
  const Scaled made = scaled(value);
  return made.digits + (made.prefix.empty() ? "" : " " + made.prefix);
}

/// One of the four large numbers.
struct Cell {
  std::string label, digits;
};

std::array<Cell, 4> cells_of(const json& status) {
  const Scaled rate = scaled(live_number(status, "rate_per_s"));
  const std::string unit = text_of(status, "rate_unit", "electrons");
  return {{{"rate, " + rate.prefix + (rate.prefix.empty() ? "" : " ") + unit + " / s", rate.digits},
           {"electrons per pulse", scaled(live_number(status, "electrons_per_pulse")).digits},
           {"zero loss, eV", formatted("%+.2f", live_number(status, "zero_loss_ev"))},
           {"width of the zero loss, eV",
            formatted("%.2f", live_number(status, "zero_loss_fwhm_ev"))}}};
}

std::string cut(const std::string& text, std::size_t columns) {
  std::size_t seen = 0;
  std::size_t at = 0;
  while (at < text.size() && seen < columns) {
    ++at;
    while (at < text.size() && (static_cast<unsigned char>(text[at]) & 0xC0U) == 0x80U) {
      ++at;
    }
    ++seen;
  }
  return text.substr(0, at);
}

std::size_t characters(const std::string& text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

std::string padded(const std::string& text, std::size_t columns) {
  const std::string shown = cut(text, columns);
  return shown + std::string(columns - characters(shown), ' ');
}

/// Two cells beside each other.
std::vector<std::string> pair_of(const Cell& left, const Cell& right, std::size_t scale,
                                 const ScreenLook& look) {
  const std::size_t half = look.columns / 2;
  if (scale == 0) {
    return {padded(left.label + "  " + left.digits, half) + right.label + "  " + right.digits};
  }
  std::vector<std::string> lines{padded(left.label, half) + right.label};
  const auto a = big_text(left.digits, scale, look.block);
  const auto b = big_text(right.digits, scale, look.block);
  for (std::size_t i = 0; i < a.size(); ++i) {
    lines.push_back(padded(a[i], half) + b[i]);
  }
  lines.emplace_back();
  return lines;
}

/// The largest scale at which two rows of two cells fit beside `other` lines; 0 = none.
std::size_t scale_for(const std::array<Cell, 4>& cells, const ScreenLook& look, std::size_t other) {
  std::size_t scale = 0;
  const auto fits = [&](std::size_t tried) {
    const bool wide = std::any_of(cells.begin(), cells.end(), [&](const Cell& cell) {
      return big_width(cell.digits, tried) > look.columns / 2;
    });
    return !wide && 2 * (kBigRows * tried + 2) + other <= look.rows;
  };
  while (scale < 8 && fits(scale + 1)) {
    ++scale;
  }
  return scale;
}

std::string saturation_line(const json& status, const ScreenLook& look) {
  const json live = object_of(status, "live");
  const std::string frames = number(number_of(live, "saturated_frames"), 12) + " of " +
                             number(number_of(live, "frames"), 12) +
                             " frames saturated; highest pixel " +
                             formatted("%.0f", number_of(live, "highest_pixel", kNone));
  if (!flag_of(live, "saturated_now")) {
    return cut("not saturated: " + frames, look.columns);
  }
  const std::string text = cut(">>> SATURATED <<< less beam! " + frames, look.columns);
  return look.colour ? "\033[1;7m" + text + "\033[0m" : text;
}

/// Now against the peak, as a bar.
std::string peak_line(const json& status, const ScreenLook& look) {
  const double now = live_number(status, "rate_per_s");
  const double peak = live_number(status, "peak_rate_per_s");
  constexpr std::size_t kBar = 20;
  const double part = peak > 0 ? std::clamp(now / peak, 0.0, 1.0) : 0;
  const auto lit = static_cast<std::size_t>(std::isfinite(part) ? std::lround(part * kBar) : 0);
  std::string bar;
  for (std::size_t i = 0; i < kBar; ++i) {
    bar += i < lit ? look.block : ".";
  }
  return cut("peak " + with_prefix(peak) + " / s, " +
                 formatted("%.0f", live_number(status, "peak_ago_s")) +
                 " s ago; of the last minute " +
                 with_prefix(live_number(status, "peak_60s_per_s")) + "  [" + bar + "] " +
                 formatted("%.0f", 100 * part) + " %",
             look.columns);
}

std::string trend_text(const json& status) {
  return "trend: rate " + formatted("%+.1f", live_number(status, "rate_trend_percent_per_min")) +
         " +/- " + formatted("%.1f", live_number(status, "rate_trend_sigma")) +
         " %/min, zero loss " +
         formatted("%+.3f", live_number(status, "zero_loss_trend_ev_per_min")) + " +/- " +
         formatted("%.3f", live_number(status, "zero_loss_trend_sigma")) + " eV/min";
}

std::string dose_text(const json& status) {
  const json dose = object_of(status, "dose");
  return "dose " + number(number_of(dose, "series_e_per_a2")) + " of " +
         number(number_of(dose, "series_limit_e_per_a2")) + " e/A^2 in this set-up; the area " +
         number(number_of(dose, "area_e_per_a2")) + " of " +
         number(number_of(dose, "area_limit_e_per_a2"));
}

/// What the gauges read; "" where there are none.
std::string gauges_text(const json& status) {
  std::string text;
  for (const json& one : list_of(status, "gauges")) {
    const std::string gauge = text_of(one, "gauge");
    const std::string channel = text_of(one, "channel");
    const double value = number_of(one, "value", kNone);
    text += (text.empty() ? "" : "; ") + gauge +
            (channel.empty() || channel == gauge ? "" : " " + channel) + " " +
            (std::isfinite(value) ? number(value, 5) + " " + text_of(one, "unit") : kNoNumber);
  }
  return text;
}

/// The last minute, a character a second.
std::string history_line(const json& status, const ScreenLook& look) {
  static constexpr std::array<const char*, 8> kSteps = {"▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"};
  static constexpr std::array<const char*, 8> kPlain = {"_", ".", ",", "-", "~", "=", "+", "#"};
  const json history = list_of(object_of(status, "live"), "history");
  double most = 0;
  for (const json& one : history) {
    most = std::max(most, one.is_number() ? one.get<double>() : 0.0);
  }
  std::string line = "rate, last minute  ";
  for (const json& one : history) {
    const double part = most > 0 && one.is_number() ? one.get<double>() / most : 0;
    const auto step = static_cast<std::size_t>(std::clamp(part * 7.999, 0.0, 7.0));
    line += look.block == "#" ? kPlain.at(step) : kSteps.at(step);
  }
  return cut(line, look.columns);
}

}  // namespace

Scaled scaled(double value) {
  if (!std::isfinite(value)) {
    return {kNoNumber, ""};
  }
  static constexpr std::array<const char*, 5> kPrefixes = {"", "k", "M", "G", "T"};
  double size = std::abs(value);
  std::size_t prefix = 0;
  while (size >= 999.95 && prefix + 1 < kPrefixes.size()) {
    size /= 1000;
    value /= 1000;
    ++prefix;
  }
  const char* format = size < 9.9995 ? "%.3f" : size < 99.995 ? "%.2f" : "%.1f";
  return {formatted(format, value), kPrefixes.at(prefix)};
}

std::vector<std::string> set_up_screen(const json& status, const ScreenLook& look) {
  const auto cells = cells_of(status);
  std::vector<std::string> head{
      "SET-UP on " + text_of(status, "area") + ": ends by itself in " +
          time_span(std::round(number_of(status, "left_s"))) + "; Ctrl-C ends it now",
      "Class 4 laser, high tension, X-rays: hard-wired interlocks, eyewear, local rules",
      "(IEC 60825-1, ANSI Z136.1). This shutter control is not a safety interlock."};
  std::vector<std::string> tail{saturation_line(status, look), peak_line(status, look),
                                trend_text(status), history_line(status, look), dose_text(status)};
  if (const std::string gauges = gauges_text(status); !gauges.empty()) {
    tail.push_back(gauges);
  }
  if (text_of(status, "doing") != "exposing") {
    tail.push_back(text_of(status, "doing"));
  }
  for (const json& note : list_of(status, "notes")) {
    tail.push_back(note.is_string() ? note.get<std::string>() : "");
  }
  const std::size_t scale = scale_for(cells, look, head.size() + tail.size());
  std::vector<std::string> lines;
  const auto add = [&](const std::vector<std::string>& more) {
    for (const std::string& line : more) {
      // A line with an escape sequence was cut before it got that.
      lines.push_back(line.find('\033') == std::string::npos ? cut(line, look.columns) : line);
    }
  };
  add(head);
  add(pair_of(cells[0], cells[1], scale, look));
  add(pair_of(cells[2], cells[3], scale, look));
  add(tail);
  return lines;
}

std::string set_up_line(const json& status) {
  std::string line;
  for (const Cell& cell : cells_of(status)) {
    line += (line.empty() ? "" : "; ") + cell.label + " " + cell.digits;
  }
  line += flag_of(object_of(status, "live"), "saturated_now") ? "; SATURATED" : "";
  const std::string gauges = gauges_text(status);
  return line + "; peak " + with_prefix(live_number(status, "peak_rate_per_s")) + " / s; " +
         trend_text(status) + "; " + (gauges.empty() ? "" : gauges + "; ") + dose_text(status) +
         "; ends in " + time_span(std::round(number_of(status, "left_s")));
}

std::string set_up_summary(const json& last) {
  const json dose = object_of(last, "dose");
  const json shown = {{"live", object_of(last, "live")},
                      {"rate_unit", text_of(last, "rate_unit", "electrons")}};
  std::string text = "set-up on " + text_of(last, "area") +
                     " ended: " + text_of(last, "outcome", "unknown") + " (" +
                     text_of(last, "reason") + ")";
  if (!dose.empty()) {
    text += "\ndose " + number(number_of(dose, "series_e_per_a2")) +
            " e/A^2, charged to the area, which has had " +
            number(number_of(dose, "area_e_per_a2")) + " of " +
            number(number_of(dose, "area_limit_e_per_a2"));
  }
  if (number_of(shown["live"], "frames") > 0) {
    std::string line;
    for (const Cell& cell : cells_of(shown)) {
      line += (line.empty() ? "at the end: " : "; ") + cell.label + " " + cell.digits;
    }
    text += "\n" + line + "; peak " + with_prefix(live_number(shown, "peak_rate_per_s")) +
            " / s\n" + trend_text(shown);
  }
  return text;
}

}  // namespace creel::cli
