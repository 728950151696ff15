// The guards that a series asks for.
#pragma once

#include <memory>
#include <vector>

#include "daemon/guards/guard.h"

namespace creel {

/// In the order in which they are asked: what ends a series first, then what holds it, then what
/// makes it wait.
std::vector<std::unique_ptr<Guard>> guards_for(const Series& series);

}  // namespace creel
