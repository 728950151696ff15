// Noise of a session's frames, and what linear functionals of the frames inherit of it.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <span>
#include <vector>

#include "daemon/spectra/session_spectra.h"

namespace creel::analysis {

/// Noise of one exposure: cov(S_c, S_c+lag) = slope[lag] * level, plus dark_variance where lag = 0;
/// the photon-transfer line (EMVA Standard 1288, Release 4.0), with neighbours. slope[0] is counts
/// per electron times the detector's excess noise, less what the point spread moves to the
/// neighbours.
struct NoiseLine {
  std::array<double, kLags> slope{};
  double dark_variance = 0;
  [[nodiscard]] double variance(double level) const { return slope[0] * level + dark_variance; }
  /// Of a sum over many channels, per count: with what the neighbours share.
  [[nodiscard]] double total_slope() const;
};
/// Fitted over channels [from, to). refused for fewer than 3 exposures or no variation
/// at all.
Result<NoiseLine> fit_noise(const FrameNoise& noise, std::size_t from, std::size_t to);

/// Of n numbers, each a sum over channels and frame groups of weight times counts.
class CarriedNoise {
 public:
  explicit CarriedNoise(std::size_t numbers = 0);

  /// Adds one frame group; w[i][c]: weight of its channel c in number i.
  void add(const FrameGroup& group, const NoiseLine& noise, double ev_per_channel,
           std::span<const std::vector<double>> w);
  void add(const CarriedNoise& other);
  /// Multiplies what comes from the frames themselves.
  void widen(double factor);

  [[nodiscard]] std::size_t size() const { return numbers_; }
  /// Covariance from the frames' own noise.
  [[nodiscard]] double own(std::size_t i, std::size_t j) const { return own_[i * numbers_ + j]; }
  /// Derivative of number i by a shift of the energy axis, per eV.
  [[nodiscard]] double by_shift(std::size_t i) const { return by_shift_[i]; }

  /// Covariance of number i of `a` with number j of `b` by what their sessions have in common: the
  /// mean darks of one session, the gain map of one name.
  friend double shared_noise(const SessionSpectra& session_a, const CarriedNoise& a, std::size_t i,
                             const SessionSpectra& session_b, const CarriedNoise& b, std::size_t j);

 private:
  std::size_t numbers_ = 0;
  std::vector<double> own_, by_shift_;
  std::vector<std::map<std::int64_t, std::vector<double>>> on_dark_;  // by exposure time
  std::vector<std::vector<double>> on_gain_;  // derivative by each channel's gain
};

double shared_noise(const SessionSpectra& session_a, const CarriedNoise& a, std::size_t i,
                    const SessionSpectra& session_b, const CarriedNoise& b, std::size_t j);

}  // namespace creel::analysis
