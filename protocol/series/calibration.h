// The record of one calibration of a rig (KIND-TIME.json): numbers with their errors, how and when
// they were found, from which frames, how long and for which settings they hold. Schema:
// calibration.schema.json. Written once, never changed; a newer one of its kind supersedes it.
#pragma once

#include <array>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/series/series.h"

namespace creel {

struct CalibrationValue {
  std::string name;
  std::string unit;  ///< "1" for pure numbers
  double value = 0;
  double sigma = 0;            ///< one standard deviation, >= 0
  std::uint64_t rests_on = 0;  ///< frames, positions or readings
  std::string note = {};
};

/// Which frames of a session were used: runs of sequence numbers, both ends included.
struct CalibrationSession {
  std::string name;
  std::vector<std::pair<std::uint64_t, std::uint64_t>> frames;
};

struct Calibration {
  std::string kind;
  std::string rig;
  nlohmann::json devices = nlohmann::json::object();  ///< name -> identity
  std::int64_t taken_utc_ns = 0;
  std::int64_t valid_until_utc_ns = 0;
  nlohmann::json holds_for = nlohmann::json::object();   ///< microscope settings that must agree
  nlohmann::json conditions = nlohmann::json::object();  ///< what else was the case
  std::string method, source;
  std::string edge_table;  ///< "" = no edge energies entered
  std::vector<CalibrationValue> values;
  std::vector<std::string> covariance_of;       ///< names; empty: none given
  std::vector<std::vector<double>> covariance;  ///< square, in that order
  std::vector<CalibrationSession> sessions;
  std::vector<std::string> remarks;
  std::string program;
  std::string origin;  ///< where it was read from

  /// nullptr when it has no such value.
  [[nodiscard]] const CalibrationValue* find(std::string_view name) const;
  [[nodiscard]] bool stale(std::int64_t now_utc_ns) const {
    return now_utc_ns > valid_until_utc_ns;
  }
};

/// Reads and checks a record. Errors as for parse_rig: every fault, one a line.
Result<Calibration> parse_calibration(std::string_view text, std::string_view origin);
/// The record's JSON; parse_calibration() reads it back. Numbers must be finite.
nlohmann::json to_json(const Calibration& calibration);

/// Why a record does not hold for what a series states: a setting that differs; "" = it holds. A
/// setting that is unknown on either side does not speak against it.
std::string does_not_hold(const Calibration& calibration, const nlohmann::json& series_document);

/// calibration.schema.json, built in.
std::string_view calibration_schema();

/// What can be calibrated. The order is that of a cold start: each needs only those before it.
struct CalibrationKind {
  std::string_view name;
  std::string_view what;
  double valid_h;                 ///< our choice: how long it is trusted unless a person says
  std::string_view without;       ///< what its lack does to the answer
  std::string_view holds_for[4];  ///< settings of the microscope; "" = no more
};
constexpr std::array<CalibrationKind, 11> kCalibrationKinds = {{
    {"dark",
     "what the detector shows without electrons, by exposure time",
     24 * 7,
     "exposures without darks of their own time cannot be used",
     {}},
    {"photon-transfer",
     "counts per electron (times excess noise) and noise of a pixel",
     24 * 90,
     "electrons are told from the detector's claim alone",
     {}},
    {"gain",
     "how the pixels differ",
     24 * 30,
     "differences of the pixels stay in the spectrum as a fixed pattern, which no dose averages "
     "out",
     {}},
    {"point-spread",
     "how far an electron spreads to the pixels beside it",
     24 * 90,
     "the resolution of the detector is not known apart from the source's",
     {}},
    {"energy",
     "dispersion, offset and bend of the energy axis",
     24 * 7,
     "positions on the energy axis are as typed: no absolute edge position, and references of "
     "another axis cannot be matched",
     {"high_tension_kv", "dispersion_ev_per_channel", "", ""}},
    {"energy-offset",
     "how far the offset supply really moves the axis",
     24 * 30,
     "the step from zero loss to core loss is as typed: its error moves the oxidation state",
     {"high_tension_kv", "dispersion_ev_per_channel", "", ""}},
    {"shutter",
     "how much longer the beam is on than was asked",
     24 * 90,
     "short exposures gated by the shutter have another dose than the ledger says",
     {}},
    {"dose-rate",
     "electrons per second, and per square angstrom",
     12,
     "the dose is as typed: dose axis, critical dose and limits are wrong by its error",
     {"high_tension_kv", "spot_size", "", ""}},
    {"beam-profile",
     "size and shape of the lit area",
     24,
     "the dose is taken as even over the lit diameter as typed",
     {"spot_size", "", "", ""}},
    {"residual",
     "beam that is left with the cathode's laser blocked",
     24,
     "dose between exposures is not known where only the cathode's laser is blocked",
     {}},
    {"emission",
     "electrons per pulse against pulse energy, settling of the cathode",
     24,
     "a change of laser power cannot be told from a change of the cathode",
     {}},
}};
/// nullptr for another name.
const CalibrationKind* find_calibration_kind(std::string_view name);

}  // namespace creel
