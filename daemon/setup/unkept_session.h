// The session of a set-up: looks at every frame and keeps none. What the engine and the conductor
// do is the same as for a series; only here it ends differently.
#pragma once

#include <functional>
#include <memory>
#include <vector>

#include "daemon/setup/live_frames.h"
#include "daemon/store/session.h"

namespace creel {

/// @param name  of the set-up, as its charges in the ledger have it
/// @param path  for people: where its summary is kept
/// @param seen  told on the store's thread what the frames of each batch showed, and why nothing
///              more can be seen ("" = all is well).
std::unique_ptr<store::Session> make_unkept_session(
    std::string name, std::string path, const LiveFrames::Setup& setup,
    std::function<void(std::vector<LiveFrame>, std::string trouble)> seen);

}  // namespace creel
