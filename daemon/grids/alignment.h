// Where a grid lies in the stage after it was loaded again, turned or flipped. Pure numerics.
#pragma once

#include <optional>
#include <vector>

#include "protocol/base/result.h"

namespace creel {

/// Micrometres.
struct MapPoint {
  double x_um = 0, y_um = 0;
};
double distance_um(MapPoint a, MapPoint b);

/// The same thing on the map of its grid and on the stage.
struct MapPair {
  MapPoint grid, stage;
};

/// stage = R(rotation) M grid + shift, where M is (x, y) -> (-x, y) when flipped, else nothing.
struct Alignment {
  double rotation_deg = 0;  ///< anticlockwise, (-180, 180]
  bool flipped = false;
  MapPoint shift;
  double residual_um = 0;  ///< sqrt(sum of squared distances left / (2 n - 3)), n pairs
  double scale = 1;        ///< distances on the stage over those on the map; not applied: both are
                           ///< micrometres, so far from 1 means a mistaken point or unit
  std::vector<double> left_um;  ///< distance left at each pair, in their order
  [[nodiscard]] MapPoint to_stage(MapPoint grid) const;
  [[nodiscard]] MapPoint to_grid(MapPoint stage) const;
};

/// Least squares over rotation, mirror and translation. `flipped` nothing = find out, which takes
/// three pairs that are not on a line.
/// Source: S. Umeyama, IEEE Trans. Pattern Anal. Mach. Intell. 13, 376 (1991), eq. 39-42, in two
/// dimensions and without scale; there it is one complex number.
/// invalid_request: fewer than two pairs, a number that is none, all at one place. refused: whether
/// it is flipped cannot be told.
Result<Alignment> align(const std::vector<MapPair>& pairs, std::optional<bool> flipped);

}  // namespace creel
