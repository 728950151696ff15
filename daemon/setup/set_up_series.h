// A set-up is a series that is made up from another one: the same devices, beam and area, short
// exposures one after another with darks in between, and no guards but dose and time.
#pragma once

#include <optional>
#include <string>

#include "protocol/base/result.h"
#include "protocol/base/units.h"
#include "protocol/series/rig.h"
#include "protocol/series/series.h"

namespace creel {

/// What a person asks for.
struct SetUpOrder {
  std::string area;                       ///< name of an area of the series: it gets the dose
  Duration exposure = milliseconds(100);  ///< of each frame, 1 ms to 10 s
  Duration limit = seconds(600);          ///< closes by itself after this, world time; 10 s to 2 h
  std::optional<Dose> dose;  ///< most that it may give; nothing = the series' own limit
};

/// The series of a set-up. Its exposures are zero-loss references through the specimen: that is
/// what a person looks at to align. With detector gating the shutter is open for about a second
/// and the detector takes frame after frame meanwhile, so that the ledger gets two entries a second
/// and not twenty; with shutter gating each frame is an opening of its own.
/// invalid_request: the series has no such area (the text says which it has), or a number is out of
/// range.
Result<Series> set_up_series(const Series& from, const SetUpOrder& order);

/// The most that one opening of this set-up can give, up to the end of the shutter's lease.
Dose bound_of_opening(const Series& set_up, const Rig& rig);

}  // namespace creel
