// Which calibrations a series rests on, and what their lack does to the answer.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "client/calibrate/folder.h"
#include "protocol/series/series.h"

namespace creel::calibrate {

enum class State : std::uint8_t { in_date, stale, missing, does_not_hold };
std::string_view state_name(State state);

struct Need {
  std::string kind;
  State state = State::missing;
  const Calibration* record = nullptr;  ///< of the shelf; nullptr when missing
  std::string sentence;                 ///< what is wrong and what it does; "" when in date
};

/// How a kind stands for a series on a rig at a moment: the record that was in force then (the
/// newest taken before, else the first after).
Need need(std::string_view kind, std::string_view rig, const nlohmann::json& series_document,
          const Shelf& shelf, std::int64_t at_utc_ns);

/// All kinds that the series rests on, in the order of kCalibrationKinds: in date or not.
std::vector<Need> needs(const Series& series, std::string_view rig, const Shelf& shelf,
                        std::int64_t at_utc_ns);

/// For what cannot be told without: the record in date, or refused with the reason. "energy" for
/// absolute positions on the energy axis, "dose-rate" for absolute doses.
Result<const Calibration*> required(std::string_view kind, std::string_view rig,
                                    const nlohmann::json& series_document, const Shelf& shelf,
                                    std::int64_t at_utc_ns);

/// Typed settings that do not go together: collection angle against camera length and entrance
/// aperture, dispersion and dose rate against their calibrations. One sentence each.
std::vector<std::string> implausible(const Series& series, std::string_view rig,
                                     const Shelf& shelf);

/// By how much the collection angle may differ from half the entrance aperture over the camera
/// length. Our choice: displayed camera lengths are those of a viewing plane, not of the aperture.
constexpr double kAngleFactor = 3;

/// [{"kind", "state", "sentence", "record"}].
nlohmann::json to_json(const std::vector<Need>& needs);

}  // namespace creel::calibrate
