// The sessions that an earlier daemon left unfinished.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "daemon/seams/disk.h"
#include "daemon/store/session.h"
#include "protocol/base/result.h"
#include "protocol/series/measures.h"
#include "protocol/session/reader.h"

namespace creel {

/// How a series ended, as its event "ended" says.
struct Ending {
  std::string outcome, reason;
};
/// Nothing while it has not ended. Once it has, it is not gone on with, whoever takes up the
/// session.
std::optional<Ending> ending_of(const session::EventLog& log);

struct UnfinishedSession {
  std::string name;
  store::SessionStart start;
  std::optional<Ending> ended;  ///< its series was over: it only has to be closed
};

/// One that stays as it is, with what a person can do about it.
struct LeftSession {
  std::string name, path, text;
};
/// `why` as a clause: "another one was taken up".
LeftSession left_as_it_is(const std::string& directory, const std::string& name,
                          const std::string& why);

struct Unfinished {
  std::optional<UnfinishedSession> latest;  ///< the one that began last of those that can be read
  std::vector<LeftSession> others;
};
/// Looks at all unfinished sessions in `directory`. On the store's thread.
Result<Unfinished> find_unfinished(Disk& disk, const std::string& directory);

/// What guards that watch frames must know of the part of a session that was taken before.
struct Earlier {
  std::vector<FrameMeasures> measures;  ///< from its events, in their order
  double axis_offset_ev = 0;            ///< by which a guard had moved the energy axis
  struct Dark {
    session::Record record;
    std::vector<std::byte> frame;
  };
  /// The newest of each exposure time, at most kMostDarks: without them nothing could be measured
  /// on a series that takes its darks first.
  std::vector<Dark> darks;
};
constexpr std::size_t kMostDarks = 16;
Earlier earlier_in(const session::EventLog& log);
/// Nothing of what cannot be read. On the store's thread.
Earlier look_back(Disk& disk, const std::string& directory, const std::string& name);

}  // namespace creel
