// Removes the marks of X rays and cosmic rays: pixels far above what the same pixel shows in the
// frames before and after.
//
// A pixel of frame i is a spike when it exceeds the larger of its two neighbours in time by more
// than
//   threshold * sqrt(2 v)  +  tolerance * level  +  8 K
// v is the variance of one pixel at this level, learnt from the frames themselves: half the mean
// square of the difference of consecutive frames, in bins of level (the photon-transfer relation,
// EMVA Standard 1288, without assuming its line). K is the total variance over the total light,
// about the counts of one electron: where there is less than one electron a pixel, counts jump by
// many of their standard deviations, and must not be taken for spikes. The tolerance lets intensity
// and peaks move. Pixels beside a spike that exceed by 3 sqrt(2 v) go with it (point spread). They
// get the mean of their neighbours in time. A frame in which more than one pixel in 100 (at least
// 24) stands out has not spikes but more light, and is left as it is.
//
// Frames of one kind and exposure come out in order, one frame late; memory is two frames a kind.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <vector>

#include "daemon/spectra/frame_info.h"

namespace creel::analysis {

/// Variance of a pixel against its level, in bins of about half an octave above the darkest level.
class NoiseByLevel {
 public:
  /// Learns from two consecutive frames. The first pair sets everything (by means without the
  /// largest, which may be spikes); later ones refine it, differences beyond five standard
  /// deviations not counted.
  void learn(const std::vector<float>& frame, const std::vector<float>& next);
  [[nodiscard]] bool ready() const { return ready_; }
  /// Variance of one pixel of one frame, counts^2; > 0.
  [[nodiscard]] double variance(double level) const;
  /// 8 K, counts.
  [[nodiscard]] double margin() const;
  /// Level above the darkest, never negative.
  [[nodiscard]] double above_dark(double level) const;

 private:
  static constexpr std::size_t kBins = 40;
  [[nodiscard]] std::size_t bin(double level) const;
  void start(const std::vector<float>& frame, const std::vector<float>& next);
  void fill_gaps(const std::array<bool, kBins>& known);
  bool ready_ = false;
  double base_ = 0, unit_ = 1, quantum_ = 0;
  std::array<double, kBins> first_{}, sum_{}, count_{};
};

class SpikeFilter {
 public:
  using Sink = std::function<void(const FrameInfo&, const std::vector<float>&)>;

  /// `threshold` in standard deviations, > 3; `tolerance` relative, >= 0.
  SpikeFilter(std::uint32_t rows, std::uint32_t columns, double threshold, double tolerance);

  /// Takes the next frame and hands over the one before it, cleaned.
  void add(const FrameInfo& info, std::vector<float> pixels, const Sink& sink);
  /// Hands over what is left.
  void flush(const Sink& sink);
  /// Spikes removed so far (one for each connected patch).
  [[nodiscard]] std::uint64_t removed() const { return removed_; }

 private:
  struct Held {
    FrameInfo info;
    std::vector<float> pixels;
  };
  void clean(std::vector<float>& pixels, const std::vector<float>* before,
             const std::vector<float>* after);
  [[nodiscard]] bool marked_before(std::size_t pixel) const;
  void replace_around(std::vector<float>& pixels, std::size_t pixel);

  std::uint32_t rows_, columns_;
  double threshold_, tolerance_;
  NoiseByLevel noise_;
  std::optional<Held> waiting_;
  std::vector<float> last_;                // the frame before, cleaned; empty at first
  std::vector<float> expected_, highest_;  // of the frame being judged
  std::vector<std::uint8_t> mark_;
  std::uint64_t removed_ = 0;
};

}  // namespace creel::analysis
