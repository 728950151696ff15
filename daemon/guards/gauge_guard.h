// Waits while a reading is outside its band: the laser dropped out, the room grew warm.
#pragma once

#include "daemon/guards/guard.h"
#include "daemon/guards/waiting.h"

namespace creel {

class GaugeGuard : public Guard {
 public:
  explicit GaugeGuard(GaugeBand band);
  [[nodiscard]] std::string_view name() const override { return "gauge"; }
  /// A reading that is missing counts as outside. Darks go on: they need no beam.
  Verdict before(const BeforeExposure& view) override;
  std::string after(const AfterExposure& view) override;
  void went_on() override { waiting_.reset(); }

 private:
  [[nodiscard]] std::optional<double> value_in(const std::vector<Reading>& readings) const;
  /// "laser_power power is 0.1; its band is 18 to 22"; "" = inside.
  [[nodiscard]] std::string outside(std::optional<double> value) const;

  GaugeBand band_;
  Waiting waiting_;
};

}  // namespace creel
