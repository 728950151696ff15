#include "protocol/series/series.h"

#include <algorithm>
#include <array>

namespace creel {
namespace {

constexpr std::array<std::string_view, 5> kKinds{"specimen", "dark", "gain", "zero_loss",
                                                 "background"};

}  // namespace

std::string_view exposure_kind_name(ExposureKind kind) {
  return kKinds.at(static_cast<std::size_t>(kind));
}

const Area* Series::find_area(std::string_view area_name) const {
  const auto at = std::find_if(areas.begin(), areas.end(),
                               [&](const Area& area) { return area.name == area_name; });
  return at == areas.end() ? nullptr : &*at;
}

}  // namespace creel
