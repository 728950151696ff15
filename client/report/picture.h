// The picture of a session: SVG and PNG.
#pragma once

#include <string>
#include <vector>

#include "client/report/sums.h"
#include "protocol/base/result.h"
#include "protocol/session/reader.h"

namespace creel::report {

struct Picture {
  std::string svg;  ///< path
  std::string png;  ///< path
  Sums sums;        ///< what it shows
};

/// Draws the session into BASE.svg and BASE.png. Each is moved into place whole, both only after
/// both are drawn; existing ones are replaced. The directory of `base` must exist.
Result<Picture> draw_picture(session::Reader& reader, const std::string& base,
                             const Progress& progress);

}  // namespace creel::report
