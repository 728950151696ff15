// The dark-corrected sum spectrum of a session, frame by frame: memory does not grow with the
// number of frames. Pure numerics: no file, no clock. Any thread, one at a time for one object.
//
// For the exposures of one kind:  S[c] = sum over exposures of ( sum over rows of frame  -  mean
// dark ) [c], the mean dark taken over the dark frames of the same exposure time. Subtracting per
// pixel and summing the rows afterwards gives the same number, because both are linear; so only one
// row is kept.
//
// One standard deviation of S comes from what the frames themselves show, not from counting
// statistics: the latter needs the electrons per count of the detector, which is known only after a
// calibration, and misses read noise and the laser's own noise. The variance of one frame is
// estimated from successive differences,
//   v[c] = sum_i (x_{i+1} - x_i)^2 / (2 (n - 1)),
// so that a slow change (beam damage, drift) is not taken for noise, as it would be by the
// deviation from the mean. Source: J. von Neumann, R. H. Kent, H. R. Bellinson, B. I. Hart, Ann.
// Math. Statist. 12, 153 (1941). Then  var S = n v + n^2 v_dark / m  with n exposures and m darks:
// all exposures share one mean dark.
//
// Left out: frames marked broken, incomplete or touched by a hold, and frames with a value that is
// no number. Not done here: gain (flat) correction, removal of X-ray spikes, alignment.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <span>
#include <utility>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/base/units.h"
#include "protocol/series/series.h"
#include "protocol/session/layout.h"
#include "protocol/session/shape.h"

namespace creel::analysis {

/// Energy loss of a channel, as typed in the series document (set values, not a calibration).
/// Channel c covers at(c) to at(c + 1); its centre is at(c + 0.5).
struct EnergyAxis {
  double offset_ev = 0;  ///< lower edge of channel 0
  double ev_per_channel = 1;
  [[nodiscard]] double at(double channel) const { return offset_ev + channel * ev_per_channel; }
};

struct Spectrum {
  ExposureKind kind = ExposureKind::specimen;
  std::vector<double> counts;      ///< S, in the detector's counts
  std::vector<double> sigma;       ///< one standard deviation of S; NaN where it cannot be told
  std::uint64_t frames = 0;        ///< summed
  std::uint64_t darks = 0;         ///< frames in the mean darks that were subtracted
  std::uint64_t without_dark = 0;  ///< usable, left out because no dark has their exposure time
  std::uint64_t saturated = 0;     ///< among `frames`: some pixel at the detector's limit
  Duration exposure;               ///< total of `frames`
  bool dark_corrected =
      false;  ///< false: there was no dark at all, S holds the detector's offset too
};

class SpectrumSum {
 public:
  /// Most different exposure times that one session may mix.
  static constexpr std::size_t kMostGroups = 256;

  /// `shape`: as in session::Documents. A frame has at least one row and one column.
  explicit SpectrumSum(const session::FrameShape& shape) : shape_(shape) {}

  /// Takes one frame (shape.bytes() long, rows then columns, little-endian) with its record. In the
  /// order in which they were taken. invalid_request for a wrong length, an unknown kind, or too
  /// many exposure times.
  Result<void> add(const session::Record& record, std::span<const std::byte> frame);

  /// The sum over the frames of one kind so far. Darks themselves are summed as they are.
  [[nodiscard]] Spectrum of(ExposureKind kind) const;
  /// Frames of `kind` that can be used.
  [[nodiscard]] std::uint64_t usable(ExposureKind kind) const;
  /// Frames of any kind that were left out because of their flags or contents.
  [[nodiscard]] std::uint64_t left_out() const { return left_out_; }

 private:
  struct Group {
    std::uint64_t frames = 0;
    std::uint64_t saturated = 0;
    std::vector<double> sum;
    std::vector<double> last;
    std::vector<double> squares;  ///< of successive differences
  };
  using Key = std::pair<std::uint8_t, std::int64_t>;  ///< kind, exposure time set in ns

  void add_group(const Group& group, const Group* dark, Spectrum& into) const;

  session::FrameShape shape_;
  std::map<Key, Group> groups_;
  std::vector<double> row_;
  std::uint64_t left_out_ = 0;
};

/// Mean of frames of one kind as a picture, rows x columns cells, binned when the frame is larger
/// than kMostRows x kMostColumns. Dark frames are not subtracted. For detectors with more than one
/// row.
class MeanImage {
 public:
  static constexpr std::uint32_t kMostRows = 256;
  static constexpr std::uint32_t kMostColumns = 512;

  explicit MeanImage(const session::FrameShape& shape);
  /// As SpectrumSum::add, with the same frames left out. Takes frames of one kind only: the
  /// caller's choice.
  Result<void> add(const session::Record& record, std::span<const std::byte> frame);

  [[nodiscard]] std::uint32_t rows() const { return rows_; }
  [[nodiscard]] std::uint32_t columns() const { return columns_; }
  [[nodiscard]] std::uint32_t bin_rows() const { return bin_rows_; }        ///< rows in one cell
  [[nodiscard]] std::uint32_t bin_columns() const { return bin_columns_; }  ///< columns in one cell
  /// Mean counts per pixel, row by row; empty before the first frame.
  [[nodiscard]] std::vector<double> mean() const;

 private:
  session::FrameShape shape_;
  std::uint32_t bin_rows_ = 1, bin_columns_ = 1, rows_ = 0, columns_ = 0;
  std::uint64_t frames_ = 0;
  std::vector<double> sum_;
};

/// Whether a frame may enter a sum, by its flags.
bool may_be_summed(const session::Record& record);

}  // namespace creel::analysis
