// From the frames of a session to what the evaluation needs of it, in one pass and bounded memory:
//
//   bad pixels and gain -> X-ray spikes -> sum over rows -> groups of consecutive exposures
//   at the end: mean dark subtracted, zero-loss positions, drift, low loss
//
// Frames are not aligned here: each group keeps its own drift, and the evaluation carries its
// functionals to the groups instead, where the noise is still what the detector made it.
//
// Noise is learnt from the frames: covariances of a channel with itself and its next neighbours
// from successive differences of exposures (von Neumann et al., Ann. Math. Statist. 12, 153
// (1941)), which neither damage nor drift inflate. What all channels do together (the laser) is
// taken out of the differences first: it moves no ratio.
#pragma once

#include <array>
#include <cstdint>
#include <deque>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "daemon/spectra/background.h"
#include "daemon/spectra/drift.h"
#include "daemon/spectra/gain.h"
#include "daemon/spectra/spikes.h"
#include "daemon/spectra/zero_loss.h"

namespace creel::analysis {

/// Consecutive exposures of one kind, exposure time, energy offset and area, summed.
struct FrameGroup {
  std::uint64_t frames = 0;
  std::vector<double> counts;  ///< by channel; dark-corrected in SessionSpectra
  std::int64_t exposure_set_ns = 0;
  double first_ev = 0;     ///< lower edge of channel 0 as set
  double middle_s = 0;     ///< mean of the frames' middles
  double dose_before = 0;  ///< of the area, when the first began, e/angstrom^2
  double dose_after = 0;   ///< when the last had ended
  double dose_rate = 0;    ///< of the frames, e/angstrom^2 a second of exposure; 0: no dose
  std::uint16_t area = 0;
  double drift_ev = 0;  ///< zero-loss position at middle_s: true loss = as set - drift
};

/// Neighbour covariances of one exposure:  cov(c, c + lag) = products[lag][c] / pairs.
constexpr std::size_t kLags = 4;
struct FrameNoise {
  std::uint64_t pairs = 0;
  std::array<std::vector<double>, kLags> products;
  std::vector<double> level;  ///< mean counts of a channel in one exposure
  double dark_variance = 0;   ///< of a channel of one dark, mean over channels
};

/// Darks of one exposure time.
struct DarkMean {
  std::uint64_t frames = 0;
  std::vector<double> mean;      ///< counts, rows summed
  std::vector<double> variance;  ///< of one dark, smoothed towards the mean of all channels
};

struct SessionSpectra {
  std::string name;
  std::size_t channels = 0;
  double dispersion_ev = 1;
  std::vector<FrameGroup> core;  ///< specimen exposures
  FrameNoise noise;              ///< of those
  std::map<std::int64_t, DarkMean> darks;
  std::vector<double> gain_variance;  ///< relative, by channel, rows together; empty: no gain map
  std::string gain_map;               ///< its name; "" = none
  Drift drift;
  std::optional<ZeroLoss> zero_loss;  ///< of the low loss, or of vacuum if there is none
  Grid low_loss_grid;
  std::vector<double> low_loss;  ///< sum of aligned zero-loss frames through the specimen, zero
                                 ///< loss at 0 eV; empty: none
  // What became of the frames.
  std::uint64_t frames = 0;           ///< taken in, of all kinds
  std::uint64_t specimen_frames = 0;  ///< in `core`
  std::uint64_t dark_frames = 0;
  std::uint64_t zero_loss_frames = 0;  ///< used
  std::uint64_t left_out = 0;          ///< flags or contents
  std::uint64_t saturated = 0;         ///< zero-loss frames at the detector's limit, left out
  std::uint64_t without_dark = 0;      ///< no dark of their exposure time, left out
  std::uint64_t spikes = 0;
  std::uint64_t bad_pixels = 0;
};

class SpectraCollector {
 public:
  static constexpr std::size_t kMostKeys = 64;  ///< different exposure times, offsets, areas

  struct Setup {
    std::string name;  ///< of the session, for messages
    session::FrameShape shape;
    double dispersion_ev = 0;             ///< > 0
    std::shared_ptr<const GainMap> gain;  ///< of the same detector; null = not corrected
    double spike_threshold = 9;           ///< standard deviations
    std::size_t most_groups = 512;        ///< groups of one kind; merged in pairs beyond; >= 2
  };
  explicit SpectraCollector(Setup setup);

  /// Takes one frame, in the order in which they were taken. invalid_request: wrong length, unknown
  /// kind, a number that is none in `info`, or too many different exposures. Nothing is taken then.
  Result<void> add(const FrameInfo& info, std::span<const std::byte> frame);
  /// Ends the pass. refused, with the reason: no specimen exposures, no darks of their exposure
  /// time, no zero-loss reference.
  Result<SessionSpectra> finish();
  /// What finish() would say now; nothing changes.
  [[nodiscard]] Result<SessionSpectra> snapshot() const;

 private:
  struct Key {
    std::uint8_t kind, where;
    std::int64_t exposure_set_ns;
    double first_ev;
    std::uint16_t area;
    auto operator<=>(const Key&) const = default;
  };
  struct Dark {
    std::uint64_t frames = 0;
    std::vector<double> sum, squares, last, rows;
  };
  struct Noise {
    FrameNoise sums;
    FrameInfo of;  // the last exposure that counted
    std::vector<double> last, sum;
    std::uint64_t frames = 0;
  };
  [[nodiscard]] Result<void> check(const FrameInfo& info, std::span<const std::byte> frame) const;
  SpikeFilter* filter_for(const FrameInfo& info);
  void take(const FrameInfo& info, const std::vector<float>& pixels);
  void take_dark(const FrameInfo& info);
  void take_group(const FrameInfo& info, std::deque<FrameGroup>& groups, std::uint32_t& per_group);
  void learn_noise(const FrameInfo& info);
  void add_difference();
  Result<void> subtract_darks(SessionSpectra& made, std::deque<FrameGroup>& groups,
                              std::vector<FrameGroup>& out);
  void find_zero_loss(SessionSpectra& made, std::vector<FrameGroup>& through,
                      std::vector<FrameGroup>& vacuum);
  void describe_noise(SessionSpectra& made) const;
  void describe_gain(SessionSpectra& made) const;

  Setup setup_;
  std::map<Key, SpikeFilter> filters_;
  std::map<std::int64_t, Dark> darks_;
  std::deque<FrameGroup> core_, through_, vacuum_;
  std::uint32_t core_size_ = 1, through_size_ = 1, vacuum_size_ = 1;  // frames a group now
  Noise noise_;
  std::vector<double> row_;           // of the frame being taken
  std::vector<double> step_, level_;  // its difference to the one before, and their mean
  std::vector<double> core_rows_;     // counts of all specimen frames by row
  std::uint64_t core_frames_ = 0;
  SessionSpectra counts_;  // only the counters
};

}  // namespace creel::analysis
