// The size of the beam from a knife edge: an edge of the specimen (film against vacuum) is moved
// through the beam, and the zero loss grows as the beam's part beside the edge.
//
//   counts(x) = A + B F((x - x0)/w)    Gaussian: F(u) = (1 + erf(u / sqrt 2))/2, w its sigma
//                                      flat disc: F(u) = 1/2 + (u sqrt(1 - u^2) + asin u)/pi, w r
//
// Knife-edge scans: J. A. Arnaud et al., Appl. Opt. 10, 2775 (1971), from memory. The edge must be
// straight and sharp over the beam.
#pragma once

#include <vector>

#include "daemon/calibration/beam.h"
#include "daemon/calibration/frames.h"
#include "protocol/base/result.h"

namespace creel::calibration {

struct EdgePoint {
  double position_um = 0;
  double counts = 0, sigma = 0;
};
struct KnifeEdge {
  LitArea area;
  Measured edge_um;
  double chi2_gaussian = 0, chi2_flat = 0;
  std::size_t freedom = 0;
  bool told_apart = false;  ///< the two shapes' chi2 differ by more than 9
  std::vector<std::uint64_t> sequence;
};
/// Both shapes are tried, the better one is kept. refused: fewer than eight positions, no step, or
/// a step narrower than the positions lie apart.
Result<KnifeEdge> knife_edge(const std::vector<EdgePoint>& points);
/// The zero loss of each frame of kind zero_loss of a block that varies a position.
std::vector<EdgePoint> edge_points(const Frames& frames, double noise,
                                   std::vector<std::uint64_t>& sequence);

}  // namespace creel::calibration
