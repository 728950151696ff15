#include "daemon/analysis/white_lines.h"

#include <algorithm>
#include <cmath>
#include <string>

namespace creel::analysis {

namespace {

struct Metal {
  std::string_view element;
  double l3_ev, l2_ev;
};
constexpr std::array<Metal, 6> kMetals = {{{"Cr", 574.1, 583.8},
                                           {"Mn", 638.7, 649.9},
                                           {"Fe", 706.8, 719.9},
                                           {"Co", 778.1, 793.2},
                                           {"Ni", 852.7, 870.0},
                                           {"Cu", 932.7, 952.3}}};

/// Straight line through the channels of a window by least squares: value(E) = sum weight_c(E) S_c.
class LineThrough {
 public:
  LineThrough(const Grid& grid, const Window& window) : grid_(grid), in_(overlap(grid, window)) {
    for (std::size_t c = 0; c < grid.channels; ++c) {
      sum_ += in_[c];
      centre_ += in_[c] * grid.centre(c);
    }
    centre_ /= sum_;
    for (std::size_t c = 0; c < grid.channels; ++c) {
      const double x = grid.centre(c) - centre_;
      squares_ += in_[c] * x * x;
    }
  }
  /// Adds factor * value at `ev` to the weights.
  void add(double factor, double ev, std::vector<double>& weights) const {
    for (std::size_t c = 0; c < grid_.channels; ++c) {
      if (in_[c] > 0) {
        const double x = grid_.centre(c) - centre_;
        weights[c] += factor * in_[c] * (1.0 / sum_ + x * (ev - centre_) / squares_);
      }
    }
  }
  [[nodiscard]] double centre_ev() const { return centre_; }

