// The series document (NAME.series.json): what to do with which specimen, and everything about it
// that no device can report. Schema: series.schema.json. "unknown" is an honest value wherever a
// field allows it, and is kept as "unknown" in the session: nothing is ever invented.
#pragma once

#include <cstdint>
#include <map>
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

/// Where the beam goes while a block runs. Vacuum gives no dose.
enum class Where : std::uint8_t { specimen, vacuum };

/// Axes of the specimen stage and where they stand, each in the unit that the stage describes.
using Position = std::map<std::string, double>;

/// One piece of specimen. Identity across sessions is grid + name.
struct Area {
  std::string name;
  std::string grid;
  std::string square = "unknown";
  std::optional<double> x_um, y_um;       ///< on the grid map
  std::optional<double> lit_diameter_nm;  ///< diameter of the lit region
  Dose dose_limit;                        ///< never passed, over all sessions
  Position position;                      ///< of the stage; empty = a person is asked to move
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

struct Setting {
  std::string device;
  std::string name;
  nlohmann::json value;
  /// Same setting, whatever the value.
  [[nodiscard]] bool is_same(const Setting& other) const {
    return device == other.device && name == other.name;
  }
};

/// Taken between the exposures of a block: `count` frames before every `every`-th exposure of the
/// block (before its first one too).
struct Interleave {
  ExposureKind kind = ExposureKind::dark;
  std::uint32_t every = 0;
  std::uint32_t count = 1;
  Duration exposure;
  std::uint32_t frames = 1;                     ///< as in Block
  std::vector<Setting> settings = {};           ///< that differ from the block's
  std::optional<double> energy_offset_ev = {};  ///< as in Block
};
/// How often an interleave comes among this many exposures of its block.
std::uint64_t times_taken(const Interleave& interleave, std::uint64_t exposures);

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
  std::string area;          ///< name in Series::areas; "" for kinds that give no dose
  Duration exposure;         ///< of each frame
  std::uint32_t frames = 1;  ///< in each exposure, while the shutter stays open
  std::uint32_t count = 1;
  std::vector<Interleave> interleave;
  std::vector<Setting> settings;           ///< applied before the block
  std::optional<double> energy_offset_ev;  ///< of the first channel, eV, where not the microscope's
  std::optional<Vary> vary;
};

/// How the exposure is timed.
enum class Gating : std::uint8_t {
  shutter,   ///< the shutter defines the exposure; the detector integrates longer
  detector,  ///< the detector is timed inside an open-shutter block
};

/// How a guard waits with the shutter closed: looks again every `again`, holds for a person after
/// `at_most`. World time.
struct Patience {
  Duration again = seconds(10);
  Duration at_most = seconds(3600);
};

struct PrecisionLimit {
  double ratio_relative = 0;  ///< wanted relative error of the white-line ratio
  std::uint32_t least_exposures = 20;
};

struct CountsLimit {
  double below = 0;  ///< part of what is usual
  std::uint32_t in_a_row = 2;
  Patience patience;
};

/// A reading must stay within [least, most], in the channel's unit.
struct GaugeBand {
  std::string device, channel;
  std::optional<double> least, most;
  Patience patience;
};

/// Ends before an exposure that could not be finished in time; at least one of the two.
struct ClockLimit {
  std::optional<std::int64_t> ends_at_utc_ns;  ///< since 1970-01-01T00:00:00Z
  std::optional<Duration> ends_after;          ///< since the session began, restarts included
};

/// The zero loss may not stand further than `limit_ev` from where it was first.
struct DriftLimit {
  double limit_ev = 0;
  /// Setting in eV that moves the energy of the first channel by as much; "" = hold instead.
  std::string device, setting;
  std::uint32_t most_recentres = 8;  ///< then it holds
};

/// Electrons per second against those at the start.
struct EmissionLimit {
  double below = 0;  ///< part of the start's
  std::uint32_t in_a_row = 2;
  Duration settle;              ///< after the cathode laser is let in
  std::string device, channel;  ///< of the laser's gauge; "" = none is asked
  Patience patience;
};

struct ContaminationLimit {
  double t_over_lambda_rise = 0;  ///< above the first references of the area
  bool ends = false;              ///< instead of holding
};

struct BroadeningLimit {
  double zero_loss_fwhm_ev = 0;
};

