#include "daemon/spectra/background.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <string>

namespace creel::analysis {

namespace {

/// dB/dA, dB/dr at a channel's centre.
Eigen::Vector2d slopes(const Background& law, double ev) {
  const double value = law.at(ev);
  return {value / law.amplitude, -value * std::log(ev / law.pivot_ev)};
}

struct Channels {
  std::size_t from = 0, to = 0;  // whole channels inside the window
};

Result<Channels> channels_in(const Grid& grid, const Window& window) {
  const double from = std::ceil((window.from_ev - grid.first_ev) / grid.dispersion_ev - 1e-9);
  const double to = std::floor((window.to_ev - grid.first_ev) / grid.dispersion_ev + 1e-9);
  if (!(from >= 0) || !(to <= static_cast<double>(grid.channels)) || !(window.from_ev > 0) ||
      !(to - from >= 4)) {
    return Error{ErrorCode::invalid_request,
                 "background window " + std::to_string(window.from_ev) + " to " +
                     std::to_string(window.to_ev) +
                     " eV; must hold at least 4 channels of the axis, " +
                     std::to_string(grid.first_ev) + " to " + std::to_string(grid.end()) + " eV"};
  }
  return Channels{static_cast<std::size_t>(from), static_cast<std::size_t>(to)};
}

PowerLaw first_guess(std::span<const double> counts, const Grid& grid, const Channels& in) {
  const std::size_t middle = in.from + (in.to - in.from) / 2;
  double i1 = 0;
  double i2 = 0;
  for (std::size_t c = in.from; c < middle; ++c) {
    i1 += counts[c];
  }
  for (std::size_t c = middle; c < in.from + 2 * (middle - in.from); ++c) {
    i2 += counts[c];
  }
  PowerLaw law{1, 3};
  if (i1 > 0 && i2 > 0) {
    law = two_area_power_law(i1, i2, grid.lower(in.from),
                             grid.lower(in.from + 2 * (middle - in.from)));
  }
  law.exponent = std::clamp(law.exponent, -10.0, 20.0);
  return law;
}

}  // namespace

std::vector<double> overlap(const Grid& grid, const Window& window) {
  std::vector<double> part(grid.channels);
  for (std::size_t c = 0; c < grid.channels; ++c) {
    const double inside =
        std::min(grid.lower(c + 1), window.to_ev) - std::max(grid.lower(c), window.from_ev);
    part[c] = std::clamp(inside / grid.dispersion_ev, 0.0, 1.0);
  }
  return part;
}

double Background::at(double ev) const {
  return ev > 0 ? amplitude * std::pow(ev / pivot_ev, -exponent) : 0.0;
}

std::vector<double> Background::on(const Grid& grid) const {
  std::vector<double> values(grid.channels);
  for (std::size_t c = 0; c < grid.channels; ++c) {
    values[c] = at(grid.centre(c));
  }
  return values;
}

std::vector<double> Background::functional(const Grid& grid, std::span<const double> u) const {
  Eigen::Matrix2d normal = Eigen::Matrix2d::Zero();
  Eigen::Vector2d reach = Eigen::Vector2d::Zero();  // sum u dB/dtheta
  for (std::size_t c = 0; c < grid.channels; ++c) {
    if (weight_[c] == 0 && u[c] == 0) {
      continue;
    }
    const Eigen::Vector2d slope = slopes(*this, grid.centre(c));
    normal += weight_[c] * slope * slope.transpose();
    reach += u[c] * slope;
  }
  const Eigen::Vector2d back = normal.ldlt().solve(reach);
  std::vector<double> weights(u.begin(), u.end());
  for (std::size_t c = 0; c < grid.channels; ++c) {
    if (weight_[c] != 0) {
      weights[c] -= weight_[c] * slopes(*this, grid.centre(c)).dot(back);
    }
  }
  return weights;
}

double Background::variance_of_sum(const Grid& grid, const Window& window) const {
  const std::vector<double> part = overlap(grid, window);
  Eigen::Vector2d reach = Eigen::Vector2d::Zero();
  for (std::size_t c = 0; c < grid.channels; ++c) {
    if (part[c] > 0) {
      reach += part[c] * slopes(*this, grid.centre(c));
    }
  }
  return var_amplitude * reach[0] * reach[0] + 2 * covariance * reach[0] * reach[1] +
         var_exponent * reach[1] * reach[1];
}

double Background::h(const Grid& grid, const Window& signal) const {
  const std::vector<double> part = overlap(grid, signal);
  double sum = 0;
  for (std::size_t c = 0; c < grid.channels; ++c) {
    sum += part[c] > 0 ? part[c] * at(grid.centre(c)) : 0.0;
  }
  return 1.0 + variance_of_sum(grid, signal) / sum;
}

Result<Background> fit_background(std::span<const double> counts, const Grid& grid,
                                  const Window& window, double constant_variance) {
  const auto in = channels_in(grid, window);
  if (!in) {
    return in.error();
  }
  double sum = 0;
  for (std::size_t c = in->from; c < in->to; ++c) {
    sum += counts[c];
  }
  const Error nothing{ErrorCode::refused,
                      "background between " + std::to_string(window.from_ev) + " and " +
                          std::to_string(window.to_ev) +
                          " eV: the counts there show no background to fit (sum " +
                          std::to_string(sum) + ")"};
  if (!(sum > 0) || !std::isfinite(sum)) {
    return nothing;
  }
  Background law;
  law.pivot_ev = 0.5 * (window.from_ev + window.to_ev);
  const double n = static_cast<double>(in->to - in->from);
  law.exponent = first_guess(counts, grid, *in).exponent;
  law.amplitude = sum / n;
  law.weight_.assign(grid.channels, 0.0);
  Eigen::Matrix2d normal;
  bool converged = false;
  for (int i = 0; i < 100 && !converged; ++i) {
    normal.setZero();
    Eigen::Vector2d right = Eigen::Vector2d::Zero();
    for (std::size_t c = in->from; c < in->to; ++c) {
      const double model = law.at(grid.centre(c));
      const Eigen::Vector2d slope = slopes(law, grid.centre(c));
      law.weight_[c] = 1.0 / (model + constant_variance);
      normal += law.weight_[c] * slope * slope.transpose();
      right += law.weight_[c] * slope * (counts[c] - model);
    }
    const Eigen::Vector2d step = normal.ldlt().solve(right);
    law.amplitude = std::max(0.2 * law.amplitude, law.amplitude + step[0]);
    law.exponent += std::clamp(step[1], -1.0, 1.0);
    converged = std::fabs(step[0]) < 1e-10 * law.amplitude && std::fabs(step[1]) < 1e-10;
  }
  if (!converged || std::fabs(law.exponent) > 30) {
    return nothing;
  }
  const Eigen::Matrix2d covariance = normal.inverse();
  law.var_amplitude = covariance(0, 0);
  law.var_exponent = covariance(1, 1);
  law.covariance = covariance(0, 1);
  return law;
}

PowerLaw two_area_power_law(double i1, double i2, double e1_ev, double e3_ev) {
  PowerLaw law;
  law.exponent = 2.0 * std::log(i1 / i2) / std::log(e3_ev / e1_ev);
  law.amplitude = (i1 + i2) / integral({1.0, law.exponent}, e1_ev, e3_ev);
  return law;
}

double integral(const PowerLaw& law, double from_ev, double to_ev) {
  const double power = 1.0 - law.exponent;
  if (std::fabs(power) < 1e-9) {
    return law.amplitude * std::log(to_ev / from_ev);
  }
  return law.amplitude * (std::pow(to_ev, power) - std::pow(from_ev, power)) / power;
}

}  // namespace creel::analysis
