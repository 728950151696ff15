// Keeps the zero loss where it was: moves the energy axis back, or holds.
#pragma once

#include <optional>

#include "daemon/guards/guard.h"

namespace creel {

class DriftGuard : public Guard {
 public:
  /// One reference may be fitted wrongly; two in a row are believed.
  static constexpr std::uint32_t kInARow = 2;

  explicit DriftGuard(DriftLimit limit) : limit_(std::move(limit)) {}
  [[nodiscard]] std::string_view name() const override { return "zero_loss_drift"; }
  /// Asks to move the axis so that the newest zero loss stands where the first one did. Holds
  /// instead where no setting is named, where no peak is found any more, where it was moved as
  /// often as allowed, or where moving it did not help.
  Verdict before(const BeforeExposure& view) override;
  /// Positions are on the axis as set, moves included: so they tell the drift of the instrument,
  /// and the move in force is subtracted.
  void measured(const FrameMeasures& measures) override;
  void went_on() override;
  void recentred() override;

 private:
  [[nodiscard]] Verdict move(const BeforeExposure& view, double off, nlohmann::json numbers);

  DriftLimit limit_;
  std::optional<double> first_;               ///< position, eV
  std::vector<std::optional<Measure>> last_;  ///< the newest kInARow references
  std::uint32_t moved_ = 0;
  std::uint32_t since_move_ = 0;  ///< references since the last move
};

}  // namespace creel
