// The folder of calibration records beside the sessions: one file each, never overwritten. A newer
// record of a kind supersedes the older ones, which stay.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/series/calibration.h"

namespace creel::calibrate {

/// STATE/calibrations for STATE/sessions; other folders beside it alike ("standards").
std::string beside_sessions(const std::string& sessions_directory, const std::string& folder);
/// The same from the path of a session, STATE/sessions/NAME.h5.
std::string beside_session(const std::string& session_path, const std::string& folder);

struct Shelf {
  std::string directory;
  std::vector<Calibration> records;     ///< newest first
  std::vector<std::string> unreadable;  ///< one sentence each
  /// The newest record of a kind on a rig; nullptr when there is none.
  [[nodiscard]] const Calibration* newest(std::string_view kind, std::string_view rig) const;
};
/// A folder that does not exist is an empty shelf.
Shelf read_shelf(const std::string& directory);

/// Writes the record as KIND-TIME.json, whole or not at all; returns its path. Never replaces a
/// file.
Result<std::string> keep(const std::string& directory, const Calibration& record);
/// Writes `text` under the first free of NAME.json, NAME-2.json, ... in the folder.
Result<std::string> write_new(const std::string& directory, const std::string& name,
                              const std::string& text);

}  // namespace creel::calibrate
