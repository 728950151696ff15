// What a session's own frames, records and gauge readings say about the instrument: electrons per
// pulse, dose rate, energy scale, gain, shutter. Nothing of it enters the evaluation: it stands
// beside it, so that a person sees whether what the series states still holds.
//
//   CalibrationCollector: totals of darks and zero-loss references, shutter times of the records
//   calibrate(): those, the session's spectra, what is stated, and the readings -> numbers
//
// Every number has one standard deviation, how many frames (readings, movements) it rests on, and,
// where it cannot be given or needs a caution, a sentence. Pure numerics; one thread at a time.
#pragma once

#include <cstdint>
#include <limits>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "daemon/spectra/session_spectra.h"
#include "protocol/series/series.h"
#include "protocol/session/layout.h"

namespace creel::analysis {

constexpr double kNotGiven = std::numeric_limits<double>::quiet_NaN();

/// A number of the instrument. NaN where it cannot be given; `sentence` then says why.
struct Measured {
  double value = kNotGiven, sigma = kNotGiven;
  std::uint64_t rests_on = 0;  ///< frames; readings or movements where that is said
  std::string sentence;        ///< "" = nothing to add
  Measured() = default;
  Measured(double of, double error, std::uint64_t count, std::string said = "");
  [[nodiscard]] bool given() const;
  /// Why there is none.
  static Measured none(std::string why);
};

/// Total of a zero-loss reference over all pixels, dark not yet subtracted.
struct ReferenceTotal {
  Where where = Where::specimen;
  std::int64_t exposure_set_ns = 0;  ///< finds its darks
  double lit_s = 0;                  ///< how long the beam was on the detector
  double middle_s = 0;               ///< world time
  double counts = 0;
};

/// Mean and scatter of what was measured many times, without keeping it.
struct Spread {
  std::uint64_t count = 0;
  double sum = 0, squares = 0;
  double least = 0, most = 0;  ///< 0 when count is 0
  void add(double value);
  [[nodiscard]] double mean() const;     ///< NaN for none
  [[nodiscard]] double scatter() const;  ///< standard deviation of one; NaN for fewer than two
};

/// What the pass over the frames keeps. Some tens of bytes for each reference.
struct InstrumentFrames {
  struct Dark {
    Spread totals;
    double last = 0, squares = 0;           ///< of successive differences
    [[nodiscard]] double variance() const;  ///< of one dark's total; NaN for fewer than two
  };
  std::map<std::int64_t, Dark> darks;  ///< by exposure time as set
  std::vector<ReferenceTotal> references;
  std::uint64_t saturated = 0;     ///< references left out
  std::uint64_t left_out = 0;      ///< by other flags, contents, or beyond kMostReferences
  Spread open_for_s;               ///< measured opening times of exposures
  Spread opened_before_s;          ///< from the shutter's opening to the integration's beginning
  Spread closed_after_s;           ///< from the integration's end to the shutter's closing
  std::uint64_t not_measured = 0;  ///< openings whose times are bounds only
};

class CalibrationCollector {
 public:
  static constexpr std::size_t kMostReferences = 100'000;  ///< later ones are left out
  explicit CalibrationCollector(const session::FrameShape& shape, Gating gating)
      : shape_(shape), gating_(gating) {}
  /// Takes a frame in order. invalid_request: wrong length, or events off the sensor.
  Result<void> add(const session::Record& record, std::span<const std::byte> frame);
  [[nodiscard]] const InstrumentFrames& frames() const { return frames_; }

