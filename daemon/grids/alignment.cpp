#include "daemon/grids/alignment.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

namespace creel {

namespace {

using Complex = std::complex<double>;
constexpr double kLeastOffLine = 0.01;

Complex complex_of(MapPoint point) {
  return {point.x_um, point.y_um};
}
MapPoint point_of(Complex value) {
  return {value.real(), value.imag()};
}
Complex mirrored(Complex value, bool flipped) {
  return flipped ? -std::conj(value) : value;
}
Complex turn(const Alignment& by) {
  return std::polar(1.0, by.rotation_deg * std::numbers::pi / 180);
}

struct Fit {
  Alignment alignment;
  double squares = 0;
};

/// With a = exp(i rotation): sum |a (z - mean z) - (w - mean w)|^2 is least where a points along
/// sum conj(z - mean z) (w - mean w).
Fit fit(const std::vector<MapPair>& pairs, bool flipped) {
  const auto n = static_cast<double>(pairs.size());
  Complex mean_z;
  Complex mean_w;
  for (const MapPair& pair : pairs) {
    mean_z += mirrored(complex_of(pair.grid), flipped) / n;
    mean_w += complex_of(pair.stage) / n;
  }
  Complex sum;
  double spread = 0;
  for (const MapPair& pair : pairs) {
    const Complex z = mirrored(complex_of(pair.grid), flipped) - mean_z;
    sum += std::conj(z) * (complex_of(pair.stage) - mean_w);
    spread += std::norm(z);
  }
  Fit made;
  made.alignment.flipped = flipped;
  made.alignment.rotation_deg = std::arg(sum) * 180 / std::numbers::pi;
  made.alignment.shift = point_of(mean_w - turn(made.alignment) * mean_z);
  made.alignment.scale = spread > 0 ? std::abs(sum) / spread : 0;
  for (const MapPair& pair : pairs) {
    const double left = distance_um(made.alignment.to_stage(pair.grid), pair.stage);
    made.alignment.left_um.push_back(left);
    made.squares += left * left;
  }
  made.alignment.residual_um = std::sqrt(made.squares / (2 * n - 3));
  return made;
}

/// The largest distance of a point from the first one, on the grid.
double reach_of(const std::vector<MapPair>& pairs) {
  double reach = 0;
  for (const MapPair& pair : pairs) {
    reach = std::max(reach, distance_um(pair.grid, pairs.front().grid));
  }
  return reach;
}

Result<void> check(const std::vector<MapPair>& pairs) {
  if (pairs.size() < 2) {
    return Error{ErrorCode::invalid_request,
                 "got " + std::to_string(pairs.size()) +
                     " identified points; two are needed, and three to tell whether it is flipped"};
  }
  for (const MapPair& pair : pairs) {
    for (const double one : {pair.grid.x_um, pair.grid.y_um, pair.stage.x_um, pair.stage.y_um}) {
      if (!std::isfinite(one)) {
        return Error{ErrorCode::invalid_request,
                     "a coordinate of an identified point is no number"};
      }
    }
  }
  if (!(reach_of(pairs) > 0)) {
    return Error{ErrorCode::invalid_request,
                 "the identified points are all at one place of the grid; the further apart they "
                 "are the better"};
  }
  return {};
}

}  // namespace

double distance_um(MapPoint a, MapPoint b) {
  return std::hypot(a.x_um - b.x_um, a.y_um - b.y_um);
}

MapPoint Alignment::to_stage(MapPoint grid) const {
  return point_of(turn(*this) * mirrored(complex_of(grid), flipped) + complex_of(shift));
}

MapPoint Alignment::to_grid(MapPoint stage) const {
  const Complex back = std::conj(turn(*this)) * (complex_of(stage) - complex_of(shift));
  return point_of(mirrored(back, flipped));
}

Result<Alignment> align(const std::vector<MapPair>& pairs, std::optional<bool> flipped) {
  CREEL_TRY(check(pairs));
  if (flipped) {
    return fit(pairs, *flipped).alignment;
  }
  const Fit as_it_was = fit(pairs, false);
  const Fit other = fit(pairs, true);
  const bool other_is_better = other.squares < as_it_was.squares;
  const Fit& better = other_is_better ? other : as_it_was;
  const Fit& worse = other_is_better ? as_it_was : other;
  // Of points on a line both fit alike. Three times the residual, and one per cent of how far the
  // points are apart, is no accident of clicking.
  const double least = std::pow(kLeastOffLine * reach_of(pairs), 2);
  if (pairs.size() < 3 || worse.squares <= 9 * better.squares + least) {
    return Error{ErrorCode::refused,
                 "these points fit a flipped grid as well as one that is not; say which it is, or "
                 "identify a third point off the line of the others"};
  }
  return better.alignment;
}

}  // namespace creel
