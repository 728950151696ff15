// The library of end members that a laboratory measured itself: one record each in the folder
// `standards` beside the sessions. A record points to a session, or to a spectrum that was
// imported, and says what no spectrum says: element, state, resolution, thickness, dose, expiry.
//
// {"creel_standard": 0, "name", "element", "state", "known_from", "session" | "file",
//  "crc32c": of the file's bytes, "resolution_fwhm_ev", "t_over_lambda", "dose_e_per_a2": the three
//  may be null, "taken_at", "expires_at", "rig", "detector": identity or null, "program"}
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "client/report/evaluation_input.h"
#include "protocol/base/result.h"

namespace creel::calibrate {

struct Standard {
  std::string name;
  std::string element;
  double state = 0;
  std::string known_from;
  std::string session;  ///< path; "" for an imported spectrum
  std::string file;     ///< in the folder; "" for a session
  std::uint32_t crc32c = 0;
  std::optional<double> resolution_fwhm_ev, t_over_lambda, dose_e_per_a2;
  std::int64_t taken_utc_ns = 0, expires_utc_ns = 0;
  std::string rig;
  nlohmann::json detector;
  std::string program;
  std::string origin;
};

Result<Standard> parse_standard(std::string_view text, const std::string& origin);
nlohmann::json to_json(const Standard& standard);

/// By name. Records that cannot be read are named in `unreadable`.
struct Library {
  std::vector<Standard> standards;
  std::vector<std::string> unreadable;
};
Library read_library(const std::string& directory);

/// From a session whose series says specimen.known_oxidation_state: resolution by its zero loss,
/// thickness by the log-ratio, dose as its records say. invalid_request when the series does not.
Result<Standard> standard_of(const report::SessionInput& input, double dose_e_per_a2);

/// Copies `path` into the folder under the standard's name and notes its checksum.
Result<void> import_file(const std::string& path, const std::string& directory, Standard& standard);

}  // namespace creel::calibrate
