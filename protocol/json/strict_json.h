// Strict JSON (RFC 8259) for everything that comes from outside: documents written by people and
// requests from peers nobody vouches for.
//
// Stricter than the grammar where leniency would hide a mistake:
//   - UTF-8 only, and no byte order mark (RFC 8259 section 8.1: none may be added);
//   - a name that stands twice in one object is refused while parsing (RFC 7493 section 2.3);
//   - NaN, Infinity, comments, trailing commas, NUL bytes and anything after the value are refused;
//   - whole numbers must fit a signed 64-bit integer, other numbers a double, so none changes
//   silently;
//   - size, nesting depth and number of values are limited (RFC 8259 section 9 allows it).
// The first fault ends the parsing. Its text is one sentence that starts with the place,
// "film.series.json:12:7: ..." (line and column from 1, the column in characters), or with
// "line 12, column 7: ..." when no origin is given. All functions: any thread; nothing is kept.
#pragma once

#include <cstddef>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"

namespace creel {

/// What a text may cost us. The defaults suit documents; a server chooses smaller ones for
/// requests.
struct Limits {
  std::size_t bytes = 4U << 20;   ///< length of the text
  std::size_t depth = 64;         ///< arrays and objects inside each other
  std::size_t values = 1U << 20;  ///< arrays, objects, strings, numbers and literals in all
};

/// Parses one JSON text. invalid_request with one sentence otherwise. `origin` names the text in
/// that sentence: a path, "request", or "" for none.
Result<nlohmann::json> parse_strict(std::string_view text, Limits limits = {},
                                    std::string_view origin = "");

/// A parsed text that remembers the line of each value, to point a person at it. Costs about 12
/// bytes a value, and a copy of each name, beyond the value itself.
class Document {
 public:
  /// As parse_strict.
  static Result<Document> parse(std::string_view text, Limits limits = {},
                                std::string_view origin = "");

  nlohmann::json value;

  /// Line (from 1) at which the value stands; for an array or object the line of its opening
  /// bracket. When `pointer` leads to nothing in the text as it was parsed, the line of the
  /// innermost value on the way that exists: for a missing field, that of the object it is missing
  /// from.
  [[nodiscard]] int line_of(const nlohmann::json::json_pointer& pointer) const;

  /// One value in the order of the text; its descendants follow it, up to but not including `end`.
  struct Position {
    std::uint32_t line = 1;
    std::uint32_t end = 0;
    std::uint32_t name =
        kNoName;  ///< index into `names`; kNoName for an array's items and the root
    static constexpr std::uint32_t kNoName = 0xFFFFFFFF;
  };

 private:
  std::vector<Position> positions_;
  std::vector<std::string> names_;
};

}  // namespace creel
