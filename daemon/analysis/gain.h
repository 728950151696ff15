// The gain (flat) reference: how strongly each pixel answers, relative to the others.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <span>
#include <string>
#include <vector>

#include "daemon/analysis/frame_info.h"
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
  std::string name;  ///< to tell maps apart; part of the report
};

/// Makes a GainMap from evenly lit frames: (mean gain frame - mean dark of the same exposure) over
/// its mean. Memory does not grow with the number of frames.
class GainReference {
 public:
  /// Pixels answering less than `least` or more than `most` of the mean are bad.
  explicit GainReference(const session::FrameShape& shape, double least = 0.5, double most = 1.5);
  /// Takes gain and dark frames and ignores the others. invalid_request for a wrong length. Frames
  /// with bad flags, saturated ones and such with a value that is no number are left out.
  Result<void> add(const FrameInfo& info, std::span<const std::byte> frame);
  [[nodiscard]] std::uint64_t frames() const;
  /// refused: no gain frames, no darks of their exposure time, or no light in them.
  [[nodiscard]] Result<GainMap> map(std::string name) const;

 private:
  struct Sum {
    std::uint64_t frames = 0;
    std::vector<double> sum, squares;  // squares of successive differences
    std::vector<float> last;
  };
  session::FrameShape shape_;
  double least_, most_;
  std::map<std::int64_t, Sum> gain_, dark_;  // by exposure time
};

/// Divides a frame by the responses and fills bad pixels with the mean of the nearest good ones to
/// the left and right in their row.
void correct_gain(const GainMap& map, std::vector<float>& pixels);

}  // namespace creel::analysis
