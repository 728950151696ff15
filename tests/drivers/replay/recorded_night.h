// A night with faults, recorded by the production conductor on the fake rig (tests/fakes) and laid
// down on the real disk, so that real processes can replay it.
#pragma once

#include <cstdint>
#include <string>

#include "tests/fakes/rig.h"

namespace creel::replay_test {

struct RecordedNight {
  std::string path;  ///< of the session, a file
  std::string series_text;
  std::uint64_t faults = 0, holds = 0;
};

/// Runs one night to its end; a person continues after every hold. The same arguments give the same
/// night. Stops the process when the night cannot end.
RecordedNight record_night(const std::string& directory, std::uint64_t seed,
                           const fakes::FaultRates& faults, bool shutter_gating);

}  // namespace creel::replay_test
