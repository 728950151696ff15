// A guard is a rule that holds or ends a series. Pure: it sees numbers, not devices. Every decision
// that is not "go" is recorded with its numbers.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "protocol/base/units.h"
#include "protocol/series/series.h"

namespace creel {

struct Verdict {
  enum class What : std::uint8_t { go, hold, end };
  What what = What::go;
  std::string reason;  ///< one sentence for a person
  nlohmann::json numbers =
      nlohmann::json::object();  ///< what it was decided on, units in the names
};

/// What a guard may look at before an exposure.
struct BeforeExposure {
  PlannedExposure exposure;
  Dose bound;           ///< the most that the exposure can give
  Dose series_on_area;  ///< upper value of what this series has given the area so far
  Dose area_total;      ///< upper value of what the area has had over all sessions
  Dose area_limit;
};

class Guard {
 public:
  virtual ~Guard() = default;
  [[nodiscard]] virtual std::string_view name() const = 0;
  /// Asked before every exposure, with the shutter closed.
  virtual Verdict before(const BeforeExposure& view) = 0;
};

}  // namespace creel
