#include "protocol/series/faults.h"

#include <algorithm>
#include <cctype>
#include <cstdio>
#include <utility>

namespace creel::documents {

using nlohmann::json;

namespace {

/// A field's name as it stands, or in quotes and cut short when it is a strange one.
std::string name_text(const std::string& name) {
  const bool plain_name = !name.empty() && name.size() <= 60 &&
                          std::all_of(name.begin(), name.end(), [](unsigned char c) {
                            return std::isalnum(c) != 0 || c == '_' || c == '-';
                          });
  return plain_name ? name : got_text(name);
}

}  // namespace

std::string place_text(const json& root, const Pointer& pointer) {
  std::vector<std::string> tokens;
  for (Pointer rest = pointer; !rest.empty(); rest.pop_back()) tokens.push_back(rest.back());
  std::string place;
  const json* at = &root;
  for (auto token = tokens.rbegin(); token != tokens.rend(); ++token) {
    const bool item = at != nullptr && at->is_array();
    place += item ? "[" + *token + "]" : (place.empty() ? "" : ".") + name_text(*token);
    if (item) {
      const auto index = static_cast<std::size_t>(std::stoull(*token));
      at = index < at->size() ? &(*at)[index] : nullptr;
    } else {
      at = at != nullptr && at->is_object() && at->contains(*token) ? &(*at)[*token] : nullptr;
    }
  }
  return place.empty() ? "the document" : place;
}

std::string got_text(const json& value) {
  if (value.is_object()) return "an object";
  if (value.is_array()) return "a list of " + std::to_string(value.size());
  constexpr std::size_t kMost = 60;
  std::string text = value.dump();
  if (text.size() <= kMost) return text;
  std::size_t end = kMost;
  while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xC0U) == 0x80U)
    --end;  // whole characters
  return text.substr(0, end) + "...";
}

std::string plain(double value) {
  char text[40];
  std::snprintf(text, sizeof text, "%.10g", value);
  std::string out = text;
  const std::size_t exponent = out.find('e');
  if (exponent == std::string::npos) return out;
  std::string power = out.substr(exponent + 2);
  power.erase(0, std::min(power.find_first_not_of('0'), power.size() - 1));
  return out.substr(0, exponent + 1) + (out[exponent + 1] == '-' ? "-" : "") + power;
}

namespace {

/// How many letters must change, be added, be left out or change places with their neighbour: the
/// optimal string alignment distance (F. J. Damerau, Commun. ACM 7, 171 (1964), with each letter
/// touched once).
std::size_t distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> before_last;
  std::vector<std::size_t> last(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) last[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::vector<std::size_t> row(b.size() + 1, i);
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t change = a[i - 1] == b[j - 1] ? 0 : 1;
      row[j] = std::min({last[j] + 1, row[j - 1] + 1, last[j - 1] + change});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
        row[j] = std::min(row[j], before_last[j - 2] + 1);
      }
    }
    before_last = std::exchange(last, std::move(row));
  }
  return last[b.size()];
}

}  // namespace

std::string nearest(std::string_view name, const std::vector<std::string>& allowed) {
  if (name.empty() || name.size() > 100) return "";
  std::string best;
  std::size_t least = std::max<std::size_t>(1, name.size() / 3) + 1;
  for (const std::string& candidate : allowed) {
    // A name without its unit ("exposure" for "exposure_s") is near whatever the count of letters.
    const bool no_unit = name.size() >= 4 && candidate.rfind(std::string(name) + "_", 0) == 0;
    const std::size_t far = no_unit ? 1 : distance(name, candidate);
    if (far < least) {
      least = far;
      best = candidate;
    }
  }
  return best;
}

std::string suggestion(std::string_view name, const std::vector<std::string>& allowed) {
  if (allowed.empty()) return "";
  if (const std::string near = nearest(name, allowed); !near.empty()) {
    return "; did you mean \"" + near + "\"?";
  }
  constexpr std::size_t kMost = 10;
  std::string list;
  for (std::size_t i = 0; i < std::min(kMost, allowed.size()); ++i) {
    list += (i == 0 ? "\"" : ", \"") + allowed[i] + "\"";
  }
  if (allowed.size() > kMost) list += " ...";
  return allowed.size() == 1 ? "; must be " + list : "; must be one of " + list;
}

void Faults::add(ByLine& list, const Pointer& place, const std::string& sentence) {
  const int line = document_.line_of(place);
  std::string text = origin_.empty() ? "" : origin_ + ":";
  if (line > 0) text += (origin_.empty() ? "line " : "") + std::to_string(line) + ":";
  if (!text.empty()) text += " ";
  list.emplace(line, text + place_text(document_.value, place) + ": " + sentence);
}

Error Faults::as_error() const {
  constexpr std::size_t kMost = 50;
  std::string text;
  std::size_t shown = 0;
  for (const auto& [line, sentence] : errors_) {
    if (shown++ == kMost) {
      text += "\n... and " + std::to_string(errors_.size() - kMost) + " more";
      break;
    }
    text += (text.empty() ? "" : "\n") + sentence;
  }
  return {ErrorCode::invalid_request, text};
}

std::vector<std::string> Faults::warnings() const {
  std::vector<std::string> list;
  for (const auto& [line, sentence] : warnings_) list.push_back(sentence);
  return list;
}

}  // namespace creel::documents
