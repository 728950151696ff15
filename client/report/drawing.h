// A gnuplot script becomes an SVG and a PNG.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <string_view>

#include "protocol/base/result.h"

namespace creel::report {

enum class Format : std::uint8_t { svg, png };

/// The script that draws into the file `output` of the current directory (a plain name, ours).
using Script = std::function<std::string(Format format, std::string_view output)>;

/// Draws BASE.svg and BASE.png. Each is moved into place whole, both only after both are drawn;
/// existing ones are replaced. The directory of `base` must exist. Errors as of run_gnuplot, and
/// storage_failed.
Result<void> draw_files(const std::string& base, const Script& script);

/// Writes a text file whole or not at all: beside its place first, then renamed.
Result<void> write_whole(const std::string& path, const std::string& text);

/// `text` as a gnuplot string that gnuplot takes literally: straight single quotes as
/// typographic ones, control characters as spaces, at most `most` characters (UTF-8 kept whole).
std::string literal(std::string_view text, std::size_t most = 120);
/// A number for gnuplot, ten digits; "NaN" for what is none.
std::string exact(double value);
/// Terminal, encoding and the look that all our figures share, for a figure `height` points tall.
std::string figure_setup(Format format, std::string_view output, int height);

// Our own colours: the blue-black of fresh ink, the brown of old ink, and greys that print well.
inline constexpr const char* kInk = "#27415e";
inline constexpr const char* kInkBand = "#b9c6d6";
inline constexpr const char* kBrown = "#8a5a2b";
inline constexpr const char* kGrey = "#5f6368";

}  // namespace creel::report
