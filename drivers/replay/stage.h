// A stage as a session recorded it: it makes the recorded movements, in their order and time, and
// refuses others. Config: replayed.h.
#pragma once

#include "drivers/replay/replayed.h"

namespace creel::replay {

class Stage : public kit::Stage {
 public:
  Stage(const nlohmann::json& config, kit::Services services);
  nlohmann::json describe() override { return common_.description(); }
  nlohmann::json settings() override { return common_.settings(); }
  void set(const std::string& name, const nlohmann::json& value) override {
    common_.set(name, value);
  }
  void make_safe() override {}  // the host ends the wait of a movement
  std::vector<kit::Axis> axes() const override { return axes_; }
  void move(std::uint32_t axis, double position) override;
  double position(std::uint32_t axis) override { return positions_.at(axis); }

 private:
  kit::Services services_;
  Replayed common_;
  std::vector<kit::Axis> axes_;
  std::vector<double> positions_;
};

}  // namespace creel::replay
