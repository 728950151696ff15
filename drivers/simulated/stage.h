// A simulated stage with everything that moves. Axes: x and y of the specimen (um; the film ends at
// "film_until_um", beyond it lies vacuum and whatever is "mounted"), delay between pump and probe
// (ps), energy offset of the spectrometer (eV). Each axis is also a setting, so that a block of a
// series can go somewhere before it starts. World time passes while it moves; the beam, if it is
// on, stays on the old place until the stage stands (the way between is not modelled). Config:
//   "speed"  units of the axis per second, default 200
//   "world"  see world/laboratory_config.h
#pragma once

#include <mutex>

#include "drivers/kit/kit.h"
#include "drivers/simulated/shared_log.h"

namespace creel::simulated {

class Stage : public kit::Stage {
 public:
  Stage(const nlohmann::json& config, kit::Services services);
  nlohmann::json describe() override;
  nlohmann::json settings() override;
  void set(const std::string& name, const nlohmann::json& value) override;
  void make_safe() override {
  }  // the host ends the wait of a movement; the axis then stays where it was
  std::vector<kit::Axis> axes() const override;
  void move(std::uint32_t axis, double position) override;
  double position(std::uint32_t axis) override;

 private:
  kit::Services services_;
  double speed_ = 200;
  std::unique_ptr<SharedLog> log_;
};

}  // namespace creel::simulated
