// What a session says about the devices it was taken with, in the order in which it happened: the
// script that the replayed devices act out.
//
// A session records frames, and events with the world time. From both follows the list of attempts:
// every exposure that was begun, with its frame, or with what broke it. An exposure that broke
// without a frame has left one event (exposure_broken: which, why, the dose) and nothing else; what
// failed is read from its sentence, and how long the shutter was open from its dose.
//
// What cannot be had from a session, and so is not replayed: an exposure that was running when the
// daemon was killed (it left no trace), and a hold by a person (the person holds again, or not).
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/session/reader.h"

namespace creel::replay {

/// Where in an exposure something failed: the call that is to fail now.
enum class Step : std::uint8_t { set, move, arm, start, read, open, close };

/// ExposureKind of protocol/series, as records carry it: the only one that a script must know.
constexpr std::uint8_t kBackground = 4;

struct Failure {
  std::string device;
  Step step = Step::read;
  std::string text;           ///< as it was recorded
  std::int64_t world_ns = 0;  ///< when it was recorded: the exposure had been closed by then
};

/// One exposure that was begun. Times are the recorded world time.
struct Attempt {
  std::size_t first_frame = 0;  ///< index in Reader::records()
  std::size_t frames = 0;       ///< so many from there on; 0: it broke before the first
  /// So many frames the detector was asked for; 0 = unknown: those at the end were lost.
  std::uint64_t frames_asked = 0;
  std::uint64_t exposure = 0, attempt = 0;
  std::uint8_t kind = 0;             ///< ExposureKind
  bool timed = false;                ///< the times below are known
  std::int64_t start_ns = 0;         ///< integration began
  std::int64_t opened_ns = 0;        ///< 0: the shutter stayed closed
  std::int64_t exposure_ns = 0;      ///< as the detector did it; 0 = unknown
  std::int64_t exposure_set_ns = 0;  ///< as the series asks for it; 0 = unknown
  /// How long the shutter let the beam through; none: unknown.
  std::optional<std::int64_t> open_for_ns;
  std::optional<Failure> failure;
  /// When the shutter of the dose was asked to close in vain, counted back from the end of the
  /// exposure; and so often its fall-back after it.
  std::vector<std::int64_t> alarms_before_end_ns;
  std::uint64_t fallback_alarms = 0;
  std::uint64_t unsecured = 0;  ///< and so often afterwards, before the next exposure
  nlohmann::json settings;      ///< of the device that the script is for, when it began
  /// When the first of shutter and detector began.
  [[nodiscard]] std::int64_t begin_ns() const {
    return opened_ns != 0 && opened_ns < start_ns ? opened_ns : start_ns;
  }
};

struct GaugeRead {
  std::uint64_t begun = 0;  ///< attempts begun before it
  nlohmann::json readings;  ///< list, one a channel; null: the gauge did not answer
};

struct SettingChange {
  std::string name;
  nlohmann::json asked;
  nlohmann::json settings;  ///< all of the device's, as read back afterwards
};

struct StageMove {
  std::string axis;
  double asked = 0, position = 0;
  std::int64_t world_ns = 0;  ///< when it stood
};

/// The script for one device.
struct Recording {
  std::string session;  ///< its name
  session::FrameShape shape;
  nlohmann::json device;     ///< all that was recorded about the device; {} when it was not used
  nlohmann::json described;  ///< of that: what its describe() said; {} likewise
  nlohmann::json settings;   ///< at the start, as read back; {} likewise
  std::string detector, shutter, cathode_shutter;  ///< what the series calls so; "" = none
  bool shutter_gates = false;                      ///< the detector starts before the shutter opens
  std::int64_t cathode_travel_ns = 0;              ///< of the cathode's shutter
  std::int64_t shutter_travel_ns = 0;              ///< of the shutter of the dose
  bool shutter_measures = true;
  /// The shutter that acts when that of the dose does not close; "" = the rig names none.
  std::string fallback;
  std::int64_t fallback_travel_ns = 0;
  std::vector<Attempt> attempts;
  std::vector<GaugeRead> reads;
  std::vector<SettingChange> changes;
  std::vector<StageMove> moves;
};

/// Reads the script for `device`. corrupt when the session has faults or its documents are not what
/// this program writes. Uses the reader's thread.
Result<Recording> read_recording(session::Reader& reader, const std::string& device);

}  // namespace creel::replay
