// One whole night on a fake clock, disk and rig: the production engine, conductor, supervisor,
// ledger and store run unchanged, are killed where the plan says, start again, and everything that
// must hold is checked.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "tests/fakes/rig.h"

namespace creel::nights {

/// What can be broken on purpose, to prove that the checks see it.
enum class Sabotage : std::uint8_t {
  none,
  intents_not_written,  ///< the ledger says yes to an intent and forgets it
  charges_halved,       ///< the ledger books half of what was given
};

/// The disk fails for a while.
struct DiskTrouble {
  enum class What : std::uint8_t { writes, syncs, full, stall };
  What what = What::writes;
  std::uint64_t at_step = 0;  ///< of the timeline, over the whole night
  std::uint64_t times = 1;    ///< so many operations fail; seconds of a full disk or a stall
};

struct NightPlan {
  std::uint64_t seed = 1;
  /// The daemon dies at these counts of timeline steps (each counted from the last start).
  std::vector<std::uint64_t> kills;
  bool power_cuts = false;  ///< the kills are power cuts: unsynced bytes are lost as the seed says
  fakes::FaultRates faults;
  std::vector<DiskTrouble> disk;  ///< in the order of their steps
  bool shutter_gating = false;
  std::uint32_t stream_frames = 1;  ///< of each specimen exposure, whose length stays; more than
                                    ///< one only with detector gating
  Sabotage sabotage = Sabotage::none;
};

struct NightReport {
  std::string failure;      ///< what did not hold; "" = everything held
  std::string ending;       ///< outcome of the session, or the state it was left in
  std::uint64_t steps = 0;  ///< of the timeline, over all lives of the daemon
  std::uint64_t first_life_steps = 0;
  std::uint64_t kills = 0;
  std::uint64_t faults = 0;
  std::uint64_t disk_troubles = 0;
  std::uint64_t frames = 0;  ///< readable at the end
  std::uint64_t acknowledged = 0;
  std::uint64_t holds = 0;
  double true_dose = 0;  ///< what the beam really gave, e/A^2
  double ledger_dose = 0;
};

/// Runs one night to its end. The same plan gives the same night, to the last byte.
NightReport run_night(const NightPlan& plan);

/// The plan that a seed stands for: kills, power cuts and faults drawn from it.
NightPlan plan_for_seed(std::uint64_t seed);

/// "seed 17: 2 power cuts at steps 130, 44; crash 0.01 ..." for messages.
std::string describe(const NightPlan& plan);

}  // namespace creel::nights