/// The critical dose (1/e) of what is looked for, measured before, for instance on a sacrificial
/// area.
struct CriticalDose {
  Dose dose;
  double end_at_fraction = 0;  ///< of it; over all sessions on the area
  std::string source;
};

/// What the damage guard does when its test rings.
enum class OnDamage : std::uint8_t { hold, end, note };

/// A sequential test on what the frames show. It lags: what it sees has happened.
struct DamageLimit {
  double false_alarms_per_night = 0.01;  ///< probability over the planned exposures
  std::uint32_t learn_exposures = 5;     ///< of each measure, before the test begins
  double shift_sigma = 1;                ///< the change that it is fastest for
  std::uint32_t slice_exposures = 10;    ///< specimen exposures that white lines are taken of
  OnDamage then = OnDamage::hold;
};

struct Guards {
  Dose dose;  ///< of this series on any one area; ends before it would be passed
  std::optional<PrecisionLimit> precision;
  std::optional<CountsLimit> low_counts;
  std::vector<GaugeBand> gauges;
  std::optional<ClockLimit> clock;
  std::optional<DriftLimit> zero_loss_drift;
  std::optional<EmissionLimit> emission;
  std::optional<ContaminationLimit> contamination;
  std::optional<BroadeningLimit> broadening;
  std::optional<CriticalDose> critical_dose;
  std::optional<DamageLimit> damage;
  /// Whether one of them looks at measures of frames (measures.h).
  [[nodiscard]] bool look_at_frames() const {
    return zero_loss_drift || emission || contamination || broadening || damage;
  }
};

/// A standard: the oxidation state of one metal in it, known from elsewhere.
struct KnownState {
  std::string element;
  double state = 0;
  std::string known_from;
};

enum class AfterRestart : std::uint8_t { go_on, hold };

struct Series {
  std::string name;  ///< [A-Za-z0-9][A-Za-z0-9._-]*, becomes the session's name
  std::string detector, shutter, cathode_shutter;  ///< device names; cathode_shutter may be ""
  std::string stage;                               ///< "" = a person moves the specimen
  std::vector<std::string> gauges;
  Gating gating = Gating::detector;
  Duration gating_margin =
      milliseconds(20);  ///< shutter gating: integration before and after the opening
  Beam beam;
  std::vector<Area> areas;
  Position vacuum;  ///< where the stage has no specimen in the beam; empty = a person is asked
  std::vector<Block> blocks;
  Guards guards;
  AfterRestart after_restart = AfterRestart::hold;
  std::vector<std::string> elements;          ///< of the specimen
  std::map<std::string, double> composition;  ///< atoms by element, any scale; empty = unknown
  bool beam_sensitive = false;                ///< as stated, or because it holds hydrogen
  std::optional<KnownState> known_state;      ///< of a standard
  std::optional<double> dispersion_ev;        ///< per channel, as set; nothing = unknown
  std::optional<double> energy_offset_ev;     ///< of the first channel, as set; nothing = unknown
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
  std::optional<std::uint32_t> interleave;  ///< of the block; nothing = the block's own exposure
  ExposureKind kind = ExposureKind::specimen;
  Where where = Where::specimen;
  std::string area;   ///< "" = none
  Duration exposure;  ///< of each frame
  std::uint32_t frames = 1;
  std::optional<double> vary_value;
  /// Of all its frames, readouts between them not counted.
  [[nodiscard]] Duration whole() const {
    return Duration{exposure.value * static_cast<std::int64_t>(frames)};
  }
  /// Whether this exposure sends beam through the specimen (and so gives dose).
  [[nodiscard]] bool gives_dose() const;
};

/// What is set for this exposure: the block's settings, those of the interleave in their place.
std::vector<Setting> settings_for(const Series& series, const PlannedExposure& exposure);
/// Energy loss at which the first channel of this exposure's frames begins, eV, as set; nothing
/// when unknown.
std::optional<double> first_channel_ev(const Series& series, const PlannedExposure& exposure);

/// The exposures of a series in order; computed, not stored, so a series may be very long.
class Plan {
 public:
  explicit Plan(const Series& series);
  [[nodiscard]] std::uint64_t size() const { return total_; }
  /// Frames of all exposures.
  [[nodiscard]] std::uint64_t frames() const { return frames_; }
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
  std::uint64_t frames_ = 0;
};

}  // namespace creel
