#include "drivers/simulated/detector.h"
#include "drivers/simulated/gauge.h"
#include "drivers/simulated/shutter.h"
#include "drivers/simulated/stage.h"

CREEL_PLUGIN("simulated", "0.1.0", creel::kit::offer<creel::simulated::Detector>(),
             creel::kit::offer<creel::simulated::Shutter>(),
             creel::kit::offer<creel::simulated::Stage>(),
             creel::kit::offer<creel::simulated::Gauge>())
