// Faults of a document as a person reads them, one sentence each: "film.series.json:12:
// blocks[2].exposure_s: got "fast"; must be a number of seconds, 1e-6 to 86400". Internal to
// protocol/series.
#pragma once

#include <map>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/json/strict_json.h"
#include "protocol/series/rig.h"

namespace creel::documents {

using Pointer = nlohmann::json::json_pointer;

/// Limits of a document: what a person can have written, with room to spare.
constexpr Limits kDocumentLimits{4U << 20, 64, 200'000};

/// "blocks[2].exposure_s" for /blocks/2/exposure_s; "the document" for the root.
std::string place_text(const nlohmann::json& root, const Pointer& pointer);
/// What was given, short: `"fast"`, `12`, `an object`, `a list of 3`.
std::string got_text(const nlohmann::json& value);
/// A number without needless digits: "1e-6", "86400", "0.02".
std::string plain(double value);
/// The name among `allowed` that `name` was probably meant to be; "" when none is near.
std::string nearest(std::string_view name, const std::vector<std::string>& allowed);
/// `; did you mean "camera"?` or `; must be one of ...`; at most ten names are listed.
std::string suggestion(std::string_view name, const std::vector<std::string>& allowed);

/// What happens at a power cut when `shutter` does not surely fail safe; what a missing fallback
/// means.
std::string power_cut_sentence(const RigDevice& shutter);
std::string no_fallback_sentence(const RigDevice& shutter);

/// Collects errors and warnings, each with its place. `document` must outlive it.
class Faults {
 public:
  Faults(const Document& document, std::string_view origin)
      : document_(document), origin_(origin) {}

  void error(const Pointer& place, const std::string& sentence) { add(errors_, place, sentence); }
  void warning(const Pointer& place, const std::string& sentence) {
    add(warnings_, place, sentence);
  }
  [[nodiscard]] bool any() const { return !errors_.empty(); }
  /// All errors by line, one a line; beyond fifty only their number. Only when any().
  [[nodiscard]] Error as_error() const;
  /// All warnings by line.
  [[nodiscard]] std::vector<std::string> warnings() const;

 private:
  using ByLine = std::multimap<int, std::string>;
  void add(ByLine& list, const Pointer& place, const std::string& sentence);

  const Document& document_;
  std::string origin_;
  ByLine errors_;
  ByLine warnings_;
};

}  // namespace creel::documents
