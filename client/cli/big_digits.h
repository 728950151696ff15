// Digits large enough to be read across a dark room, drawn with block characters.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace creel::cli {

/// Rows of a text of digits, '.', '+', '-' and ' ' (anything else is a space): 5 * scale rows, each
/// padded to the same number of characters. A pixel is 2 * scale characters wide and `scale` rows
/// high, so that it looks square. `block` draws it: a full block, or "#" where that cannot be
/// shown.
std::vector<std::string> big_text(std::string_view text, std::size_t scale, std::string_view block);
/// Characters that each of its rows takes.
std::size_t big_width(std::string_view text, std::size_t scale);
constexpr std::size_t kBigRows = 5;

}  // namespace creel::cli
