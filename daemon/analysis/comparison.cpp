#include "daemon/analysis/comparison.h"

#include <algorithm>
#include <cmath>

#include "daemon/spectra/shift.h"

namespace creel::analysis {

namespace {

using Row = std::vector<double>;

constexpr int kMostSteps = 60;
constexpr double kStep = 0.125;  // channels, of the derivative
constexpr double kMostShift_channels = 40;

struct Measured {
  SingleScattering single{0};
  EdgeMeasurement edge;
  Row sigma;  // of one channel of the edge
};

Result<Measured> measure(const SessionSpectra& session, const WhiteLineWindows& windows) {
  Measured made;
  auto single = single_scattering_of(session);
  if (!single) {
    return single.error();
  }
  made.single = std::move(*single);
  auto edge = measure_edge(session, windows, made.single, 1);
  if (!edge) {
    return edge.error();
  }
  made.edge = std::move(*edge);
  made.sigma = made.edge.sigma;
  for (double& sigma : made.sigma) {
    sigma *= made.single.noise_gain();
  }
  const EdgeNumbers& n = made.edge.numbers.front();
  const CarriedNoise& carried = made.edge.carried.front();
  const double variance = carried.own(kL3Low, kL3Low) + 2 * carried.own(kL3Low, kL3High) +
                          carried.own(kL3High, kL3High);
  if (!(n[kL3Low] + n[kL3High] > 5 * std::sqrt(variance))) {
    return Error{ErrorCode::refused, "session " + session.name +
                                         ": its white lines do not stand out of the noise by five "
                                         "standard deviations; there is nothing to compare"};
  }
  return made;
}

Row moved(const Row& row, double by) {
  Row out(row.size(), 0.0);
  add_shifted(row, by, out);
  return out;
}

class Fit {
 public:
  Fit(const Measured& a, const Measured& b, const Window& window)
      : a_(a), inside_(overlap(a.edge.grid, window)) {
    // B on A's channels, before any shift.
    const double by = (b.edge.grid.first_ev - a.edge.grid.first_ev) / a.edge.grid.dispersion_ev;
    edge_ = moved(b.edge.edge, by);
    variance_ = moved(b.sigma, std::round(by));
    for (double& value : variance_) {
      value *= value;
    }
    double over = 0;
    double under = 0;
    for (std::size_t c = 0; c < edge_.size(); ++c) {
      over += inside_[c] * a_.edge.edge[c];
      under += inside_[c] * edge_[c];
    }
    scale = over / under;
  }

  /// Gauss and Newton with halved steps; false: no end.
  bool solve() {
    double now = chi_square();
    for (int i = 0; i < kMostSteps; ++i) {
      normal();
      const double det = ss_ * tt_ - st_ * st_;
      const double by_scale = (tt_ * gs_ - st_ * gt_) / det;
      const double by_shift = (ss_ * gt_ - st_ * gs_) / det;
      double part = 1;
      double next = 0;
      const double old_scale = scale;
      const double old_shift = shift;
      do {
        scale = old_scale + part * by_scale;
        shift = old_shift + part * by_shift;
        next = chi_square();
        part *= 0.5;
      } while (!(next <= now) && part > 1e-6);
      if (!(next <= now) || !std::isfinite(next)) {
        scale = old_scale;
        shift = old_shift;
        return part <= 1e-6 && std::isfinite(now);
      }
      if (now - next < 1e-8 * (1 + now)) {
        return std::fabs(shift) < kMostShift_channels;
      }
      now = next;
    }
    return false;
  }

  void tell(Comparison& made, double ev_per_channel) {
    normal();
    const double det = ss_ * tt_ - st_ * st_;
    made.scale = scale;
    made.sigma_scale = std::sqrt(tt_ / det);
    made.shift_ev = shift * ev_per_channel;
    made.sigma_shift_ev = std::sqrt(ss_ / det) * ev_per_channel;
    made.chi_square = chi_square();
    const Row other = moved(edge_, shift);
    for (std::size_t c = 0; c < other.size(); ++c) {
      made.other.push_back(scale * other[c]);
      made.residual.push_back(a_.edge.edge[c] - made.other.back());
      made.residual_sigma.push_back(std::sqrt(variance(c)));
      made.degrees_of_freedom += inside_[c] > 0.5 ? 1 : 0;
    }
    made.degrees_of_freedom -= std::min<std::uint64_t>(2, made.degrees_of_freedom);
  }

  double scale = 1, shift = 0;

 private:
  [[nodiscard]] double variance(std::size_t c) const {
    return a_.sigma[c] * a_.sigma[c] + scale * scale * variance_[c];
  }
  [[nodiscard]] double chi_square() const {
    const Row other = moved(edge_, shift);
    double sum = 0;
    for (std::size_t c = 0; c < other.size(); ++c) {
      const double off = a_.edge.edge[c] - scale * other[c];
      sum += inside_[c] > 0 ? inside_[c] * off * off / variance(c) : 0.0;
    }
    return sum;
  }
  void normal() {
    const Row here = moved(edge_, shift);
    const Row up = moved(edge_, shift + kStep);
    const Row down = moved(edge_, shift - kStep);
    ss_ = st_ = tt_ = gs_ = gt_ = 0;
    for (std::size_t c = 0; c < here.size(); ++c) {
      if (!(inside_[c] > 0)) continue;
      const double weight = inside_[c] / variance(c);
      const double by_shift = scale * (up[c] - down[c]) / (2 * kStep);
      const double off = a_.edge.edge[c] - scale * here[c];
      ss_ += weight * here[c] * here[c];
      st_ += weight * here[c] * by_shift;
      tt_ += weight * by_shift * by_shift;
      gs_ += weight * here[c] * off;
      gt_ += weight * by_shift * off;
    }
  }

  const Measured& a_;
  Row inside_, edge_, variance_;
  double ss_ = 0, st_ = 0, tt_ = 0, gs_ = 0, gt_ = 0;
};

}  // namespace

Result<Comparison> compare_edges(const SessionSpectra& a, const SessionSpectra& b,
                                 const WhiteLineWindows& windows) {
  if (!(std::fabs(a.dispersion_ev - b.dispersion_ev) < 1e-6 * a.dispersion_ev)) {
    return Error{ErrorCode::refused, "spectra of different dispersions cannot be compared"};
  }
  const auto of_a = measure(a, windows);
  const auto of_b = measure(b, windows);
  if (!of_a || !of_b) {
    return of_a ? of_b.error() : of_a.error();
  }
  Comparison made;
  made.compared = {windows.l3.from_ev, windows.after.to_ev};
  Fit fit(*of_a, *of_b, made.compared);
  if (!fit.solve()) {
    return Error{
        ErrorCode::refused,
        "the two edges have too little in common: no scale and shift lay one on the other"};
  }
  const Grid& grid = of_a->edge.grid;
  for (std::size_t c = 0; c < grid.channels; ++c) {
    made.energy_ev.push_back(grid.centre(c));
  }
  made.edge = of_a->edge.edge;
  made.sigma = of_a->sigma;
  fit.tell(made, grid.dispersion_ev);
  return made;
}

}  // namespace creel::analysis
