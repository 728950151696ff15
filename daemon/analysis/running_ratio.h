// The white-line ratio while the night goes on: for `follow` and for the guard that stops when it
// is precise enough. No reference sessions, no files; the same frames give the same numbers.
//
// add() costs a few passes over the pixels of a frame; current() costs some milliseconds whatever
// the number of frames, so it may be asked after every exposure of a second but not after every one
// of a millisecond. Memory: some 64 spectra and a few frames. Not thread-safe: one thread at a
// time.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>

#include "daemon/analysis/evaluate.h"

namespace creel::analysis {

struct RunningEstimate {
  std::uint64_t specimen_frames = 0;  ///< used so far
  std::optional<double> mean_counts;  ///< dark-corrected counts of one specimen exposure, whole
                                      ///< detector, mean; nothing before a dark of its length
  std::optional<double> last_counts;  ///< of the last exposure
  std::optional<Ratio> ratio;         ///< L3/L2 as in evaluate(); exposures aligned by the zero
                                      ///< losses so far, the last one holding on
  std::string why_not;                ///< one sentence when there is no ratio yet
};

class RunningRatio {
 public:
  /// `setup` as for SpectraCollector. `element`: one with white lines; others never get a ratio.
  RunningRatio(SpectraCollector::Setup setup, std::string element,
               std::optional<WhiteLineWindows> windows = {});

  /// Takes one frame, in order. Errors as SpectraCollector::add; nothing is taken then.
  Result<void> add(const FrameInfo& info, std::span<const std::byte> frame);
  [[nodiscard]] RunningEstimate current() const;

 private:
  struct Total {
    std::uint64_t frames = 0;
    double sum = 0;
  };
  [[nodiscard]] Result<Ratio> ratio_now() const;

  session::FrameShape shape_;
  SpectraCollector collector_;
  std::string element_;
  std::optional<WhiteLineWindows> windows_;
  std::map<std::int64_t, Total> dark_, specimen_;  // by exposure time
  std::optional<std::pair<std::int64_t, double>> last_;
};

}  // namespace creel::analysis
