// Two guards on single measures of the zero-loss references: contamination and broadening. Both act
// on two references in a row, because one may be fitted wrongly.
#pragma once

#include <map>
#include <optional>

#include "daemon/guards/guard.h"

namespace creel {

/// Something grows on the specimen: its relative thickness rises.
class ContaminationGuard : public Guard {
 public:
  static constexpr std::uint32_t kFirst = 3;  ///< references of an area that set its start
  static constexpr std::uint32_t kInARow = 2;

  explicit ContaminationGuard(ContaminationLimit limit) : limit_(limit) {}
  [[nodiscard]] std::string_view name() const override { return "contamination"; }
  Verdict before(const BeforeExposure& view) override;
  void measured(const FrameMeasures& measures) override;
  void went_on() override { areas_.clear(); }

 private:
  struct State {
    double start = 0;
    std::uint32_t references = 0, beyond = 0;
    Measure last;
    double dose = 0;
  };
  ContaminationLimit limit_;
  std::map<std::uint16_t, State> areas_;
};

/// The zero loss is wider than allowed: high tension ripples, the focus of the spectrometer is
/// lost.
class BroadeningGuard : public Guard {
 public:
  static constexpr std::uint32_t kInARow = 2;

  explicit BroadeningGuard(BroadeningLimit limit) : limit_(limit) {}
  [[nodiscard]] std::string_view name() const override { return "broadening"; }
  Verdict before(const BeforeExposure& view) override;
  void measured(const FrameMeasures& measures) override;
  void went_on() override { beyond_ = 0; }

 private:
  BroadeningLimit limit_;
  std::uint32_t beyond_ = 0;
  Measure last_;
};

}  // namespace creel
