// The simulated laboratory: what a detector sees and what gauges read, as pure functions of seed,
// time and the shutter log. No thread, file, socket or clock. The same seed, log and times give the
// same bytes, whatever was asked before and in whatever order.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "sim/camera.h"
#include "sim/history.h"
#include "sim/source.h"
#include "sim/specimen.h"
#include "sim/spectrum.h"

namespace creel::sim {

/// A further specimen on the same holder, for instance an end-member standard.
struct Mounted {
  std::string name;                  ///< unique in its laboratory, not "film"
  double from_um = 0, until_um = 0;  ///< stage x, both ends included
  Specimen specimen;                 ///< its film_until_um means nothing
};

/// Everything that all devices of one rig must agree on. Ranges of the film and of what is mounted
/// beside it do not overlap (drivers/simulated checks what people typed).
struct Laboratory {
  Source source;
  Column column;
  Specimen specimen;  ///< the film, from the left end of the stage until film_until_um
  std::vector<Mounted> mounted;
};

/// What lies at stage x: 0 = the film, n = mounted[n - 1], nothing = vacuum.
std::optional<std::size_t> lying_at(const Laboratory& laboratory, double x_um);
/// The same for a beam of its width: each thing that it covers at stage x with its part of the
/// electrons, nothing = vacuum. Edges are straight lines along y. One part wherever no edge is
/// near.
std::vector<std::pair<std::optional<std::size_t>, double>> covered_at(const Laboratory& laboratory,
                                                                      double x_um);
/// `which` as lying_at() counts.
const Specimen& specimen(const Laboratory& laboratory, std::size_t which);
/// "film", or the name of what is mounted.
std::string_view specimen_name(const Laboratory& laboratory, std::size_t which);
/// Hidden from the evaluation: only for revealing and for tests. A mounted specimen's truth depends
/// on its name, not on its place in the list.
Truth truth_of(const Laboratory& laboratory, std::size_t which, std::uint64_t seed);

/// The energy axis of a detector: channel c covers first + c * dispersion to first + (c + 1) *
/// dispersion.
struct EnergyAxis {
  double first_channel_ev = -24;
  double dispersion_ev = 0.5;
  double offset_ev = 0;  ///< of the detector's own; the stage's energy offset is added to it
};

/// What a detector sees of one Laboratory. Everything is made by the constructor, the spectra of
/// all specimens too: some tens of milliseconds. Holds tables only: const calls may come from
/// several threads.
class View {
 public:
  View(const Laboratory& laboratory, std::uint64_t seed, double dispersion_ev);
  /// The same from shells made for this laboratory before: quicker for many seeds.
  View(const Shells& shells, const Laboratory& laboratory, std::uint64_t seed);

  /// Mean electrons per column that reach the detector between two times, for `history` of the same
  /// source and seed. `columns` is overwritten.
  void expected(History& history, std::int64_t begin_ns, std::int64_t end_ns,
                const EnergyAxis& axis, std::span<double> columns) const;
  /// The same with the spectrometer set to spread the beam evenly over the sensor, whatever its
  /// loss: for gain references. Sensor::render needs to be told, too.
  void expected_even(History& history, std::int64_t begin_ns, std::int64_t end_ns,
                     std::span<double> columns) const;
  /// The parts' weights for one slice, times its electrons: what one exposure adds up. As if all of
  /// the beam fell on what lies at its middle.
  [[nodiscard]] Weights weights(const Slice& slice) const;
  /// The same for all of the beam on one thing, as lying_at() counts; nothing = vacuum.
  [[nodiscard]] Weights weights(const Slice& slice, std::optional<std::size_t> which) const;
  /// Of a specimen, as lying_at() counts.
  [[nodiscard]] const Spectra& spectra(std::size_t which = 0) const { return spectra_[which]; }
  [[nodiscard]] const Laboratory& laboratory() const { return laboratory_; }
  /// Hidden from the evaluation: only for revealing and for tests.
  [[nodiscard]] const Truth& truth(std::size_t which = 0) const { return truths_[which]; }
  [[nodiscard]] std::uint64_t seed() const { return seed_; }

 private:
  /// The energies of a pulse's electrons about their mean.
  struct Spread {
    double shift_ev, weight;
  };
  [[nodiscard]] std::vector<Spread> spread_of(const Slice& slice) const;

  Laboratory laboratory_;
  std::uint64_t seed_;
  std::vector<Truth> truths_;     // the film's, then one for each mounted specimen
  std::vector<Spectra> spectra_;  // likewise
};

/// The random numbers of one frame: a function of seed, detector and the beginning of the exposure.
Random frame_random(std::uint64_t seed, std::int64_t begin_ns, std::uint64_t which);

}  // namespace creel::sim
