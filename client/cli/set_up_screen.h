// What a person sees of a live set-up. Pure: it is told statuses (setup.status in
// protocol/rpc/openrpc.json) and the size of the terminal.
#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

namespace creel::cli {

struct ScreenLook {
  std::size_t columns = 80, rows = 24;
  bool colour = true;       ///< false: no escape sequences for colour (NO_COLOR)
  std::string block = "█";  ///< "#" where the terminal shows no UTF-8
};

/// The whole screen, a line an element, none wider than `columns` characters: who and how long, the
/// cautions, four large numbers (rate, electrons per pulse, zero-loss position and width), then
/// saturation, peak, trend and dose. The large numbers grow with the terminal; on one that is too
/// small for them they are written as text.
std::vector<std::string> set_up_screen(const nlohmann::json& status, const ScreenLook& look);

/// The same on one line, for what is no terminal.
std::string set_up_line(const nlohmann::json& status);

/// How it ended, for a person.
std::string set_up_summary(const nlohmann::json& last);

/// A number with 4 digits and a prefix, so that its width stays: {"6.283", "M"}. "--" for what is
/// none.
struct Scaled {
  std::string digits, prefix;
};
Scaled scaled(double value);

}  // namespace creel::cli
