#include "daemon/spectra/shift.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace creel::analysis {

namespace {

constexpr std::size_t kPoints = 6;
constexpr double kFarthest = 1e6;  // channels; no axis is as long

/// Lagrange's weights for the moves whole - 2 .. whole + 3 of a move of whole + fraction.
std::array<double, kPoints> lagrange(double fraction) {
  const double at = fraction + 2.0;  // between 2 and 3
  std::array<double, kPoints> weights{};
  for (std::size_t j = 0; j < kPoints; ++j) {
    double weight = 1;
    for (std::size_t m = 0; m < kPoints; ++m) {
      const double node = static_cast<double>(m);
      weight *= m == j ? 1.0 : (at - node) / (static_cast<double>(j) - node);
    }
    weights[j] = weight;
  }
  return weights;
}

/// Calls visit(from, to, length, weight): channels from.. of the unmoved become to.. of the moved.
template <class Visit>
void each_move(std::size_t size, std::ptrdiff_t first, std::span<const double> weights,
               Visit&& visit) {
  const auto n = static_cast<std::ptrdiff_t>(size);
  for (std::size_t j = 0; j < weights.size(); ++j) {
    const std::ptrdiff_t move = first + static_cast<std::ptrdiff_t>(j);
    const std::ptrdiff_t length = n - std::abs(move);
    if (weights[j] != 0 && length > 0) {
      visit(static_cast<std::size_t>(std::max<std::ptrdiff_t>(0, -move)),
            static_cast<std::size_t>(std::max<std::ptrdiff_t>(0, move)),
            static_cast<std::size_t>(length), weights[j]);
    }
  }
}

}  // namespace

void Moves::add(double shift, double part) {
  if (!(std::fabs(shift) < kFarthest)) {
    return;  // no number, or off any axis
  }
  const double whole = std::floor(shift);
  const auto first = static_cast<std::ptrdiff_t>(whole) - 2;
  const auto end = first + static_cast<std::ptrdiff_t>(kPoints);
  if (weights_.empty()) {
    first_ = first;
  }
  if (first < first_) {
    weights_.insert(weights_.begin(), static_cast<std::size_t>(first_ - first), 0.0);
    first_ = first;
  }
  const auto needed = static_cast<std::size_t>(end - first_);
  weights_.resize(std::max(weights_.size(), needed), 0.0);
  const auto weights = lagrange(shift - whole);
  for (std::size_t j = 0; j < kPoints; ++j) {
    weights_[static_cast<std::size_t>(first - first_) + j] += part * weights[j];
  }
}

void Moves::apply(std::span<const double> in, std::span<double> out) const {
  each_move(in.size(), first_, weights_,
            [&](std::size_t from, std::size_t to, std::size_t length, double weight) {
              for (std::size_t i = 0; i < length; ++i) {
                out[to + i] += weight * in[from + i];
              }
            });
}

void Moves::transpose(std::span<const double> weights, std::span<double> out) const {
  each_move(weights.size(), first_, weights_,
            [&](std::size_t from, std::size_t to, std::size_t length, double weight) {
              for (std::size_t i = 0; i < length; ++i) {
                out[from + i] += weight * weights[to + i];
              }
            });
}

void add_shifted(std::span<const double> in, double shift, std::span<double> out) {
  Moves(shift).apply(in, out);
}

std::vector<double> unshifted(std::span<const double> weights, double shift) {
  std::vector<double> out(weights.size(), 0.0);
  Moves(shift).transpose(weights, out);
  return out;
}

}  // namespace creel::analysis
