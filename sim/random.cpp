#include "sim/random.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

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

constexpr double kTabulatedStep = 0.5;
constexpr double kTabulatedMost = 30;

/// The Poisson law of one mean, for looking up a number from a uniform one. The guide says where to
/// begin: most draws then compare once or twice (H. C. Chen, Y. Asau, AIIE Trans. 6, 163 (1974)).
class PoissonTable {
 public:
  explicit PoissonTable(double mean) {
    double probability = std::exp(-mean);
    double sum = probability;
    for (int n = 1; sum < 1.0 && n < 200; ++n) {
      running_.push_back(sum);
      probability *= mean / n;
      sum = sum + probability > sum ? sum + probability : 1.0;
    }
    running_.push_back(2.0);  // no uniform number passes here
    for (std::size_t i = 0; i < guide_.size(); ++i) {
      const double least = static_cast<double>(i) / static_cast<double>(guide_.size());
      guide_[i] = static_cast<std::uint8_t>(
          std::upper_bound(running_.begin(), running_.end(), least) - running_.begin());
    }
  }
  [[nodiscard]] std::uint64_t look_up(double uniform) const {
    std::size_t n = guide_[static_cast<std::size_t>(uniform * static_cast<double>(guide_.size()))];
    while (uniform >= running_[n]) {
      ++n;
    }
    return n;
  }

 private:
  std::vector<double> running_;  // probability of n or less
  std::array<std::uint8_t, 64> guide_{};
};

/// Tables for the means step, 2 step, ..., most.
const std::vector<PoissonTable>& poisson_tables() {
  static const std::vector<PoissonTable> tables = [] {
    std::vector<PoissonTable> made;
    for (int i = 1; i * kTabulatedStep <= kTabulatedMost; ++i) {
      made.emplace_back(i * kTabulatedStep);
    }
    return made;
  }();
  return tables;
}

/// Inversion from below. That nothing comes is likeliest by far, and exp(-mean) > 1 - mean: the
/// exponential is rarely needed.
std::uint64_t small_poisson(double mean, double uniform) {
  if (uniform < 1.0 - mean) {
    return 0;
  }
  double probability = std::exp(-mean);
  std::uint64_t n = 0;
  while (uniform >= probability && n < 1000) {
    uniform -= probability;
    ++n;
    probability *= mean / static_cast<double>(n);
  }
  return n;
}

double lattice_value(std::uint64_t seed, Stream stream, std::int64_t cell) {
  return Random(mix(seed, stream, cell)).normal();
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

std::uint64_t number_of(std::string_view name) {
  std::uint64_t number = 0;
  for (const char letter : name) {
    number = mix(number, Stream::fixed_pattern, letter);
  }
  return number;
}

double Random::normal() {
  const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
  return radius * std::cos(2.0 * physics::kPi * uniform());
}

std::uint64_t Random::poisson(double mean) {
  static const PoissonTable* const kTables = poisson_tables().data();
  if (!(mean > 0)) {
    return 0;
  }
  if (mean <= kTabulatedMost) {
    const auto steps = static_cast<std::size_t>(mean * (1.0 / kTabulatedStep));
    const double left = mean - static_cast<double>(steps) * kTabulatedStep;
    const std::uint64_t looked_up = steps == 0 ? 0 : kTables[steps - 1].look_up(uniform());
    return looked_up + small_poisson(left, uniform());
  }
  // The correction adds 1/18 and rounding 1/12 to the variance: 5/36 is taken out of the normal's.
  const double z = quick_normal();
  const double value = mean + std::sqrt(mean - 5.0 / 36.0) * z + (z * z - 1.0) / 6.0;
  return value <= 0 ? 0 : static_cast<std::uint64_t>(value + 0.5);
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

/// Catmull-Rom cubic through four lattice values; variance about 0.83, corrected below.
double SmoothNoise::interpolated(Octave& octave, std::uint64_t seed, double where) const {
  const double floor = std::floor(where);
  const auto cell = static_cast<std::int64_t>(floor);
  if (octave.cell != cell) {
    for (int i = 0; i < 4; ++i) {
      octave.values[i] = lattice_value(seed, stream_, cell - 1 + i);
    }
    octave.cell = cell;
  }
  const auto [p0, p1, p2, p3] = octave.values;
  const double u = where - floor;
  return p1 +
         0.5 * u * (p2 - p0 + u * (2 * p0 - 5 * p1 + 4 * p2 - p3 + u * (3 * (p1 - p2) + p3 - p0)));
}

double SmoothNoise::at(double t_s) {
  const double coarse = interpolated(coarse_, seed_, t_s / period_s_);
  const double fine = interpolated(fine_, seed_ ^ 0x5bd1e995u, 2.7 * t_s / period_s_);
  return (coarse + 0.5 * fine) / std::sqrt(1.25 * 0.83);
}

double smooth_noise(std::uint64_t seed, Stream stream, double t_s, double period_s) {
  return SmoothNoise(seed, stream, period_s).at(t_s);
}

}  // namespace creel::sim
