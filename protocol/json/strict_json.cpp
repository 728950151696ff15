#include "protocol/json/strict_json.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <iterator>
#include <limits>
#include <optional>
#include <utility>

namespace creel {
namespace {

using nlohmann::json;

/// An iterator that tells how far the library has read, which its own callbacks do not.
class CountingIterator {
 public:
  using iterator_category = std::forward_iterator_tag;
  using value_type = char;
  using difference_type = std::ptrdiff_t;
  using pointer = const char*;
  using reference = const char&;

  CountingIterator(const char* at, const char** furthest) : at_(at), furthest_(furthest) {}
  reference operator*() const { return *at_; }
  CountingIterator& operator++() {
    *furthest_ = ++at_;
    return *this;
  }
  CountingIterator operator++(int) {
    CountingIterator before = *this;
    ++*this;
    return before;
  }
  friend bool operator==(const CountingIterator& a, const CountingIterator& b) {
    return a.at_ == b.at_;
  }

 private:
  const char* at_;
  const char** furthest_;
};

/// Line and column, both from 1, of a byte; the column counts characters, not bytes.
std::pair<std::size_t, std::size_t> line_and_column(std::string_view text, std::size_t offset) {
  const std::string_view before = text.substr(0, std::min(offset, text.size()));
  const auto line = static_cast<std::size_t>(std::count(before.begin(), before.end(), '\n')) + 1;
  const std::size_t newline = before.rfind('\n');
  const std::string_view row = newline == before.npos ? before : before.substr(newline + 1);
  const auto characters = std::count_if(row.begin(), row.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;  // not a continuation byte of UTF-8
  });
  return {line, static_cast<std::size_t>(characters) + 1};
}

Error fault_at(std::string_view text, std::size_t offset, std::string_view origin,
               const std::string& sentence) {
  const auto [line, column] = line_and_column(text, offset);
  std::string place;
  if (origin.empty()) {
    place = "line " + std::to_string(line) + ", column " + std::to_string(column);
  } else {
    place = std::string(origin) + ":" + std::to_string(line) + ":" + std::to_string(column);
  }
  return {ErrorCode::invalid_request, place + ": " + sentence};
}

/// `raw` in single quotes, at most 40 bytes, with whatever is not printable ASCII as \xNN.
std::string shown(std::string_view raw) {
  constexpr std::size_t kMost = 40;
  constexpr std::string_view kHex = "0123456789abcdef";
  std::string out = "'";
  for (const char c : raw.substr(0, kMost)) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte >= 0x20 && byte < 0x7F) {
      out += c;
    } else {
      out += {'\\', 'x', kHex[byte >> 4U], kHex[byte & 0xFU]};
    }
  }
  return out + (raw.size() > kMost ? "...'" : "'");
}

/// Builds the value from the library's callbacks, and refuses what the grammar alone lets through.
class Builder {
 public:
  Builder(std::string_view text, const Limits& limits, std::string_view origin, bool track)
      : text_(text), limits_(limits), origin_(origin), track_(track) {}

  // The interface that nlohmann::json::sax_parse asks for.
  bool null() { return add(nullptr); }
  bool boolean(bool value) { return add(value); }
  bool number_integer(std::int64_t value) { return add(value); }
  bool number_unsigned(std::uint64_t value) {
    if (value > static_cast<std::uint64_t>(std::numeric_limits<std::int64_t>::max())) {
      return refuse(last_byte(), kTooLarge);
    }
    return add(value);
  }
  bool number_float(double value, const std::string& written) {
    if (written.find_first_of(".eE") == std::string::npos) {  // too long for any integer
      return refuse(last_byte(), kTooLarge);
    }
    return add(value);
  }
  bool string(std::string& value) { return add(std::move(value)); }
  bool binary(json::binary_t& /*value*/) { return refuse(0, "binary data are not JSON"); }
  bool start_object(std::size_t /*size*/) { return open(json::object()); }
  bool start_array(std::size_t /*size*/) { return open(json::array()); }
  bool end_object() { return shut(); }
  bool end_array() { return shut(); }
  bool key(std::string& name);
  bool parse_error(std::size_t position, const std::string& token, const json::exception& why);

  const char* read_to = nullptr;  ///< kept by CountingIterator
  json root;
  std::optional<Error> error;
  std::vector<Document::Position> positions;
  std::vector<std::string> names;

 private:
  static constexpr const char* kTooLarge =
      "a whole number must lie between -9223372036854775808 and 9223372036854775807";

  struct Level {
    json* value;
    std::size_t opened_at;   ///< byte of its bracket
    std::uint32_t position;  ///< index in `positions`
  };

  bool refuse(std::size_t offset, const std::string& sentence) {
    error = fault_at(text_, offset, origin_, sentence);
    return false;
  }
  bool add(json value);
  bool open(json empty);
  bool shut();
  [[nodiscard]] std::size_t last_byte() const;
  [[nodiscard]] std::string unfinished() const;
  void note_position();

