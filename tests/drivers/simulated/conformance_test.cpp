// Every promise of the driver ABI, over the simulated devices and the blank detector.
#include "drivers/kit/conformance.h"

namespace creel::kit::conformance {
namespace {

const Subject kImages = {"simulated", CREEL_KIND_DETECTOR,
                         R"({"name": "camera", "rows": 16, "columns": 256, "dispersion_ev": 1})"};
const Subject kSpectra = {"simulated", CREEL_KIND_DETECTOR,
                          R"({"name": "camera", "rows": 1, "columns": 512, "dispersion_ev": 2})"};
const Subject kEvents = {
    "simulated", CREEL_KIND_DETECTOR,
    R"({"name": "camera", "rows": 4, "columns": 256, "dispersion_ev": 1, "counting": true,
        "delivers": "events", "most_events": 3000, "world": {"electrons_per_pulse": 2}})"};
const Subject kBeam = {"simulated", CREEL_KIND_SHUTTER, R"({"name": "beam_shutter"})"};
const Subject kCathode = {"simulated", CREEL_KIND_SHUTTER,
                          R"({"shutter": "cathode", "travel_ms": 20, "measures": false})"};
const Subject kStage = {"simulated", CREEL_KIND_STAGE, "{}"};
const Subject kGauge = {"simulated", CREEL_KIND_GAUGE, "{}"};
const Subject kBlank = {"blank", CREEL_KIND_DETECTOR, R"({"rows": 8, "columns": 32})"};
const Subject kBlankSpectra = {
    "blank", CREEL_KIND_DETECTOR,
    R"({"rows": 1, "columns": 64, "pixel": "u32", "frames_per_block": 3})"};

INSTANTIATE_TEST_SUITE_P(Simulated, AnyDevice,
                         testing::Values(kImages, kEvents, kBeam, kCathode, kStage, kGauge));
INSTANTIATE_TEST_SUITE_P(Simulated, DetectorDevice, testing::Values(kImages, kSpectra, kEvents));
INSTANTIATE_TEST_SUITE_P(Simulated, ShutterDevice, testing::Values(kBeam, kCathode));
INSTANTIATE_TEST_SUITE_P(Simulated, StageDevice, testing::Values(kStage));
INSTANTIATE_TEST_SUITE_P(Simulated, GaugeDevice, testing::Values(kGauge));
INSTANTIATE_TEST_SUITE_P(Blank, AnyDevice, testing::Values(kBlank));
INSTANTIATE_TEST_SUITE_P(Blank, DetectorDevice, testing::Values(kBlank, kBlankSpectra));

}  // namespace
}  // namespace creel::kit::conformance
