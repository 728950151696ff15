// Folds a session's folder into one file.
#pragma once

#include <cstdint>
#include <functional>
#include <nlohmann/json.hpp>
#include <span>
#include <string>

#include "daemon/seams/disk.h"
#include "daemon/seams/scheduler.h"
#include "daemon/store/session.h"
#include "protocol/session/reader.h"

namespace creel::store {

/// Writes DIRECTORY/NAME.h5 from DIRECTORY/NAME as Session::fold() describes, all but the removal
/// of the folder. `corrupt` when anything in the folder is missing or damaged: then the folder is
/// the only witness and stays. Chunks of sealed pieces are copied as they are where they lie in
/// order; all others are packed, on `workers` and the calling thread, and so is the check of the
/// new file. `progress` is called on the calling thread.
Result<std::string> fold_folder(Disk& disk, const std::string& directory, const std::string& name,
                                const nlohmann::json& summary,
                                const std::function<void(std::uint64_t, std::uint64_t)>& progress,
                                std::span<Worker* const> workers = {});

/// Removes the folder of a session whose NAME.h5 is there. The file's name is made durable first.
/// Only files of a session are removed: with anything else in it the folder stays.
Result<void> remove_folder(Disk& disk, const std::string& directory, const std::string& name);
/// Whether a file in a session's folder is one of the store's own.
bool belongs_to_session(const std::string& file_name);

/// The documents of a session as create_session() was given them.
SessionStart start_from(const session::Documents& documents, const std::string& directory);

}  // namespace creel::store
