// What the frames say about beam and specimen while the night goes on, one answer a frame: for the
// guards. No reference sessions, no files; the same frames give the same numbers.
//
//   every zero-loss frame     position and width of the zero loss, rate
//     through the specimen    t/lambda by the log-ratio, low-loss shape
//   every specimen frame      rate; O K over C K where the axis shows both
//   slices of specimen frames that end with a zero loss: L3 position and white-line ratio,
//   evaluated
//                             as a session of its own (evaluate.h), the axis placed by the zero
//                             losses before and after
//
// Sigmas are those of counting: the variance of a sum over channels is  g S + n v  (S its counts
// above dark, g the counts per electron times excess noise, n channels, v the variance of one
// channel of a dark). g is learnt from the frames: successive specimen frames, differences of sums
// over 16 channels, what all channels do together taken out; the median over the sums, which no
// X-ray spike moves. Successive differences: J. von Neumann et al., Ann. Math. Statist. 12, 153
// (1941). Var = g mean: J. R. Janesick, Photon Transfer, SPIE Press 2007, from memory.
//
// add() costs a pass over the pixels of a frame and, at the end of a slice, some milliseconds.
// Memory: the frames of one slice and some 64 spectra. Not thread-safe: one thread at a time.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "daemon/spectra/session_spectra.h"
#include "protocol/series/measures.h"

namespace creel::analysis {

class RunningMeasures {
 public:
  struct Setup {
    SpectraCollector::Setup spectra;
    double counts_per_electron = 0;     ///< as the detector says; 0 = unknown: rates in counts
    std::vector<std::string> elements;  ///< of the specimen
    std::string metal;                  ///< one with white lines; "" = no slices
    std::uint32_t slice = 10;           ///< specimen exposures at least, 4 to kMostSlice
  };
  static constexpr std::size_t kMostSlice = 64;  ///< frames that one slice holds at most

  explicit RunningMeasures(Setup setup);

  /// Takes one frame, in order. What it says, first; of a slice that it ends, second. Nothing for
  /// darks and for frames that are marked, saturated, or have no dark of their exposure time yet.
  /// Errors as SpectraCollector::add.
  Result<std::vector<FrameMeasures>> add(const FrameInfo& info, std::span<const std::byte> frame);

 private:
  struct Dark {
    std::uint64_t frames = 0;
    std::vector<double> sum, last;
    double squares = 0;  ///< of successive differences, all channels
  };
  struct Counts {  // above dark
    std::vector<double> by_channel;
    double dark_variance = 0;  ///< of one channel, the mean dark's own included
  };
  struct Held {
    FrameInfo info;
    std::vector<std::byte> bytes;
  };
  struct Sum {
    double counts = 0, variance = 0;
  };
  void take_dark(const FrameInfo& info);
  [[nodiscard]] std::optional<Counts> above_dark(const FrameInfo& info) const;
  void learn_noise(const FrameInfo& info, const Counts& counts);
  [[nodiscard]] double variance(double counts, double channels, double dark_variance) const;
  [[nodiscard]] Sum sum(const Counts& counts, double first_ev, double from_ev, double to_ev) const;
  void measure_rate(const FrameInfo& info, const Counts& counts, FrameMeasures& into) const;
  void measure_zero_loss(const FrameInfo& info, const Counts& counts, FrameMeasures& into);
  void measure_low_loss(const Counts& counts, double first_ev, FrameMeasures& into) const;
  void measure_core_loss(const FrameInfo& info, const Counts& counts, FrameMeasures& into) const;
  void hold(const FrameInfo& info, std::span<const std::byte> frame);
  Result<std::optional<FrameMeasures>> end_slice();

  Setup setup_;
  SpectraCollector references_;  ///< darks and zero losses only
  std::map<std::int64_t, Dark> darks_;
  std::vector<double> row_;  ///< of the frame being taken
  // Noise.
  FrameInfo last_of_;
  std::vector<double> last_;
  double noise_sum_ = 0;
  std::uint64_t noise_pairs_ = 0;
  double zero_loss_ev_ = 0;  ///< newest position
  double fwhm_ev_ = 0;       ///< of the first zero loss through the specimen: fixes the window
  std::vector<Held> slice_;
};

}  // namespace creel::analysis
