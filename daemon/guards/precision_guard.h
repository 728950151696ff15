// Ends a series as soon as the answer is good enough: every further electron would only damage.
#pragma once

#include "daemon/guards/guard.h"

namespace creel {

class PrecisionGuard : public Guard {
 public:
  explicit PrecisionGuard(PrecisionLimit limit) : limit_(limit) {}
  [[nodiscard]] std::string_view name() const override { return "precision"; }
  Verdict before(const BeforeExposure& view) override;

 private:
  PrecisionLimit limit_;
};

}  // namespace creel
