// Sealing: a full piece becomes a packed one under the same name (protocol/session/layout.h).
#pragma once

#include <cstdint>
#include <functional>
#include <string>

#include "daemon/seams/disk.h"
#include "protocol/base/result.h"
#include "protocol/session/codec.h"
#include "protocol/session/reader.h"

namespace creel::store {

/// What is the same for all pieces of a session.
struct SealPlan {
  std::string folder;
  session::PieceLayout layout;
  session::FrameShape shape;
  session::Codec codec = session::Codec::deflate;  ///< not none
};

/// Packs piece `number` into piece-K.h5.part, syncs it, reads every chunk of it back and compares
/// each frame with its checksum, and renames it over piece-K.h5; durable on return. Nobody may
/// write to the piece any more; whoever has it open keeps what it was. Memory: the packed piece.
///
/// A piece that is sealed already is left alone. On failure piece-K.h5 is as it was (or, if only
/// the last sync failed, sealed) and no .part is left on a disk that works: `corrupt` when a place
/// holds no intact frame or the packed piece did not come back, `cancelled` when `stopped` (may be
/// empty) said so, else what the disk said. Any thread.
Result<void> seal_piece(Disk& disk, const SealPlan& plan, std::uint64_t number,
                        const std::function<bool()>& stopped = {});

/// Removes what a kill left of sealing in a session's folder. Only while nothing is being sealed.
Result<void> clear_drafts(Disk& disk, const std::string& folder);

}  // namespace creel::store
