// Waits when the cathode gives far fewer electrons than at the start although its laser reads well:
// the spot walked off, an aperture moved, the specimen charged. And lets the cathode settle.
//
// CountsGuard judges each frame at once against the frames just before it; this one sees a loss
// that creeps over the night, and tells it from a laser that is weak.
#pragma once

#include <map>
#include <tuple>
#include <vector>

#include "daemon/guards/guard.h"
#include "daemon/guards/waiting.h"

namespace creel {

class EmissionGuard : public Guard {
 public:
  /// The start is the median of this many frames of the same block, kind, area and varied value.
  static constexpr std::size_t kFirst = 4;

  explicit EmissionGuard(EmissionLimit limit)
      : limit_(std::move(limit)), waiting_(limit_.patience) {}
  [[nodiscard]] std::string_view name() const override { return "emission"; }
  /// While the cathode settles: waits, for all that gives dose. After `in_a_row` low frames: waits
  /// once, then lets exposures go until one of them is measured, and so on.
  Verdict before(const BeforeExposure& view) override;
  /// A frame that began before the cathode had settled stays out of sums: a shutter opened and
  /// closed over this guard's head.
  std::string after(const AfterExposure& view) override;
  void measured(const FrameMeasures& measures) override;
  void went_on() override;

 private:
  using Key = std::tuple<std::uint32_t, ExposureKind, std::uint16_t, double>;
  [[nodiscard]] Verdict settle(const BeforeExposure& view) const;
  /// Whether the laser's gauge reads what it read at first, or nobody knows.
  bool laser_reads_well(const BeforeExposure& view);

  EmissionLimit limit_;
  Waiting waiting_;
  std::map<Key, std::vector<double>> first_;  ///< rates of the first kFirst frames
  std::optional<double> first_power_, power_;
  std::uint32_t low_in_a_row_ = 0;
  bool news_ = false;  ///< a frame was measured since the last wait
  double rate_ = 0, start_ = 0;
};

}  // namespace creel
