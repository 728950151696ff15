// Every promise of the driver ABI, over replayed devices. The session is recorded by this program,
// in the simulated laboratory, before its tests are known.
#include "drivers/kit/conformance.h"

#include "tests/drivers/replay/replayed_night.h"

namespace creel::kit::conformance {
namespace {

/// One recorded night for all tests of this program; gone when it ends.
const std::string& recorded_session() {
  static const system_test::ScratchDirectory scratch;
  static const std::string path = replay_test::record_in_lab(
      scratch.path(), replay_test::troubled_lab(), replay_test::short_film());
  CREEL_INVARIANT(!path.empty(), "no session to replay could be recorded");
  return path;
}

/// The same laboratory with a detector that tells its electrons one by one.
const std::string& recorded_events() {
  static const system_test::ScratchDirectory scratch;
  static const std::string path = [] {
    nlohmann::json rig = replay_test::troubled_lab();
    rig["common"]["simulated"]["world"]["electrons_per_pulse"] = 0.05;
    for (nlohmann::json& device : rig["devices"]) {
      if (device["kind"] == "detector") {
        device["config"].update(
            {{"counting", true}, {"delivers", "events"}, {"most_events", 8000}});
      }
    }
    return replay_test::record_in_lab(
        scratch.path(), rig,
        nlohmann::json::parse(system_test::read_scenario("ink-trial.series.json")));
  }();
  CREEL_INVARIANT(!path.empty(), "no session of events to replay could be recorded");
  return path;
}

Subject subject(std::uint32_t kind, const std::string& device, bool free) {
  const nlohmann::json config = {
      {"session", recorded_session()}, {"device", device}, {"free", free}};
  return {"replay", kind, config.dump()};
}

// Whatever can be asked of these was recorded.
std::vector<Subject> strict() {
  return {subject(CREEL_KIND_SHUTTER, "beam_shutter", false),
          subject(CREEL_KIND_SHUTTER, "cathode_shutter", false),
          subject(CREEL_KIND_GAUGE, "laser_power", false)};
}
// Any exposure, setting or movement: what a recording cannot give unless it is free.
std::vector<Subject> free_detector() {
  const nlohmann::json events = {
      {"session", recorded_events()}, {"device", "camera"}, {"free", true}};
  return {subject(CREEL_KIND_DETECTOR, "camera", true),
          {"replay", CREEL_KIND_DETECTOR, events.dump()}};
}
std::vector<Subject> free_stage() {
  return {subject(CREEL_KIND_STAGE, "stage", true)};
}
std::vector<Subject> shutters() {
  return {subject(CREEL_KIND_SHUTTER, "beam_shutter", false),
          subject(CREEL_KIND_SHUTTER, "beam_shutter", true),
          subject(CREEL_KIND_SHUTTER, "cathode_shutter", false)};
}
std::vector<Subject> gauges() {
  return {subject(CREEL_KIND_GAUGE, "laser_power", false), subject(CREEL_KIND_GAUGE, "room", true)};
}

INSTANTIATE_TEST_SUITE_P(Replay, AnyDevice, testing::ValuesIn(strict()));
INSTANTIATE_TEST_SUITE_P(FreeDetector, AnyDevice, testing::ValuesIn(free_detector()));
INSTANTIATE_TEST_SUITE_P(FreeStage, AnyDevice, testing::ValuesIn(free_stage()));
INSTANTIATE_TEST_SUITE_P(Replay, DetectorDevice, testing::ValuesIn(free_detector()));
INSTANTIATE_TEST_SUITE_P(Replay, ShutterDevice, testing::ValuesIn(shutters()));
INSTANTIATE_TEST_SUITE_P(Replay, StageDevice, testing::ValuesIn(free_stage()));
INSTANTIATE_TEST_SUITE_P(Replay, GaugeDevice, testing::ValuesIn(gauges()));

}  // namespace
}  // namespace creel::kit::conformance
