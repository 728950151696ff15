// The frames of a calibration's session as its numerics need them: rows summed, dark subtracted,
// each with the times of its exposure. Calibrations are short, so all frames are kept.
#pragma once

#include <cstdint>
#include <map>
#include <span>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/series/series.h"
#include "protocol/session/layout.h"
#include "protocol/session/shape.h"

namespace creel::calibration {

struct Frame {
  std::uint64_t sequence = 0;
  ExposureKind kind = ExposureKind::specimen;
  Where where = Where::specimen;
  std::uint32_t block = 0;
  bool saturated = false;
  std::int64_t exposure_set_ns = 0;   ///< as asked
  std::int64_t integration_ns = 0;    ///< of the detector; finds its darks. Longer where the
                                      ///< shutter gates
  double lit_s = 0;                   ///< beam on the detector: as the detector or the shutter says
  double start_s = 0, middle_s = 0;   ///< world time of the integration
  double opened_s = 0, closed_s = 0;  ///< as the shutter measured; 0 = it does not
  double vary = 0;                    ///< NaN when the block varies nothing
  double first_ev = 0;                ///< of the first channel as set; NaN when unknown
  double total = 0;                   ///< counts of all pixels, dark subtracted
  std::vector<double> counts;         ///< by channel, rows summed, dark subtracted
};

/// Darks of one integration time.
struct DarkSum {
  std::uint64_t frames = 0;
  std::vector<double> mean;     ///< by channel, rows summed
  double total = 0;             ///< mean of all pixels together
  double variance = 0;          ///< of one dark's total; NaN for fewer than two
  double channel_variance = 0;  ///< of one channel of one dark, mean over channels; likewise
};

struct Frames {
  std::vector<Frame> lit;                    ///< all that are not dark, in order
  std::map<std::int64_t, DarkSum> darks;     ///< by integration time
  std::vector<std::uint64_t> dark_sequence;  ///< of the darks
  std::uint64_t left_out = 0;                ///< flags or contents
  std::uint64_t without_dark = 0;            ///< left out: no dark of their integration time

  /// Those of a kind and place, saturated ones only with `saturated`.
  [[nodiscard]] std::vector<const Frame*> of(ExposureKind kind, Where where,
                                             bool saturated = false) const;
  /// Variance of a frame's total that its dark noise and the error of the mean dark give.
  [[nodiscard]] double dark_variance(const Frame& frame) const;
};

class FrameCollector {
 public:
  static constexpr std::size_t kMostFrames = 20'000;
  FrameCollector(const session::FrameShape& shape, Gating gating)
      : shape_(shape), gating_(gating) {}
  /// Takes a frame in order. invalid_request: wrong length, or events off the sensor. refused: more
  /// frames than a calibration has.
  Result<void> add(const session::Record& record, std::span<const std::byte> frame);
  /// Subtracts the darks.
  [[nodiscard]] Frames finish() const;

 private:
  struct Dark {
    std::uint64_t frames = 0;
    std::vector<double> sum, last;
    double total = 0, last_total = 0, squares = 0, channel_squares = 0;
  };
  void take_dark(const session::Record& record, const std::vector<double>& counts, double total);

  session::FrameShape shape_;
  Gating gating_;
  Frames frames_;
  std::map<std::int64_t, Dark> darks_;
};

}  // namespace creel::calibration
