// The simulated laboratory: what a detector sees and what gauges read, as pure functions of seed,
// time and the shutter log. No thread, file, socket or clock. The same seed, log and times give the
// same bytes, whatever was asked before and in whatever order.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "sim/camera.h"
#include "sim/history.h"
#include "sim/source.h"
#include "sim/specimen.h"
#include "sim/spectrum.h"

namespace creel::sim {

/// Everything that all devices of one rig must agree on.
struct Laboratory {
  Source source;
  Column column;
  Specimen specimen;
};

/// The energy axis of a detector: channel c covers first + c * dispersion to first + (c + 1) *
/// dispersion.
struct EnergyAxis {
  double first_channel_ev = -24;
  double dispersion_ev = 0.5;
  double offset_ev = 0;  ///< of the detector's own; the stage's energy offset is added to it
};

/// What a detector sees of one Laboratory. Made in about a tenth of a second. Holds tables only:
/// const calls may come from several threads.
class View {
 public:
  View(const Laboratory& laboratory, std::uint64_t seed, double dispersion_ev);

  /// Mean electrons per column that reach the detector between two times, for `history` of the same
  /// source and seed. `columns` is overwritten.
  void expected(History& history, std::int64_t begin_ns, std::int64_t end_ns,
                const EnergyAxis& axis, std::span<double> columns) const;
  /// The parts' weights for one slice, times its electrons: what one exposure adds up.
  [[nodiscard]] Weights weights(const Slice& slice) const;
  [[nodiscard]] const Spectra& spectra() const { return spectra_; }
  [[nodiscard]] const Laboratory& laboratory() const { return laboratory_; }
  /// Hidden from the evaluation: only for revealing and for tests.
  [[nodiscard]] const Truth& truth() const { return truth_; }
  [[nodiscard]] std::uint64_t seed() const { return seed_; }

 private:
  Laboratory laboratory_;
  std::uint64_t seed_;
  Truth truth_;
  Spectra spectra_;
};

/// The random numbers of one frame: a function of seed, detector and the beginning of the exposure.
Random frame_random(std::uint64_t seed, std::int64_t begin_ns, std::uint64_t which);

}  // namespace creel::sim
