#include "sim/random.h"

#include <array>
#include <cmath>

#include "protocol/physics/constants.h"

namespace creel::sim {
namespace {

constexpr int kTableSize = 4096;

/// Inverse of the normal distribution function by Newton's method on erfc; only to make the table.
double normal_quantile(double p) {
  double x = 0;
  for (int step = 0; step < 100; ++step) {
    const double error = 0.5 * std::erfc(-x / std::sqrt(2.0)) - p;
    const double density = std::exp(-0.5 * x * x) / std::sqrt(2.0 * physics::kPi);
    const double move = std::fmin(std::fmax(error / density, -0.5), 0.5);
    x -= move;
    if (std::fabs(move) < 1e-14) {
      break;
    }
  }
  return x;
}

std::array<float, kTableSize> make_table() {
  std::array<double, kTableSize> exact{};
  double square = 0;
  for (int i = 0; i < kTableSize; ++i) {
    exact[i] = normal_quantile((i + 0.5) / kTableSize);
    square += exact[i] * exact[i];
  }
  // Midpoints miss a little of the tails' variance; the factor 1/sqrt 2 is for the sum of two
  // entries.
  const double scale = 1.0 / std::sqrt(2.0 * square / kTableSize);
  std::array<float, kTableSize> table{};
  for (int i = 0; i < kTableSize; ++i) {
    table[i] = static_cast<float>(exact[i] * scale);
  }
  return table;
}

double lattice_value(std::uint64_t seed, Stream stream, std::int64_t cell) {
  return Random(mix(seed, stream, cell)).normal();
}

/// Catmull-Rom cubic through four lattice values; variance about 0.83, corrected below.
double interpolated(std::uint64_t seed, Stream stream, double where) {
  const double floor = std::floor(where);
  const auto cell = static_cast<std::int64_t>(floor);
  const double u = where - floor;
  const double p0 = lattice_value(seed, stream, cell - 1);
  const double p1 = lattice_value(seed, stream, cell);
  const double p2 = lattice_value(seed, stream, cell + 1);
  const double p3 = lattice_value(seed, stream, cell + 2);
  return p1 +
         0.5 * u * (p2 - p0 + u * (2 * p0 - 5 * p1 + 4 * p2 - p3 + u * (3 * (p1 - p2) + p3 - p0)));
}

std::uint64_t scramble(std::uint64_t value) {
  return Random(value).bits();
}

}  // namespace

const std::array<float, kTableSize> Random::kQuantiles = make_table();

std::uint64_t mix(std::uint64_t seed, Stream stream, std::int64_t when, std::uint64_t which) {
  std::uint64_t value = scramble(seed);
  value = scramble(value ^ static_cast<std::uint64_t>(stream));
  value = scramble(value ^ static_cast<std::uint64_t>(when));
  return scramble(value ^ which);
}

double Random::normal() {
  const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
  return radius * std::cos(2.0 * physics::kPi * uniform());
}

std::uint64_t Random::poisson(double mean) {
  if (!(mean > 0)) {
    return 0;
  }
  if (mean <= 30) {
    // Inversion from below: exact, and quick for the small means of sparse frames.
    double probability = std::exp(-mean);
    double left = uniform();
    std::uint64_t n = 0;
    while (left >= probability && n < 1000) {
      left -= probability;
      ++n;
      probability *= mean / static_cast<double>(n);
    }
    return n;
  }
  // The correction adds 1/18 and rounding 1/12 to the variance: 5/36 is taken out of the normal's.
  const double z = quick_normal();
  const double value = mean + std::sqrt(mean - 5.0 / 36.0) * z + (z * z - 1.0) / 6.0;
  return value <= 0 ? 0 : static_cast<std::uint64_t>(std::llround(value));
}

void fill_normal(Random& random, std::span<float> out) {
  std::size_t i = 0;
  for (; i + 1 < out.size(); i += 2) {
    const std::uint64_t bits = random.bits();
    out[i] = Random::quick_normal_from(bits);
    out[i + 1] = Random::quick_normal_from(bits >> 32);
  }
  if (i < out.size()) {
    out[i] = random.quick_normal();
  }
}

double smooth_noise(std::uint64_t seed, Stream stream, double t_s, double period_s) {
  const double coarse = interpolated(seed, stream, t_s / period_s);
  const double fine = interpolated(seed ^ 0x5bd1e995u, stream, 2.7 * t_s / period_s);
  return (coarse + 0.5 * fine) / std::sqrt(1.25 * 0.83);
}

}  // namespace creel::sim
