// What the fields of a series mean together, once each is right by itself. Internal to
// protocol/series.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "protocol/series/faults.h"
#include "protocol/series/series.h"

namespace creel::documents {

/// Adds an error for each contradiction and a warning for what is legal but unwise.
void check_series(const Series& series, Faults& faults);

/// The dose that the plan of a series gives to one area, as far as it can be known beforehand: beam
/// on for exactly the exposures. An unknown residual beam is counted at the full dose rate.
struct PlannedDose {
  struct Share {
    std::size_t block = 0;
    std::uint64_t exposures = 0;  ///< of the block and its interleaves, those that give dose
    Dose dose;
  };
  Dose total;
  std::vector<Share> shares;  ///< one for each block that gives dose to the area, in order
};
PlannedDose planned_dose(const Series& series, const Area& area);

/// "the plan gives 52 e/A^2; 40 are reached in block "film", after about 180 of its 300 exposures".
std::string where_reached(const Series& series, const PlannedDose& planned, Dose limit);

}  // namespace creel::documents
