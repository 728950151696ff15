// Exposes nothing that the disk could not take: waits with the shutter closed until there is room,
// and holds for a person in the end. Every series has it.
#pragma once

#include "daemon/guards/guard.h"
#include "daemon/guards/waiting.h"

namespace creel {

class DiskGuard : public Guard {
 public:
  [[nodiscard]] std::string_view name() const override { return "disk"; }
  Verdict before(const BeforeExposure& view) override;
  void went_on() override { waiting_.reset(); }

 private:
  Waiting waiting_{Patience{}};
};

}  // namespace creel
