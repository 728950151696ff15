// The sessions that an earlier daemon left unfinished.
#pragma once

#include <cstddef>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/guards/guard.h"
#include "daemon/seams/disk.h"
#include "daemon/store/session.h"
#include "protocol/base/result.h"
#include "protocol/session/reader.h"

namespace creel {

/// How a series ended, as its event "ended" says.
struct Ending {
  std::string outcome, reason;
};
/// Nothing while it has not ended. Once it has, it is not gone on with, whoever takes up the
/// session.
std::optional<Ending> ending_of(session::Reader& session);
/// What one event says of it; later ones count.
void look_for_ending(const nlohmann::json& event, std::optional<Ending>& ending);

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
  std::vector<GuardPast> past;  ///< from its events, in their order
  double axis_offset_ev = 0;    ///< by which a guard had moved the energy axis
  void take(const nlohmann::json& event);
};
/// Nothing of what cannot be read. On the store's thread.
Earlier look_back(Disk& disk, const std::string& directory, const std::string& name);
/// Every frame of a session, in order, with its record. The first error ends it. On the store's
/// thread.
Result<void> each_frame_of(
    Disk& disk, const std::string& directory, const std::string& name,
    const std::function<void(const session::Record&, std::span<const std::byte>)>& take);

}  // namespace creel
