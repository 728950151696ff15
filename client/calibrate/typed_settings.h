// What a person types into a series because no device reports it: offered again from the last
// session, one by one.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "client/calibrate/folder.h"
#include "protocol/base/result.h"

namespace creel::calibrate {

/// One typed value, "microscope.camera_length_mm".
struct TypedSetting {
  std::string name;
  nlohmann::json value;
  std::string unit;  ///< from the name: "mm"; "" = none
};
/// Numbers and texts under microscope, laser and beam of a series document, in its order.
std::vector<TypedSetting> typed_settings(const nlohmann::json& series_document);

/// Puts what a person typed in the place of a value: a number where one stood or "unknown".
/// invalid_request: no such setting, or neither a number nor "unknown" where numbers stand. What
/// the schema allows is checked when the series is parsed.
Result<void> put_typed(nlohmann::json& series_document, const std::string& name,
                       const std::string& typed);

/// Copies microscope, laser and beam of one document into another.
void copy_typed(const nlohmann::json& from, nlohmann::json& into);

/// What the rig's newest records say better than what was typed: under beam the dose rate with its
/// error, method and time, and the residual beam, where the record is in date and younger than
/// beam.measured_at. The document then says so; returns the names of what was put there.
std::vector<std::string> put_measured(nlohmann::json& series_document, const std::string& rig,
                                      const Shelf& shelf, std::int64_t now_utc_ns);

/// A photograph of a panel: its bytes beside the record, with their checksum.
struct Photograph {
  std::string file;  ///< in the folder
  std::uint64_t bytes = 0;
  std::uint32_t crc32c = 0;
};
Result<Photograph> keep_photograph(const std::string& path, const std::string& directory,
                                   const std::string& name);

/// The record that is kept of the answers: {"creel_settings": 0, "rig", "from_session", "taken_at",
/// "values": {name: value}, "confirmed": [names], "changed": [names], "measured": [names],
/// "photographs": [{"file",
/// "bytes", "crc32c"}], "program"}.
struct Answers {
  std::string rig, from_session, program;
  std::int64_t taken_utc_ns = 0;
  std::vector<std::string> confirmed, changed;
  std::vector<std::string> measured;  ///< from calibrations
  std::vector<Photograph> photographs;
};
nlohmann::json to_json(const Answers& answers, const nlohmann::json& series_document);

}  // namespace creel::calibrate
