// Any bytes given as a series or as a rig document are either accepted or refused in sentences;
// nothing else may happen. What is accepted must hold together: its plan can be walked and checked
// against a rig.

#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string_view>
#include <utility>

#include "protocol/series/rig.h"
#include "protocol/series/series.h"

namespace {

void require(bool condition) {
  if (!condition) std::abort();
}

void walk_plan(const creel::Series& series) {
  const creel::Plan plan(series);
  const std::uint64_t step = plan.size() / 1000 + 1;
  for (std::uint64_t i = 0; i < plan.size(); i += step) {
    const creel::PlannedExposure planned = plan.at(i);
    require(planned.index == i && planned.block < series.blocks.size());
    require(planned.gives_dose() == (series.find_area(planned.area) != nullptr));
  }
}

creel::Rig rig_for(const creel::Series& series) {
  creel::Rig rig;
  rig.name = "fuzz";
  for (const auto& [name, kind] : {std::pair{series.detector, creel::DeviceKind::detector},
                                   {series.shutter, creel::DeviceKind::shutter}}) {
    creel::RigDevice device;
    device.name = name;
    device.kind = kind;
    rig.devices.push_back(device);
  }
  return rig;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  const auto series = creel::parse_series(text, "fuzz");
  if (series.ok()) {
    walk_plan(*series);
    const auto checked = creel::check_against_rig(*series, rig_for(*series));
    require(checked.ok() || !checked.error().text.empty());
  } else {
    require(!series.error().text.empty() &&
            series.error().code == creel::ErrorCode::invalid_request);
  }
  const auto rig = creel::parse_rig(text, "fuzz");
  require(rig.ok() ||
          (!rig.error().text.empty() && rig.error().code == creel::ErrorCode::invalid_request));
  return 0;
}
