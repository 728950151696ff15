// What the noise of single pixels tells of a detector: photon transfer, point spread, darks.
//
// From successive frames a, b of the same light: D = b - a - mean(b - a), variance of one frame =
// <D D>/2, which no fixed pattern enters (EMVA Standard 1288, Release 4.0, sec. 6.6: difference of
// two images). Neighbouring pixels share electrons (point spread), which takes noise away from one
// pixel and gives it to its covariances; so what counts is the sum over all lags,
//   V = sum over |dr|, |dc| <= 2 of <D(r, c) D(r + dr, c + dc)> / 2,
// which the spread cannot change. Then V - V_dark = K F (mean - dark mean): K counts per electron,
// F >= 1 the excess noise of a single electron's signal, which photon transfer cannot tell apart.
// Numbers come from tiles of pixels, their errors from the scatter between tiles.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <span>
#include <vector>

#include "daemon/spectra/frame_info.h"
#include "daemon/spectra/series_calibration.h"
#include "protocol/base/result.h"
#include "protocol/session/shape.h"

namespace creel::calibration {

using analysis::Measured;

/// Sums over the pairs of one exposure time, by tile.
struct NoiseLevel {
  std::uint64_t frames = 0;
  double pixels = 0;  ///< of a frame
  struct Tile {
    double pairs = 0;                   ///< in which no pixel was hit by an X-ray
    double level = 0;                   ///< sum over pairs of the mean counts of a pixel
    double all_lags = 0;                ///< sum over pairs of mean D box(D)
    double none = 0;                    ///< of mean D D
    double column_1 = 0, column_2 = 0;  ///< of mean D D' one, two columns away
    double row_1 = 0;                   ///< one row away
  };
  std::vector<Tile> tiles;
  std::vector<double> frame_means;  ///< mean counts of a pixel in each pair's frames
};

class NoiseCollector {
 public:
  explicit NoiseCollector(const session::FrameShape& shape);
  /// Takes gain and dark frames in order; ignores the others, saturated and unusable ones.
  Result<void> add(const analysis::FrameInfo& info, std::span<const std::byte> frame);
  [[nodiscard]] const std::map<std::int64_t, NoiseLevel>& gain() const { return gain_; }
  [[nodiscard]] const std::map<std::int64_t, NoiseLevel>& dark() const { return dark_; }

 private:
  void take_pair(const std::vector<float>& before, const std::vector<float>& after,
                 NoiseLevel& level);
  session::FrameShape shape_;
  std::uint32_t tile_rows_, tile_columns_, row_reach_;
  std::map<std::int64_t, NoiseLevel> gain_, dark_;
  std::map<std::pair<std::uint8_t, std::int64_t>, std::vector<float>> last_;
};

struct PhotonTransfer {
  Measured counts_per_electron;  ///< K F
  Measured noise;                ///< of a pixel in the dark, counts, one standard deviation
  struct Level {
    double exposure_s = 0, mean = 0, variance = 0, sigma_variance = 0;  ///< above dark
  };
  std::vector<Level> levels;  ///< for the curve
};
/// refused: no level with darks of its exposure time, fewer than three frames, no light.
Result<PhotonTransfer> photon_transfer(const NoiseCollector& noise);

struct PointSpread {
  Measured column_1, column_2, row_1;  ///< correlation of the signal's noise at that distance
  Measured neighbour;  ///< part of an electron's signal in the next column on each side, if the
                       ///< spread reaches one pixel only: r = 2 p q / (q^2 + 2 p^2), q = 1 - 2 p
};
/// From the autocorrelation of the noise (W. J. de Ruijter, J. K. Weiss, Rev. Sci. Instrum. 63,
/// 4314 (1992), from memory). Where an electron's path scatters from one electron to the next, the
/// noise spreads less than the signal does: the numbers are lower bounds then. refused as above.
Result<PointSpread> point_spread(const NoiseCollector& noise);

struct DarkLibrary {
  struct Level {
    double exposure_s = 0;
    Measured mean;      ///< counts of a pixel
    Measured variance;  ///< of a pixel from frame to frame, counts^2
  };
  std::vector<Level> levels;  ///< by exposure time
  Measured offset;            ///< counts of a pixel at no exposure time
  Measured rate;              ///< counts per pixel and second
  Measured read_noise;        ///< counts, one standard deviation at no exposure time
};
/// The mean leaves out pixels hit by X-rays. Offset and rate need two exposure times. refused: no
/// exposure time with three darks.
Result<DarkLibrary> dark_library(const NoiseCollector& noise);

}  // namespace creel::calibration
