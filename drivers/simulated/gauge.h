// Simulated gauges: laser power before the cathode's shutter, high tension, room temperature. What
// they read is what the instruments would show: it does not tell everything that happens to the
// beam. Config:
//   "gauge"  which of them: "laser_power", "high_tension", "room", or "all" (the default)
//   "world"  see world/laboratory_config.h
#pragma once

#include <memory>

#include "drivers/kit/kit.h"
#include "drivers/simulated/shared_log.h"
#include "sim/world.h"

namespace creel::simulated {

class Gauge : public kit::Gauge {
 public:
  Gauge(const nlohmann::json& config, kit::Services services);
  nlohmann::json describe() override;
  void make_safe() override {}  // reading does no harm
  std::vector<kit::Channel> channels() const override;
  std::vector<creel_reading> read() override;

 private:
  struct Meter {
    kit::Channel channel;
    double (*value)(const sim::Source& source, std::uint64_t seed, double t_s);
    double uncertainty;
    bool attenuated = false;  // stands behind the attenuator
  };
  kit::Services services_;
  sim::Laboratory laboratory_;
  std::unique_ptr<SharedLog> log_;
  std::vector<Meter> meters_;
};

}  // namespace creel::simulated
