// Waits when the electrons stay away although the laser's power reads well: the spot has walked off
// the cathode, an aperture moved, the specimen charged.
#pragma once

#include <cstddef>
#include <deque>
#include <map>
#include <utility>

#include "daemon/guards/guard.h"
#include "daemon/guards/waiting.h"

namespace creel {

class CountsGuard : public Guard {
 public:
  /// "Usual" is the median of this many good frames, and nothing is judged before four of them:
  /// the first frames set the standard.
  static constexpr std::size_t kRemembered = 16;
  static constexpr std::size_t kFewest = 4;

  explicit CountsGuard(CountsLimit limit) : limit_(limit), waiting_(limit.patience) {}
  [[nodiscard]] std::string_view name() const override { return "low_counts"; }
  /// After `in_a_row` low frames: waits once, then lets one exposure try, and so on. (Only an
  /// exposure can show that the electrons are back.)
  Verdict before(const BeforeExposure& view) override;
  /// Judges specimen frames once there is a dark of their exposure time to subtract.
  std::string after(const AfterExposure& view) override;
  void went_on() override {
    waiting_.reset();
    low_in_a_row_ = 0;
    good_.clear();  // what is usual may be another now: a person looked
  }

 private:
  CountsLimit limit_;
  Waiting waiting_;
  std::map<std::int64_t, double> dark_;              ///< newest, by exposure time in ns
  std::map<std::int64_t, std::deque<double>> good_;  ///< counts of good frames, likewise
  std::uint32_t low_in_a_row_ = 0;
  bool tried_ = true;  ///< an exposure was taken since the last wait
  double last_ = 0, usual_ = 0;
};

}  // namespace creel
