#include "drivers/simulated/stage.h"

#include <array>
#include <cmath>

#include "drivers/simulated/world/laboratory_config.h"

namespace creel::simulated {
namespace {

struct AxisOfWorld {
  sim::Channel channel;
  double step;
  const char *name, *unit, *setting;
  std::int32_t least, most, at_first;  // steps
};
constexpr std::int32_t kSteps = 65000;
constexpr std::array<AxisOfWorld, 5> kAxes = {{
    {sim::Channel::stage_x, sim::kStageStep_um, "x", "um", "x_um", -kSteps, kSteps, 0},
    {sim::Channel::stage_y, sim::kStageStep_um, "y", "um", "y_um", -kSteps, kSteps, 0},
    {sim::Channel::delay, sim::kDelayStep_ps, "delay", "ps", "delay_ps", -kSteps, kSteps, 0},
    {sim::Channel::energy_offset, sim::kEnergyStep_eV, "energy_offset", "eV", "energy_offset_ev",
     -kSteps, kSteps, 0},
    {sim::Channel::attenuator, 100 * sim::kAttenuatorStep, "attenuator", "%", "attenuator_percent",
     0, sim::kAttenuatorOpen, sim::kAttenuatorOpen},
}};

}  // namespace

Stage::Stage(const nlohmann::json& config, kit::Services services) : services_(services) {
  kit::Config fields(config);
  fields.text("name", "");
  speed_ = fields.number("speed", speed_, 1e-3, 1e6);
  std::ignore = read_laboratory(fields);
  fields.done();
  log_ = std::make_unique<SharedLog>(services, fingerprint(config));
}

nlohmann::json Stage::describe() {
  nlohmann::json settings = nlohmann::json::object();
  for (const AxisOfWorld& axis : kAxes) {
    settings[axis.setting] = {{"type", "number"},
                              {"unit", axis.unit},
                              {"min", axis.least * axis.step},
                              {"max", axis.most * axis.step}};
  }
  return {
      {"identity",
       {{"maker", "Creel"}, {"model", "simulated stage"}, {"serial", "1"}, {"firmware", "0.1.0"}}},
      {"settings", settings}};
}

std::vector<kit::Axis> Stage::axes() const {
  std::vector<kit::Axis> axes;
  axes.reserve(kAxes.size());
  for (const AxisOfWorld& axis : kAxes) {
    axes.push_back({axis.name, axis.unit, axis.least * axis.step, axis.most * axis.step});
  }
  return axes;
}

nlohmann::json Stage::settings() {
  nlohmann::json settings;
  for (std::uint32_t i = 0; i < kAxes.size(); ++i) {
    settings[kAxes[i].setting] = position(i);
  }
  return settings;
}

void Stage::set(const std::string& name, const nlohmann::json& value) {
  for (std::uint32_t i = 0; i < kAxes.size(); ++i) {
    if (name != kAxes[i].setting) {
      continue;
    }
    const double least = kAxes[i].least * kAxes[i].step;
    const double most = kAxes[i].most * kAxes[i].step;
    if (!value.is_number() || !(value.get<double>() >= least && value.get<double>() <= most)) {
      throw kit::Failure(CREEL_E_INVALID, "setting " + name + ": given " + value.dump() +
                                              "; allowed: a number from " + std::to_string(least) +
                                              " to " + std::to_string(most) + " " + kAxes[i].unit);
    }
    move(i, value.get<double>());
    return;
  }
  throw kit::Failure(
      CREEL_E_INVALID,
      "setting " + name +
          " is not known; known: x_um, y_um, delay_ps, energy_offset_ev, attenuator_percent");
}

void Stage::move(std::uint32_t axis, double position) {
  const AxisOfWorld& moved = kAxes.at(axis);
  const auto target = static_cast<std::int32_t>(std::lround(position / moved.step));
  const double distance = std::fabs(position - this->position(axis));
  const auto travel_ns = static_cast<std::int64_t>(distance / speed_ * 1e9);
  if (!services_.wait_until(services_.now_ns() + travel_ns)) {
    throw kit::Failure(CREEL_E_CANCELLED,
                       std::string("axis ") + moved.name + ": movement cancelled");
  }
  if (!log_->append({SharedLog::whole_microsecond(services_.now_ns()), moved.channel, target})) {
    throw kit::Failure(CREEL_E_REFUSED,
                       "the log of the simulated world is full: start the daemon again with more "
                       "shared_bytes in the rig");
  }
}

double Stage::position(std::uint32_t axis) {
  return log_->last(kAxes.at(axis).channel, kAxes.at(axis).at_first) * kAxes.at(axis).step;
}

}  // namespace creel::simulated