 private:
  void take_shutter(const session::Record& record);
  session::FrameShape shape_;
  Gating gating_;
  InstrumentFrames frames_;
};

/// A reading of the laser power gauge.
struct PowerReading {
  double taken_s = 0;   ///< world time
  double power_mw = 0;  ///< > 0
};

/// Movements of the dose shutter, s. From the order until the beam passed, or no longer; and, of a
/// device that measures them, from the order to the first movement (delay) and from there until it
/// stood (travel).
struct ShutterDelays {
  Spread opening, closing;
  Spread opening_delay, opening_travel, closing_delay, closing_travel;
};

/// What series, rig and devices say of the instrument; nothing = not stated.
struct StatedInstrument {
  std::optional<double> repetition_rate_hz;
  std::optional<double> counts_per_electron;                     ///< the detector's own claim
  double dose_rate = 0;                                          ///< e/angstrom^2/s
  double dose_rate_relative = 0;                                 ///< one standard deviation
  std::vector<std::pair<std::string, double>> lit_diameters_nm;  ///< of areas where it is known
  std::vector<std::string> elements;
  std::optional<double> energy_offset_ev;
  double dispersion_ev = 0;
  Gating gating = Gating::detector;
  std::string shutter;
  std::optional<double> travel_s;  ///< of the shutter, as it describes itself
  std::string power_gauge;  ///< "device channel"; "" = none of the series' gauges reads power
};
/// @param devices  as in session::Documents; may be anything.
StatedInstrument stated_instrument(const Series& series, const nlohmann::json& devices);
/// Valid readings of the first channel in W, mW or uW among the series' gauges, in order.
std::vector<PowerReading> power_readings(const Series& series, const nlohmann::json& devices,
                                         const std::vector<nlohmann::json>& events);
/// From the events "shutter_times", one for each run of the daemon.
ShutterDelays shutter_delays(const std::vector<nlohmann::json>& events);

/// Electrons in one laser pulse, from references of one place.
struct ElectronsPerPulse {
  Where where = Where::specimen;
  Measured mean;                      ///< the gain's error is in it
  double sigma_counting = kNotGiven;  ///< of `mean`, without the gain's
  Measured first, last;               ///< of the first and last fifth; counting errors only
  Measured change;                    ///< (last - first)/first; the gain cancels
};

struct AreaDoseRate {
  std::string area;
  double lit_diameter_nm = 0;
  Measured rate;  ///< e/angstrom^2/s; the error of the diameter is not in it
  double against_stated =
      kNotGiven;  ///< (rate - stated)/sigma of the difference; NaN when not given
};

struct SeriesCalibration {
  StatedInstrument stated;
  std::vector<ElectronsPerPulse> per_pulse;  ///< in vacuum first; empty: see per_pulse_withheld
  std::string per_pulse_withheld;
  std::vector<AreaDoseRate> dose_rates;
  std::string dose_rate_withheld;
  Measured counts_per_mw;  ///< counts per second and mW; rests on references with a reading
  double counts_per_mw_scatter = kNotGiven;  ///< relative, of one reference
  double zero_loss_sigma_scatter =
      kNotGiven;              ///< of zero_loss_ev, without what the peak's shape adds
  Measured zero_loss_ev;      ///< position of the zero loss on the axis as set: its offset
  Measured first_channel_ev;  ///< energy of the first channel as the zero loss says
  Measured dispersion_ev;     ///< per channel
  double dispersion_sigma_counting = kNotGiven;  ///< without the edge energy's error
  double dispersion_against_stated = kNotGiven;  ///< in sigmas
  std::string edge;                              ///< "Fe L3"; "" = none found
  double edge_table_ev = kNotGiven, edge_seen_ev = kNotGiven;
  Measured gain;                  ///< counts per electron by photon transfer
  Measured gain_used;             ///< in the electrons above
  Measured opening_s, closing_s;  ///< from the order to where the device measured it
  double opening_scatter_s = kNotGiven, closing_scatter_s = kNotGiven;
  Measured opened_before_s, closed_after_s;  ///< see InstrumentFrames
  Measured open_for_s;
  Measured opening_delay_s, opening_travel_s;  ///< see ShutterDelays
  Measured closing_delay_s, closing_travel_s;
};

/// Counts per electron from the noise of the specimen exposures, neighbours added up so that the
/// point spread costs nothing: sum over lags of cov(c, c + lag) = g F mean + dark noise. The
/// photon-transfer method: J. R. Janesick, Photon Transfer, SPIE Press 2007, from memory; EMVA
/// Standard 1288, Release 4.0. F >= 1 is the detector's excess noise (1 for one that counts): it
/// cannot be told apart this way, so the number is an upper bound of g. Its error comes from the
/// scatter between blocks of 32 channels.
Measured photon_transfer_gain(const FrameNoise& noise);

/// Where an edge rises on an axis: half the height of its first rise above the background, by a
/// fit of a smoothed step. `variance` of each channel of `counts`. refused: does not stand out.
struct EdgeRise {
  double at_ev = 0, sigma_ev = 0;
  double height = 0, sigma_height = 0;  ///< counts per channel
};
Result<EdgeRise> find_edge_rise(std::span<const double> counts, std::span<const double> variance,
                                const Grid& grid, double near_ev);

/// One standard deviation by which the energy of an edge's rise in a compound may differ from the
/// table's binding energy, eV. Our choice: chemical shifts and differences between tables (iron L3
/// 706.8 and 708.1 eV) are both of this order; see edges.h.
constexpr double kEdgeTableSigma_ev = 1.5;

/// One standard deviation of a fitted zero loss that its shape adds, in channels. The fit knows no
/// point spread, so it depends on how the channels lie over the peak: up to 0.004 channels each way
/// in the simulated world, at 10 % into each neighbour. Our choice, with room for tails.
constexpr double kZeroLossShape_channels = 0.01;

SeriesCalibration calibrate(const InstrumentFrames& frames, const SessionSpectra& spectra,
                            const StatedInstrument& stated,
                            const std::vector<PowerReading>& readings, const ShutterDelays& delays);

/// Units in the names; what is not known is null with a sentence beside it.
nlohmann::json to_json(const SeriesCalibration& calibration);

/// The same in lines for a person: what, value, note.
struct CalibrationLine {
  std::string what, value, note;
};
std::vector<CalibrationLine> calibration_lines(const SeriesCalibration& calibration);

}  // namespace creel::analysis
