// What an exposure gives the areas beside its own: the tail of the beam, charged to them in the
// ledger. Nothing but the ledger says what was charged already, so charging again after a crash, or
// after an area or a profile was added, charges only what is missing.
#pragma once

#include <cstdint>
#include <map>
#include <set>
#include <string>
#include <tuple>
#include <vector>

#include "daemon/grids/grid_map.h"
#include "daemon/ledger/ledger.h"
#include "protocol/base/result.h"
#include "protocol/base/units.h"

namespace creel {

/// One area beside another.
struct Neighbour {
  const MapArea* area = nullptr;
  double distance_um = 0;  ///< of the centres
  double part = 0;         ///< of the dose; see part_of_dose()
};
/// Those that get at least a millionth, the nearest first.
std::vector<Neighbour> neighbours_of(const GridMap& map, const MapArea& lit,
                                     const BeamProfile& profile);

/// What was charged to an area for its neighbour.
struct TailCharge {
  std::string area;
  Dose dose, sigma;
  std::string reason;
};

/// Control thread. Entries by hand give no tail: how they were lit is not known.
class Neighbours {
 public:
  /// Cause of such charges: this and the key of the area that was lit. Their session is
  /// "tail of SESSION", so that they do not count as the dose of that series itself.
  static constexpr const char* kCause = "neighbour of ";

  /// Both must outlive it.
  Neighbours(Ledger& ledger, const GridMap& map) : ledger_(ledger), map_(map) {}

  /// Charges what is due for all that the ledger has. Errors of the ledger; what was charged before
  /// is in the ledger, the rest is charged by the next call.
  Result<void> settle(std::vector<TailCharge>& charged);

 private:
  struct Given {
    double dose = 0, sigma = 0;
  };
  using Exposed = std::tuple<std::string, std::string, std::size_t>;  ///< session, area, profile
  Result<void> read_new();
  void take(const nlohmann::json& entry);
  [[nodiscard]] std::size_t profile_at(const std::string& utc) const;
  Result<void> settle(const std::string& session, const MapArea& lit,
                      std::vector<TailCharge>& charged);

  Ledger& ledger_;
  const GridMap& map_;
  std::int64_t read_to_ = 0;  ///< id of the last entry that was taken
  std::uint64_t revision_ = 0;
  std::map<Exposed, Given> given_;
  std::map<std::tuple<std::string, std::string, std::string>, double>
      charged_;                                        ///< by session, area lit, neighbour
  std::set<std::pair<std::string, std::string>> due_;  ///< session and area with something new
};

}  // namespace creel
