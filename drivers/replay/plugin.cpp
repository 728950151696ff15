#include "drivers/replay/detector.h"
#include "drivers/replay/gauge.h"
#include "drivers/replay/shutter.h"
#include "drivers/replay/stage.h"

CREEL_PLUGIN("replay", "0.1.0", creel::kit::offer<creel::replay::Detector>(),
             creel::kit::offer<creel::replay::Shutter>(), creel::kit::offer<creel::replay::Stage>(),
             creel::kit::offer<creel::replay::Gauge>())
