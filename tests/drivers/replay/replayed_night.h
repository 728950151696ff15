// A session replayed by real processes: what 'creel replay' wrote, run by an unchanged creeld.
#pragma once

#include <filesystem>
#include <functional>
#include <nlohmann/json.hpp>
#include <string>

#include "tests/system/daemon_process.h"

namespace creel::replay_test {

/// The name by which DaemonProcess finds a rig that is not in sim/scenarios.
std::string rig_name(const std::filesystem::path& rig_file);

/// Starts a series and answers every hold with "continue"; returns how it ended: status "last".
/// Null when it does not end within `limit`.
nlohmann::json run_series(system_test::DaemonProcess& daemon, const std::string& text,
                          Duration limit);

/// Replays the session at `path` with its state below `directory`; returns the new session's path.
/// "" when 'creel replay' refuses or the series does not end; the test then has failed.
std::string replay_session(const std::filesystem::path& directory, const std::string& path,
                           bool fast, double speed = 1);

}  // namespace creel::replay_test
