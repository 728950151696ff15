// The documents of the simulated nights: a very short series on a rig with everything that can
// fail.
#pragma once

#include "protocol/series/rig.h"
#include "protocol/series/series.h"
#include "tests/nights/night.h"

namespace creel::nights {

Rig rig_document();
Series series_for(const NightPlan& plan);

}  // namespace creel::nights