  std::string_view text_;
  Limits limits_;
  std::string_view origin_;
  bool track_;
  std::vector<Level> levels_;
  std::size_t values_ = 0;
  std::string name_;  // of the value to come
  std::uint32_t name_index_ = Document::Position::kNoName;
  std::size_t counted_to_ = 0;  // lines are counted up to this byte
  std::uint32_t line_ = 1;
};

/// The last byte of the token just read. The library reads one byte past a number to see that it
/// ends.
std::size_t Builder::last_byte() const {
  const auto read = static_cast<std::size_t>(read_to - text_.data());
  std::size_t last = read == 0 ? 0 : read - 1;
  constexpr std::string_view kAfterNumber = " \t\r\n,]}";
  while (last > 0 && kAfterNumber.find(text_[last]) != std::string_view::npos) --last;
  return last;
}

void Builder::note_position() {
  const std::size_t here = last_byte();
  for (; counted_to_ < here; ++counted_to_) {
    line_ += text_[counted_to_] == '\n' ? 1U : 0U;
  }
  const auto index = static_cast<std::uint32_t>(positions.size());
  positions.push_back({line_, index + 1, std::exchange(name_index_, Document::Position::kNoName)});
}

bool Builder::add(json value) {
  if (++values_ > limits_.values) {
    return refuse(last_byte(), "too many values; at most " + std::to_string(limits_.values) +
                                   " are allowed in one text");
  }
  if (track_) note_position();
  if (levels_.empty()) {
    root = std::move(value);
    return true;
  }
  json& parent = *levels_.back().value;
  if (parent.is_array()) {
    parent.push_back(std::move(value));
  } else {
    parent[name_] = std::move(value);
  }
  return true;
}

bool Builder::open(json empty) {
  if (levels_.size() >= limits_.depth) {
    return refuse(last_byte(), "nested too deeply; at most " + std::to_string(limits_.depth) +
                                   " levels are allowed");
  }
  if (!add(std::move(empty))) return false;
  json* here = &root;
  if (!levels_.empty()) {
    json& parent = *levels_.back().value;
    here = parent.is_array() ? &parent.back() : &parent[name_];
  }
  levels_.push_back({here, last_byte(), static_cast<std::uint32_t>(positions.size()) - 1});
  return true;
}

bool Builder::shut() {
  if (track_) positions[levels_.back().position].end = static_cast<std::uint32_t>(positions.size());
  levels_.pop_back();
  return true;
}

bool Builder::key(std::string& name) {
  if (levels_.back().value->contains(name)) {
    return refuse(last_byte(), "the name " + shown(name) + " stands twice in the same object");
  }
  name_ = std::move(name);
  if (track_) {
    name_index_ = static_cast<std::uint32_t>(names.size());
    names.push_back(name_);
  }
  return true;
}

/// What stands at `offset` as a person sees it: a whole word or number, else one character.
std::string_view word_at(std::string_view text, std::size_t offset) {
  const auto in_word = [&](std::size_t at) {
    const char c = text[at];
    return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_' ||
           c == '+' || c == '-' || c == '.';
  };
  std::size_t first = offset;
  std::size_t end = offset + 1;
  while (first > 0 && in_word(offset) && in_word(first - 1)) --first;
  while (end < text.size() && in_word(offset) && in_word(end)) ++end;
  return text.substr(first, end - first);
}

bool looks_like_number(std::string_view word) {
  return std::string_view("+-.0123456789").find(word.front()) != std::string_view::npos;
}

/// A fault inside a text in quotes; "" when `why` (the library's words) is about something else.
std::string text_fault(std::string_view why) {
  const auto says = [&](std::string_view part) { return why.find(part) != why.npos; };
  if (!says("invalid string")) return "";
  if (says("UTF-8")) return "a text is not valid UTF-8; save the file as UTF-8";
  if (says("control character")) {
    return "a text holds a raw control character or is not closed on its line; write \\n or \\t "
           "for "
           "line ends and tabs, and close it with \"";
  }
  return "a text holds a wrong escape sequence; JSON has \\\" \\\\ \\/ \\b \\f \\n \\r \\t and "
         "\\uXXXX "
         "(characters above FFFF as a pair)";
}

/// A word that stands where it must not. `why` still tells what the library was waiting for.
std::string word_fault(std::string_view word, std::string_view why) {
  const auto says = [&](std::string_view part) { return why.find(part) != why.npos; };
  const std::string what = shown(word);
  if (word.front() == '/' || word.front() == '#') return "comments are not allowed in JSON";
  if (word.front() == '\'') return "texts stand in double quotes (\") in JSON";
  if (says("while parsing object key"))
    return what + " stands where a name in double quotes must be";
  const bool leading_zero = word.size() > 1 && word[0] == '0';
  if (looks_like_number(word) && (says("invalid") || leading_zero)) {
    return what + " is not a JSON number";
  }
  if (says("invalid literal")) {
    return what +
           " is not JSON; a value is a text in double quotes, a finite number, true, false, "
           "null, a list or an object";
  }
  if (says("object separator")) return what + " stands where the : after a name must be";
  if (says("expected end of input")) return what + " stands after the end of the value";
  if (says("while parsing array")) return what + " stands where , or ] must be";
  if (says("while parsing object")) return what + " stands where , or } must be";
  return what + " stands where a value must be";
}

