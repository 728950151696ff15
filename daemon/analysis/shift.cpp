#include "daemon/analysis/shift.h"

#include <array>
#include <cmath>
#include <cstddef>

namespace creel::analysis {

namespace {

constexpr std::size_t kPoints = 6;

struct Split {
  std::ptrdiff_t first = 0;  // move to the first of the channels
  std::array<double, kPoints> weight{};
};

/// Lagrange's weights for the moves first .. first + 5, of which the third is the whole part.
Split split(double shift) {
  const double whole = std::floor(shift);
  const double at = shift - whole + 2.0;  // between 2 and 3
  Split split;
  split.first = static_cast<std::ptrdiff_t>(whole) - 2;
  for (std::size_t j = 0; j < kPoints; ++j) {
    double weight = 1;
    for (std::size_t m = 0; m < kPoints; ++m) {
      const double node = static_cast<double>(m);
      weight *= m == j ? 1.0 : (at - node) / (static_cast<double>(j) - node);
    }
    split.weight[j] = weight;
  }
  return split;
}

/// Calls visit(i, k, weight) for each pair of channels i of the unshifted and k of the shifted.
template <class Visit>
void each_pair(std::size_t size, double shift, Visit&& visit) {
  if (!(std::fabs(shift) < static_cast<double>(size))) {
    return;
  }
  const Split s = split(shift);
  const auto n = static_cast<std::ptrdiff_t>(size);
  for (std::ptrdiff_t j = 0; j < static_cast<std::ptrdiff_t>(kPoints); ++j) {
    const double weight = s.weight[static_cast<std::size_t>(j)];
    const std::ptrdiff_t move = s.first + j;
    const std::ptrdiff_t from = move < 0 ? -move : 0;
    const std::ptrdiff_t to = move > 0 ? n - move : n;
    for (std::ptrdiff_t i = from; i < to; ++i) {
      visit(static_cast<std::size_t>(i), static_cast<std::size_t>(i + move), weight);
    }
  }
}

}  // namespace

void add_shifted(std::span<const double> in, double shift, std::span<double> out) {
  each_pair(in.size(), shift,
            [&](std::size_t i, std::size_t k, double weight) { out[k] += weight * in[i]; });
}

std::vector<double> unshifted(std::span<const double> weights, double shift) {
  std::vector<double> out(weights.size(), 0.0);
  each_pair(weights.size(), shift,
            [&](std::size_t i, std::size_t k, double weight) { out[i] += weight * weights[k]; });
  return out;
}

}  // namespace creel::analysis
