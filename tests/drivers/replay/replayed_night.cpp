#include "tests/drivers/replay/replayed_night.h"

#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <sstream>

#include "client/cli/replay.h"

namespace creel::replay_test {

namespace fs = std::filesystem;
using nlohmann::json;
using system_test::DaemonProcess;

namespace {
constexpr int kMostHolds = 12;  ///< after so many it is going in circles
}

std::string rig_name(const fs::path& rig_file) {
  const char* source = std::getenv("CREEL_SOURCE");
  CREEL_INVARIANT(source != nullptr, "run this test through ctest: it sets CREEL_SOURCE");
  return fs::relative(fs::canonical(rig_file), fs::canonical(fs::path(source) / "sim/scenarios"))
      .string();
}

json run_series(DaemonProcess& daemon, const std::string& text, Duration limit) {
  const std::int64_t until = system_test::monotonic_ns() + limit.value;
  json started;
  while (!started.contains("session")) {  // a device may still be starting
    started = daemon.call("series.start", {{"text", text}, {"origin", "replay"}});
    if (system_test::monotonic_ns() > until) {
      ADD_FAILURE() << started.dump(2);
      return nullptr;
    }
    system_test::pause_for(milliseconds(20));
  }
  int holds = 0;
  while (true) {
    const json status = daemon.call("daemon.status")["series"];
    if (!status.value("running", true)) {
      return status["last"];
    }
    if (status.value("holding", false)) {
      daemon.call("series.continue");
      ++holds;
    }
    if (holds > kMostHolds || system_test::monotonic_ns() > until) {
      std::ifstream log(status.value("path", "") + "/events.log");
      std::stringstream events;
      events << log.rdbuf();
      ADD_FAILURE() << "the series did not end: " << status.dump(2) << "\n" << events.str();
      return nullptr;
    }
    system_test::pause_for(milliseconds(3));
  }
}

json troubled_lab() {
  json rig = json::parse(system_test::read_scenario("ink-lab.rig.json"));
  json& world = rig["common"]["simulated"]["world"];
  world["dropouts_per_hour"] = 60;
  world["dropout_s"] = 20;
  for (json& device : rig["devices"]) {
    if (device["kind"] == "detector") {
      device["config"]["rows"] = 8;
    }
  }
  return rig;
}

json short_film() {
  json series = json::parse(system_test::read_scenario("ink-film.series.json"));
  for (json& block : series["blocks"]) {
    block["count"] = block["kind"] == "specimen" ? 24 : 2;
    if (block["exposure_s"] == 10) {
      block["exposure_s"] = 4;
    }
    if (block.contains("interleave")) {
      for (json& reference : block["interleave"]) {
        reference["every"] = 6;
      }
    }
  }
  return series;
}

std::string record_in_lab(const fs::path& directory, const json& rig, const json& series) {
  const std::string rig_file = (directory / "lab.rig.json").string();
  std::ofstream(rig_file) << rig.dump(2);
  DaemonProcess daemon(directory, rig_name(rig_file));
  const json last = run_series(daemon, series.dump(2), seconds(100));
  if (!last.is_object() || last.value("outcome", "") != "complete") {
    ADD_FAILURE() << "not recorded: " << last.dump(2);
    return "";
  }
  return last.value("path", "");
}

std::string replay_session(const fs::path& directory, const std::string& path, bool fast,
                           double speed) {
  const cli::Answer answer = cli::replay({}, {path, (directory / "replay").string(), speed, fast});
  EXPECT_EQ(answer.exit, cli::Exit::done) << answer.trouble;
  if (answer.exit != cli::Exit::done) {
    return "";
  }
  std::ifstream file(answer.object["series"].get<std::string>(), std::ios::binary);
  std::stringstream text;
  text << file.rdbuf();
  DaemonProcess daemon(directory, rig_name(answer.object["rig"].get<std::string>()));
  const json last = run_series(daemon, text.str(), seconds(100));
  return last.is_object() ? last.value("path", "") : "";
}

}  // namespace creel::replay_test
