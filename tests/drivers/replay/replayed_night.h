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

/// The simulated laboratory (sim/scenarios/ink-lab.rig.json) with lasers that drop out often, and a
/// small detector.
nlohmann::json troubled_lab();
/// The film series of the scenarios, short: stage, settings that change between frames, guards that
/// wait for the laser, darks, zero-loss references and residual beam.
nlohmann::json short_film();
/// Records a series on a rig with real processes; its session's path, or "" when it did not
/// complete: the test then has failed.
std::string record_in_lab(const std::filesystem::path& directory, const nlohmann::json& rig,
                          const nlohmann::json& series);

/// Replays the session at `path` with its state below `directory`; returns the new session's path.
/// "" when 'creel replay' refuses or the series does not end; the test then has failed.
std::string replay_session(const std::filesystem::path& directory, const std::string& path,
                           bool fast, double speed = 1);

}  // namespace creel::replay_test