 private:
  Grid grid_;
  std::vector<double> in_;
  double sum_ = 0, centre_ = 0, squares_ = 0;
};

/// Height of the steps at a channel, relative to the line: 0, step3_part or 1, averaged over the
/// channel.
double steps_at(const WhiteLineWindows& windows, const Grid& grid, std::size_t c) {
  const auto beyond = [&](double step_ev) {
    return std::clamp((grid.lower(c + 1) - step_ev) / grid.dispersion_ev, 0.0, 1.0);
  };
  return windows.step3_part * beyond(windows.step3_ev) +
         (1.0 - windows.step3_part) * beyond(windows.step2_ev);
}

std::vector<double> line_area(const WhiteLineWindows& windows, const Grid& grid,
                              const LineThrough& line, const Window& window) {
  std::vector<double> u = overlap(grid, window);
  const std::vector<double> part = u;
  // The line is linear in E, so the sum of its values over the channels needs two numbers only.
  double sum = 0;
  double moment = 0;
  for (std::size_t c = 0; c < grid.channels; ++c) {
    const double weight = part[c] > 0 ? part[c] * steps_at(windows, grid, c) : 0.0;
    sum += weight;
    moment += weight * grid.centre(c);
  }
  if (sum > 0) {
    line.add(-sum, moment / sum, u);
  }
  return u;
}

}  // namespace

Result<WhiteLineWindows> white_line_windows(std::string_view element) {
  const auto metal = std::find_if(kMetals.begin(), kMetals.end(),
                                  [&](const Metal& one) { return one.element == element; });
  if (metal == kMetals.end()) {
    return Error{ErrorCode::refused, "element " + std::string(element) +
                                         " has no white lines that are known here; one of Cr, Mn, "
                                         "Fe, Co, Ni, Cu"};
  }
  WhiteLineWindows windows;
  windows.step3_ev = metal->l3_ev + 1.85;
  windows.step2_ev = metal->l2_ev + 1.75;
  windows.split_ev = windows.step3_ev;
  const double e3 = windows.step3_ev;
  const double e2 = windows.step2_ev;
  windows.background = {e3 - 68.65, e3 - 8.65};
  const double meet = std::min(e3 + 6.35, std::max(e2 - 3.65, 0.5 * (e3 + e2)));
  windows.l3 = {e3 - 3.65, meet};
  windows.l2 = {std::max(e2 - 3.65, meet), e2 + 6.35};
  windows.after = {e3 + 50, e3 + 100};
  return windows;
}

Result<void> check_windows(const WhiteLineWindows& windows, const Grid& grid) {
  const bool ordered =
      windows.background.from_ev < windows.background.to_ev &&
      windows.background.to_ev <= windows.l3.from_ev && windows.l3.from_ev < windows.split_ev &&
      windows.split_ev < windows.l3.to_ev && windows.l3.to_ev <= windows.l2.from_ev &&
      windows.l2.from_ev < windows.l2.to_ev && windows.l2.to_ev <= windows.after.from_ev &&
      windows.after.from_ev < windows.after.to_ev;
  if (!ordered) {
    return Error{
        ErrorCode::invalid_request,
        "white-line windows must follow each other: background, L3 (with its split inside), "
        "L2, after"};
  }
  if (windows.background.from_ev < grid.first_ev || windows.after.to_ev > grid.end()) {
    return Error{ErrorCode::refused, "the energy axis covers " + std::to_string(grid.first_ev) +
                                         " to " + std::to_string(grid.end()) +
                                         " eV; the edge needs " +
                                         std::to_string(windows.background.from_ev) + " to " +
                                         std::to_string(windows.after.to_ev) + " eV"};
  }
  return {};
}

std::array<std::vector<double>, kQuantities> white_line_functionals(const WhiteLineWindows& windows,
                                                                    const Grid& grid) {
  const LineThrough line(grid, windows.after);
  std::array<std::vector<double>, kQuantities> u;
  u[kL3Low] = line_area(windows, grid, line, {windows.l3.from_ev, windows.split_ev});
  u[kL3High] = line_area(windows, grid, line, {windows.split_ev, windows.l3.to_ev});
  u[kL2] = line_area(windows, grid, line, windows.l2);
  u[kHeight].assign(grid.channels, 0.0);
  line.add(1.0, line.centre_ev(), u[kHeight]);
  return u;
}

std::vector<double> two_steps(const WhiteLineWindows& windows, const Grid& grid,
                              const std::vector<double>& spectrum) {
  const LineThrough line(grid, windows.after);
  const auto value_at = [&](double ev) {
    std::vector<double> weights(grid.channels, 0.0);
    line.add(1.0, ev, weights);
    double value = 0;
    for (std::size_t c = 0; c < grid.channels; ++c) {
      value += weights[c] * spectrum[c];
    }
    return value;
  };
  const double left = value_at(windows.step3_ev);
  const double slope =
      (value_at(windows.after.to_ev) - left) / (windows.after.to_ev - windows.step3_ev);
  std::vector<double> steps(grid.channels, 0.0);
  for (std::size_t c = 0; c < grid.channels; ++c) {
    steps[c] = steps_at(windows, grid, c) * (left + slope * (grid.centre(c) - windows.step3_ev));
  }
  return steps;
}

Result<Ratio> ratio(double a, double b, double var_a, double var_b, double covariance) {
  const double sigma_b = std::sqrt(var_b);
  if (!(b > 3.0 * sigma_b) || !std::isfinite(a) || !std::isfinite(var_a)) {
    return Error{ErrorCode::refused,
                 "the ratio cannot be told: the L2 line holds " + std::to_string(b) + " +- " +
                     std::to_string(sigma_b) +
                     " counts, less than three standard deviations; more exposures are needed"};
  }
  Ratio made;
  made.value = a / b;
  const double r = made.value;
  made.sigma = std::sqrt(std::max(0.0, var_a - 2 * r * covariance + r * r * var_b)) / b;
  // Fieller: the values q with (a - q b)^2 <= var(a - q b), a quadratic in q.
  const double qa = b * b - var_b;
  const double qb = a * b - covariance;
  const double qc = a * a - var_a;
  const double root = std::sqrt(std::max(0.0, qb * qb - qa * qc));
  made.low = (qb - root) / qa;
  made.high = (qb + root) / qa;
  return made;
}

}  // namespace creel::analysis
