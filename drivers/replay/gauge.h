// A gauge as a session recorded it: its readings in their order, drop-outs included; after the last
// one, the last. Config: replayed.h.
//
// Each reading belongs to the exposure that it was taken before or after. A daemon that reads more
// often than the recorded one did gets the last reading of that exposure again, and one that reads
// less often leaves some out, so that readings and frames never drift apart.
#pragma once

#include "drivers/replay/replayed.h"

namespace creel::replay {

class Gauge : public kit::Gauge {
 public:
  Gauge(const nlohmann::json& config, kit::Services services)
      : services_(services), common_(config, services) {}
  nlohmann::json describe() override { return common_.description(); }
  nlohmann::json settings() override { return common_.settings(); }
  void set(const std::string& name, const nlohmann::json& value) override {
    common_.set(name, value);
  }
  void make_safe() override {}  // reading does no harm
  std::vector<kit::Channel> channels() const override;
  std::vector<creel_reading> read() override;

 private:
  const GaugeRead* next();

  kit::Services services_;
  Replayed common_;
};

}  // namespace creel::replay
