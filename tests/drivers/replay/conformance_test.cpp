// Every promise of the driver ABI, over replayed devices. The session is recorded anew by each test
// program: a short night on the fake rig.
#include "drivers/kit/conformance.h"

#include "tests/drivers/replay/recorded_night.h"
#include "tests/system/daemon_process.h"

namespace creel::kit::conformance {
namespace {

/// One recorded night for all tests of this program; gone when it ends.
const std::string& recorded_session() {
  static const system_test::ScratchDirectory scratch;
  static const std::string path =
      replay_test::record_night(scratch.path().string(), 3, {}, false).path;
  return path;
}

// The configs name the session before it exists: it is recorded when the first test opens it.
Subject subject(std::uint32_t kind, const std::string& device, bool free) {
  Subject made{
      "replay", kind,
      nlohmann::json{{"session", recorded_session()}, {"device", device}, {"free", free}}.dump()};
  return made;
}

std::vector<Subject> everything() {
  return {subject(CREEL_KIND_DETECTOR, "camera", false),
          subject(CREEL_KIND_DETECTOR, "camera", true),
          subject(CREEL_KIND_SHUTTER, "beam_shutter", false),
          subject(CREEL_KIND_SHUTTER, "cathode_shutter", false),
          subject(CREEL_KIND_GAUGE, "laser_power", false)};
}

INSTANTIATE_TEST_SUITE_P(Replay, AnyDevice, testing::ValuesIn(everything()));
// Any exposure, any number of frames: what a recording cannot give unless it is free.
INSTANTIATE_TEST_SUITE_P(Replay, DetectorDevice,
                         testing::Values(subject(CREEL_KIND_DETECTOR, "camera", true)));
INSTANTIATE_TEST_SUITE_P(Replay, ShutterDevice,
                         testing::Values(subject(CREEL_KIND_SHUTTER, "beam_shutter", false),
                                         subject(CREEL_KIND_SHUTTER, "cathode_shutter", false),
                                         subject(CREEL_KIND_SHUTTER, "beam_shutter", true)));

}  // namespace
}  // namespace creel::kit::conformance
