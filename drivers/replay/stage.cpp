#include "drivers/replay/stage.h"

#include <algorithm>
#include <cmath>

#include "protocol/base/text.h"

namespace creel::replay {

using nlohmann::json;

Stage::Stage(const json& config, kit::Services services)
    : services_(services), common_(config, services) {
  for (const json& axis : common_.script().described.value("axes", json::array())) {
    axes_.push_back({axis.value("name", "unknown"), axis.value("unit", ""), axis.value("min", 0.0),
                     axis.value("max", 0.0)});
  }
  for (const StageMove& move : common_.script().moves) {  // a stage that no one described
    const bool known = std::any_of(axes_.begin(), axes_.end(),
                                   [&](const kit::Axis& axis) { return axis.name == move.axis; });
    if (!known) {
      axes_.push_back({move.axis, "", -1e9, 1e9});
    }
  }
  for (const kit::Axis& axis : axes_) {
    positions_.push_back(std::clamp(0.0, axis.min, std::max(axis.min, axis.max)));
  }
  // A host that was restarted stands where the last movement went.
  const auto& moves = common_.script().moves;
  const std::uint64_t done =
      std::min<std::uint64_t>(common_.place().count_of(common_.device()), moves.size());
  for (std::uint64_t i = 0; i < done; ++i) {
    for (std::size_t axis = 0; axis < axes_.size(); ++axis) {
      if (axes_[axis].name == moves[i].axis) {
        positions_[axis] = moves[i].position;
      }
    }
  }
}

void Stage::move(std::uint32_t axis, double position) {
  if (common_.free()) {
    positions_.at(axis) = position;
    return;
  }
  common_.break_before_begin(Step::move);
  const auto& moves = common_.script().moves;
  auto& count = common_.place().count_of(common_.device());
  const StageMove* next = count < moves.size() ? &moves[count] : nullptr;
  const std::string& name = axes_.at(axis).name;
  if (next == nullptr || next->axis != name || next->asked != position) {
    if (positions_.at(axis) == position) {
      return;  // it stands there
    }
    throw kit::Failure(CREEL_E_INVALID,
                       "axis " + name + ": asked to go to " + number(position, 12) + ", recorded " +
                           (next == nullptr ? "no further movement"
                                            : next->axis + " to " + number(next->asked, 12)) +
                           ": this is not the series that was recorded");
  }
  if (common_.place().timed() && !common_.wait_until_due(next->world_ns)) {
    throw kit::Failure(CREEL_E_CANCELLED, "axis " + name + ": movement cancelled");
  }
  positions_.at(axis) = next->position;
  ++count;
}

}  // namespace creel::replay
