#include "protocol/base/text.h"

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

}  // namespace creel
