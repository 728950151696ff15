// Ends a series before an exposure that could not be finished by a stated time.
#pragma once

#include "daemon/guards/guard.h"

namespace creel {

class ClockGuard : public Guard {
 public:
  explicit ClockGuard(ClockLimit limit) : limit_(limit) {}
  [[nodiscard]] std::string_view name() const override { return "clock"; }
  Verdict before(const BeforeExposure& view) override;

 private:
  ClockLimit limit_;
};

}  // namespace creel
