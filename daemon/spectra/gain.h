// The gain (flat) reference: how strongly each pixel answers, relative to the others.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/spectra/frame_info.h"
#include "daemon/spectra/spikes.h"
#include "protocol/base/result.h"
#include "protocol/session/shape.h"

namespace creel::analysis {

/// Response of each pixel; corrected counts = counts / response. Usable for every session of the
/// same detector: one map for specimen and references makes its own noise common to them.
struct GainMap {
  std::uint32_t rows = 0, columns = 0;
  std::vector<float> response;    ///< per pixel, row by row; mean 1; 1 where bad
  std::vector<float> variance;    ///< of the response, from the noise of the gain frames
  std::vector<std::uint8_t> bad;  ///< 1 = dead or far off; filled from the pixels beside it
  std::uint64_t frames = 0;
  std::uint64_t bad_pixels = 0;
  bool by_channel = false;  ///< response and error are common to all rows of a channel
  // Of a moved spectrum only:
  double misfit = 0;                    ///< chi2 over degrees of freedom
  double spread = 0, sigma_spread = 0;  ///< of the channels' responses
  std::string name;                     ///< to tell maps apart; part of the report
};

/// Makes a GainMap from gain frames, in one of two ways.
///
/// Evenly lit, all at one energy: (mean gain frame - mean dark of the same exposure) over its mean.
/// Pixels that answer less than half or more than one and a half of the mean are bad.
///
/// A spectrum at several energies, each a whole number of channels from the others: dithered_gain()
/// of the rows' sums. All rows of a channel then get the channel's response, which is right for
/// light that lies on the rows as it did here; single bad pixels are not found.
///
/// X-rays are taken out of light and darks: one in the darks alone would stay in the response.
/// Memory does not grow with the number of frames.
class GainReference {
 public:
  /// @param dispersion_ev  width of a channel, which tells how far a spectrum was moved; 0 = not
  ///                       known, and only even light will do.
  explicit GainReference(const session::FrameShape& shape, double dispersion_ev = 0)
      : shape_(shape), dispersion_ev_(dispersion_ev) {}
  /// Takes gain and dark frames and ignores the others. invalid_request for a wrong length. Frames
  /// with bad flags, saturated ones and such with a value that is no number are left out. refused:
  /// the energy was changed more often than a reference does.
  Result<void> add(const FrameInfo& info, std::span<const std::byte> frame);
  /// Gain frames taken.
  [[nodiscard]] std::uint64_t frames() const { return frames_; }
  /// refused: no gain frames, no darks of their exposure time, no light in them, or a spectrum at
  /// too few places.
  [[nodiscard]] Result<GainMap> map(std::string name) const;

 private:
  struct Sum {
    std::uint64_t frames = 0;
    std::vector<double> sum, squares;  // squares of successive differences
    // How the differences go with that of the whole frame: what the light did between two frames,
    // which is no noise of a pixel.
    std::vector<double> with_total;
    double total_squares = 0;
    std::vector<float> last;
    [[nodiscard]] double own_squares(std::size_t pixel, double part_of_light) const;
  };
  using Sums = std::map<std::int64_t, Sum>;  // by exposure time
  /// Successive gain frames at one energy; rows summed.
  struct Visit {
    std::int64_t exposure_set_ns = 0;
    double first_ev = 0;
    std::uint64_t frames = 0;
    std::vector<double> sum, last;
  };
  [[nodiscard]] SpikeFilter new_filter() const;
  void take(const FrameInfo& info, const std::vector<float>& pixels);
  void take_visit(const FrameInfo& info, std::vector<double> columns);
  void learn_noise(const Visit& visit, const std::vector<double>& columns);
  [[nodiscard]] std::vector<double> column_darks(const Sum& dark) const;
  [[nodiscard]] bool moved(std::int64_t exposure_set_ns) const;
  [[nodiscard]] Result<GainMap> whole_map(std::string name) const;
  [[nodiscard]] Result<GainMap> even_map(const Sum& gain, const Sum& dark) const;
  [[nodiscard]] Result<GainMap> dithered_map(std::int64_t exposure_set_ns, const Sum& dark) const;

  session::FrameShape shape_;
  double dispersion_ev_;
  std::map<std::int64_t, SpikeFilter> dark_filters_;  // by exposure time
  std::optional<SpikeFilter> gain_filter_;            // of the visit that is going on
  FrameInfo gain_of_;
  std::uint64_t frames_ = 0;
  Sums gain_, dark_;
  std::vector<Visit> visits_;
  double products_ = 0, levels_ = 0, pairs_ = 0;  // noise of a channel, sums over pairs
};

/// Divides a frame by the responses and fills bad pixels with the mean of the nearest good ones to
/// the left and right in their row.
void correct_gain(const GainMap& map, std::vector<float>& pixels);

}  // namespace creel::analysis
