// The series document (NAME.series.json): what to do with which specimen, and everything about it
// that no device can report. Schema: series.schema.json. "unknown" is an honest value wherever a
// field allows it, and is kept as "unknown" in the session: nothing is ever invented.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/base/units.h"
#include "protocol/series/rig.h"

namespace creel {

/// Why a frame is taken.
enum class ExposureKind : std::uint8_t {
  specimen = 0,
  dark = 1,        ///< dose shutter closed
  gain = 2,        ///< even illumination, for the gain reference
  zero_loss = 3,   ///< reference of energy and width
  background = 4,  ///< cathode laser blocked, electron path open: the residual beam
};
std::string_view exposure_kind_name(ExposureKind kind);

/// Where the beam goes while a block runs. Vacuum gives no dose; the engine asks a person to move
/// there.
enum class Where : std::uint8_t { specimen, vacuum };

/// One piece of specimen. Identity across sessions is grid + name.
struct Area {
  std::string name;
  std::string grid;
  std::string square = "unknown";
  std::optional<double> x_um, y_um;       ///< on the grid map
  std::optional<double> lit_diameter_nm;  ///< diameter of the lit region
  Dose dose_limit;                        ///< never passed, over all sessions
  /// Key of the area in the ledger: "grid/name".
  [[nodiscard]] std::string key() const { return grid + "/" + name; }
};

/// How the dose rate at the specimen is known. It comes from a named measurement, never from the
/// zero loss through the specimen.
struct Beam {
  DoseRate dose_rate;
  double relative_uncertainty = 0;  ///< one standard deviation
  std::string method;
  std::string measured_at;           ///< RFC 3339
  std::optional<DoseRate> residual;  ///< with the cathode laser blocked; nothing = unknown
};

/// Taken between the exposures of a block: `count` frames before every `every`-th exposure of the
/// block (before its first one too).
struct Interleave {
  ExposureKind kind = ExposureKind::dark;
  std::uint32_t every = 0;
  std::uint32_t count = 1;
  Duration exposure;
};

struct Setting {
  std::string device;
  std::string name;
  nlohmann::json value;
};

/// An axis that the block steps through, one value after another; each value gets the whole count.
struct Vary {
  std::string device;  ///< a stage
  std::string axis;
  std::vector<double> values;  ///< in the axis' unit
};

struct Block {
  std::string name;
  ExposureKind kind = ExposureKind::specimen;
  Where where = Where::specimen;
  std::string area;  ///< name in Series::areas; "" for kinds that give no dose
  Duration exposure;
  std::uint32_t count = 1;
  std::vector<Interleave> interleave;
  std::vector<Setting> settings;  ///< applied before the block
  std::optional<Vary> vary;
};

/// How the exposure is timed.
enum class Gating : std::uint8_t {
  shutter,   ///< the shutter defines the exposure; the detector integrates longer
  detector,  ///< the detector is timed inside an open-shutter block
};

struct Guards {
  Dose dose;  ///< of this series on any one area; holds before it would be passed
  // Later guards (precision, damage, counts, gauges, drift, clock, headroom) are added beside it.
};

enum class AfterRestart : std::uint8_t { go_on, hold };

struct Series {
  std::string name;  ///< [A-Za-z0-9][A-Za-z0-9._-]*, becomes the session's name
  std::string detector, shutter, cathode_shutter;  ///< device names; cathode_shutter may be ""
  std::vector<std::string> gauges;
  Gating gating = Gating::detector;
  Duration gating_margin =
      milliseconds(20);  ///< shutter gating: integration before and after the opening
  Beam beam;
  std::vector<Area> areas;
  std::vector<Block> blocks;
  Guards guards;
  AfterRestart after_restart = AfterRestart::hold;
  nlohmann::json document;  ///< the whole document: specimen, microscope, laser, operator ...
  std::string text;         ///< verbatim
  std::string origin;       ///< as given to parse_series
  std::vector<std::string> warnings;

  [[nodiscard]] const Area* find_area(std::string_view area_name) const;
};

/// Reads and checks a series document by itself. Errors as for parse_rig.
Result<Series> parse_series(std::string_view text, std::string_view origin);

/// Checks a series against the rig it is to run on: devices exist and are of the right kind, the
/// dose shutter really ends the dose, a fall-back is named or warned about. Returns warnings; the
/// error lists every fault.
Result<std::vector<std::string>> check_against_rig(const Series& series, const Rig& rig);

/// series.schema.json, built in: JSON Schema draft-07; x-unit and x-form are ours, for messages.
std::string_view series_schema();

/// One exposure of the plan: block, what for, and where in the whole.
struct PlannedExposure {
  std::uint64_t index = 0;  ///< 0.. over the whole series
  std::uint32_t block = 0;
  ExposureKind kind = ExposureKind::specimen;
  Where where = Where::specimen;
  std::string area;  ///< "" = none
  Duration exposure;
  std::optional<double> vary_value;
  /// Whether this exposure sends beam through the specimen (and so gives dose).
  [[nodiscard]] bool gives_dose() const;
};

/// The exposures of a series in order; computed, not stored, so a series may be very long.
class Plan {
 public:
  explicit Plan(const Series& series);
  [[nodiscard]] std::uint64_t size() const { return total_; }
  /// index < size().
  [[nodiscard]] PlannedExposure at(std::uint64_t index) const;

 private:
  struct Part {
    std::uint64_t first = 0;
    std::uint64_t per_value = 0;  ///< exposures for one value of `vary`
    std::uint64_t total = 0;
  };
  const Series* series_;
  std::vector<Part> parts_;
  std::uint64_t total_ = 0;
};

}  // namespace creel
