// Ends a series before an exposure that could pass the dose stated for it or the area's limit for
// ever.
#pragma once

#include "daemon/guards/guard.h"

namespace creel {

class DoseGuard : public Guard {
 public:
  /// `limit`: dose that this series may give any one area, 1/angstrom^2.
  explicit DoseGuard(Dose limit) : limit_(limit) {}
  [[nodiscard]] std::string_view name() const override { return "dose"; }
  /// Compares upper values, unsettled intents and frames not yet stored included: it errs towards
  /// ending.
  Verdict before(const BeforeExposure& view) override;

 private:
  Dose limit_;
};

}  // namespace creel