/// Says what a person did, from the byte at which the library stopped and its own words.
bool Builder::parse_error(std::size_t position, const std::string& token,
                          const json::exception& why) {
  const std::string_view words = why.what();
  const auto says = [&](std::string_view part) { return words.find(part) != words.npos; };
  std::size_t offset = position == 0 ? 0 : position - 1;
  if (offset >= text_.size()) return refuse(text_.size(), unfinished());
  if (says("number overflow")) {
    const std::string_view number = word_at(text_, offset);
    return refuse(static_cast<std::size_t>(number.data() - text_.data()),
                  "the number " + shown(number) + " is too large");
  }
  if (const std::string fault = text_fault(words); !fault.empty()) return refuse(offset, fault);
  if (says("unexpected string literal")) {  // the token is the text as it was written
    const std::size_t first = text_.substr(0, position).rfind(token);
    return refuse(first == text_.npos ? offset : first, word_fault(token, words));
  }
  if (says("invalid number") && offset > 0 && !looks_like_number(text_.substr(offset))) {
    const std::string_view before = word_at(text_, offset - 1);
    if (before.data() + before.size() == text_.data() + offset) --offset;
  }
  const std::string_view word = word_at(text_, offset);
  return refuse(static_cast<std::size_t>(word.data() - text_.data()), word_fault(word, words));
}

std::string Builder::unfinished() const {
  if (levels_.empty()) return "the text ends before the value does";
  const auto [line, column] = line_and_column(text_, levels_.back().opened_at);
  return "the text ends before the " +
         std::string(levels_.back().value->is_array() ? "list" : "object") + " opened at line " +
         std::to_string(line) + ", column " + std::to_string(column) + " is closed";
}

/// What is wrong with the text before the grammar is asked; "" for nothing.
std::optional<Error> refuse_early(std::string_view text, const Limits& limits,
                                  std::string_view origin) {
  if (text.size() > limits.bytes) {
    return fault_at("", 0, origin,
                    "the text has " + std::to_string(text.size()) + " bytes; at most " +
                        std::to_string(limits.bytes) + " are allowed");
  }
  if (text.substr(0, 3) == "\xEF\xBB\xBF") {
    return fault_at("", 0, origin,
                    "the text starts with a byte order mark; save it as UTF-8 without one");
  }
  if (const std::size_t nul = text.find('\0'); nul != text.npos) {
    return fault_at(text, nul, origin, "the text holds a NUL byte");
  }
  if (text.find_first_not_of(" \t\r\n") == text.npos) {
    return fault_at("", 0, origin, "the text is empty; one JSON value is needed");
  }
  return std::nullopt;
}

/// Runs the builder over the text. The error, if there is one.
std::optional<Error> run(std::string_view text, const Limits& limits, std::string_view origin,
                         Builder& builder) {
  if (auto early = refuse_early(text, limits, origin)) return early;
  builder.read_to = text.data();
  const CountingIterator first(text.data(), &builder.read_to);
  const CountingIterator last(text.data() + text.size(), &builder.read_to);
  if (json::sax_parse(first, last, &builder)) return std::nullopt;
  return builder.error.value_or(Error{ErrorCode::internal, "JSON was refused without a reason"});
}

/// The child of `parent` called `token` (a name, or an item's number); nothing when there is none.
std::optional<std::size_t> child(const std::vector<Document::Position>& positions,
                                 const std::vector<std::string>& names, std::size_t parent,
                                 const std::string& token) {
  std::size_t wanted = std::string::npos;  // the item's number, when `token` is one
  std::from_chars(token.data(), token.data() + token.size(), wanted);
  std::size_t number = 0;
  for (std::size_t at = parent + 1; at < positions[parent].end; at = positions[at].end, ++number) {
    const std::uint32_t name = positions[at].name;
    const bool is_item = name == Document::Position::kNoName;
    if (is_item ? number == wanted : names[name] == token) return at;
  }
  return std::nullopt;
}

}  // namespace

Result<json> parse_strict(std::string_view text, Limits limits, std::string_view origin) {
  Builder builder(text, limits, origin, false);
  if (auto error = run(text, limits, origin, builder)) return *error;
  return std::move(builder.root);
}

Result<Document> Document::parse(std::string_view text, Limits limits, std::string_view origin) {
  Builder builder(text, limits, origin, true);
  if (auto error = run(text, limits, origin, builder)) return *error;
  Document document;
  document.value = std::move(builder.root);
  document.positions_ = std::move(builder.positions);
  document.names_ = std::move(builder.names);
  return document;
}

int Document::line_of(const json::json_pointer& pointer) const {
  if (positions_.empty()) return 0;
  std::vector<std::string> tokens;
  for (json::json_pointer rest = pointer; !rest.empty(); rest.pop_back())
    tokens.push_back(rest.back());
  std::size_t at = 0;
  for (auto token = tokens.rbegin(); token != tokens.rend(); ++token) {
    const auto next = child(positions_, names_, at, *token);
    if (!next) break;
    at = *next;
  }
  return static_cast<int>(positions_[at].line);
}

}  // namespace creel
