#include "protocol/base/text.h"

#include <chrono>
#include <cmath>
#include <cstdio>
#include <ctime>
#include <iterator>

namespace creel {

std::string number(double value, int digits) {
  char text[64];
  std::snprintf(text, sizeof text, "%.*g", digits, value);
  return text;
}

std::string time_span(double seconds) {
  // The unit is that of the number as it will be shown: 0.9996 s are 1 s, not 1000 ms.
  if (seconds < 0.9995) {
    return number(seconds * 1e3, 3) + " ms";
  }
  if (seconds < 59.95) {
    return number(seconds, 3) + " s";
  }
  const auto whole = static_cast<long long>(std::llround(seconds));
  if (whole < 3600) {
    return std::to_string(whole / 60) + " min " + std::to_string(whole % 60) + " s";
  }
  return std::to_string(whole / 3600) + " h " + std::to_string(whole % 3600 / 60) + " min";
}

std::string bytes_text(double bytes) {
  static constexpr const char* kUnits[] = {"B", "kB", "MB", "GB", "TB", "PB"};
  std::size_t unit = 0;
  while (bytes >= 999.5 && unit + 1 < std::size(kUnits)) {
    bytes /= 1000;
    ++unit;
  }
  return number(bytes, 3) + " " + kUnits[unit];
}

std::string utc_text(long long utc_ns) {
  const long long floor_s = utc_ns / 1'000'000'000 - (utc_ns % 1'000'000'000 < 0 ? 1 : 0);
  const auto time = static_cast<std::time_t>(floor_s);
  const long long ms = (utc_ns - floor_s * 1'000'000'000) / 1'000'000;
  std::tm parts{};
  gmtime_r(&time, &parts);
  char text[64];
  std::snprintf(text, sizeof text, "%04d-%02d-%02dT%02d:%02d:%02d.%03lldZ", parts.tm_year + 1900,
                parts.tm_mon + 1, parts.tm_mday, parts.tm_hour, parts.tm_min, parts.tm_sec, ms);
  return text;
}

std::optional<long long> utc_from_text(std::string_view text) {
  const std::string copy(text);
  int year = 0, month = 0, day = 0, hour = 0, minute = 0, second = 0, used = 0;
  if (std::sscanf(copy.c_str(), "%4d-%2d-%2dT%2d:%2d:%2d%n", &year, &month, &day, &hour, &minute,
                  &second, &used) != 6 ||
      used != 19) {
    return std::nullopt;
  }
  const std::chrono::year_month_day date{std::chrono::year(year),
                                         std::chrono::month(static_cast<unsigned>(month)),
                                         std::chrono::day(static_cast<unsigned>(day))};
  std::size_t at = 19;
  long long ns = 0;
  if (at < copy.size() && copy[at] == '.') {
    long long unit = 100'000'000;
    for (++at; at < copy.size() && copy[at] >= '0' && copy[at] <= '9'; ++at, unit /= 10) {
      ns += unit * (copy[at] - '0');
    }
  }
  long long zone_min = 0;
  const std::string zone = copy.substr(at);
  if (zone != "Z") {
    int hours = 0, minutes = 0;
    if (zone.size() != 6 || (zone[0] != '+' && zone[0] != '-') ||
        std::sscanf(zone.c_str() + 1, "%2d:%2d", &hours, &minutes) != 2) {
      return std::nullopt;
    }
    zone_min = (zone[0] == '-' ? -1LL : 1LL) * (hours * 60LL + minutes);
  }
  if (!date.ok() || hour > 23 || minute > 59 || second > 60 || zone_min > 1439 ||
      zone_min < -1439) {
    return std::nullopt;
  }
  const long long days = std::chrono::sys_days(date).time_since_epoch().count();
  return (((days * 24 + hour) * 60 + minute - zone_min) * 60 + second) * 1'000'000'000 + ns;
}

}  // namespace creel
