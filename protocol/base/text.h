// Small things about text for people.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace creel {

/// A number as a person writes it: up to `digits` significant digits, no trailing zeros ("0.02",
/// "12.5").
std::string number(double value, int digits = 4);
/// A time span as a person says it: "3 ms", "12.5 s", "4 min 10 s", "2 h 5 min".
std::string time_span(double seconds);
/// Bytes as a person says them: "12.3 MB", decimal prefixes (IEC 80000-13 leaves k, M, G to powers
/// of ten).
std::string bytes_text(double bytes);
/// "2026-11-25T03:10:07.250Z" (RFC 3339) for nanoseconds since 1970-01-01T00:00:00Z, milliseconds
/// shown.
std::string utc_text(long long utc_ns);
/// The other way, from any RFC 3339 date and time with its zone; nothing for another text or a day
/// that does not exist. A leap second counts as the second after it.
std::optional<long long> utc_from_text(std::string_view text);

}  // namespace creel
