#include "client/cli/big_digits.h"

#include <array>

namespace creel::cli {

namespace {

/// Rows from the top; a letter x is a lit pixel.
struct Glyph {
  char of;
  std::size_t width;
  std::array<const char*, kBigRows> rows;
};
constexpr std::array<Glyph, 14> kGlyphs{{
    {'0', 3, {"xxx", "x x", "x x", "x x", "xxx"}},
    {'1', 3, {" x ", "xx ", " x ", " x ", "xxx"}},
    {'2', 3, {"xxx", "  x", "xxx", "x  ", "xxx"}},
    {'3', 3, {"xxx", "  x", " xx", "  x", "xxx"}},
    {'4', 3, {"x x", "x x", "xxx", "  x", "  x"}},
    {'5', 3, {"xxx", "x  ", "xxx", "  x", "xxx"}},
    {'6', 3, {"xxx", "x  ", "xxx", "x x", "xxx"}},
    {'7', 3, {"xxx", "  x", "  x", "  x", "  x"}},
    {'8', 3, {"xxx", "x x", "xxx", "x x", "xxx"}},
    {'9', 3, {"xxx", "x x", "xxx", "  x", "xxx"}},
    {'-', 3, {"   ", "   ", "xxx", "   ", "   "}},
    {'+', 3, {"   ", " x ", "xxx", " x ", "   "}},
    {'.', 1, {" ", " ", " ", " ", "x"}},
    {' ', 1, {" ", " ", " ", " ", " "}},
}};

const Glyph& glyph(char of) {
  for (const Glyph& one : kGlyphs) {
    if (one.of == of) {
      return one;
    }
  }
  return kGlyphs.back();
}

}  // namespace

std::size_t big_width(std::string_view text, std::size_t scale) {
  std::size_t pixels = 0;
  for (const char c : text) {
    pixels += glyph(c).width + 1;
  }
  return pixels * 2 * scale;
}

std::vector<std::string> big_text(std::string_view text, std::size_t scale,
                                  std::string_view block) {
  std::vector<std::string> rows;
  for (std::size_t y = 0; y < kBigRows; ++y) {
    std::string row;
    const auto pixel = [&](bool lit) {
      for (std::size_t i = 0; i < 2 * scale; ++i) {
        row += lit ? block : " ";
      }
    };
    for (const char c : text) {
      const Glyph& one = glyph(c);
      for (std::size_t x = 0; x < one.width; ++x) {
        pixel(one.rows[y][x] == 'x');
      }
      pixel(false);
    }
    rows.insert(rows.end(), scale, row);
  }
  return rows;
}

}  // namespace creel::cli
