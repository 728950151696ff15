// Random numbers of the world. Everything random is a pure function of (seed, what for, when): two
// draws for the same frame are the same bytes, whatever was asked before. No global state, no
// clock.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <string_view>

namespace creel::sim {

/// What a random stream is for, so that no two uses share one.
enum class Stream : std::uint64_t {
  truth = 1,
  frame,
  fixed_pattern,
  laser_slow,
  laser_fast,
  dropout,
  pointing,
  high_tension,
  room,
  reading,
  thickness,
  film,
  arrival,
};

/// 64 well-mixed bits from four numbers.
std::uint64_t mix(std::uint64_t seed, Stream stream, std::int64_t when, std::uint64_t which = 0);

/// A number for a name, to tell devices and specimens apart in mix(); 0 for "".
std::uint64_t number_of(std::string_view name);

/// A sequence of random bits: SplitMix64, a counter passed through a bijective mixing function, so
/// its state is the seed plus a multiple of a constant. Source: G. L. Steele, D. Lea, C. H. Flood,
/// OOPSLA 2014, doi:10.1145/2660193.2660195.
class Random {
 public:
  explicit Random(std::uint64_t state) : state_(state) {}

  std::uint64_t bits() {
    state_ += 0x9E3779B97F4A7C15u;
    std::uint64_t z = state_;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
  }
  /// Uniform in [0, 1), 53 bits.
  double uniform() { return static_cast<double>(bits() >> 11) * 0x1p-53; }
  /// Uniform in 0..n-1, 0 < n <= 2^32; bias below n / 2^32.
  std::uint64_t below(std::uint64_t n) { return ((bits() >> 32) * n) >> 32; }
  /// Standard normal. Box and Muller, Ann. Math. Stat. 29, 610 (1958).
  double normal();
  /// Standard normal, about a nanosecond: the sum of two entries, over sqrt 2, of a table of 4096
  /// quantiles of the normal law, scaled to variance one exactly. 2^24 different values, none
  /// beyond 5.2: enough for what is rounded to whole counts.
  float quick_normal() { return quick_normal_from(bits()); }
  /// The same from the lowest 24 of the given random bits.
  static float quick_normal_from(std::uint64_t bits) {
    return kQuantiles[bits & 0xFFF] + kQuantiles[(bits >> 12) & 0xFFF];
  }
  /// Poisson number of the given mean >= 0. Exact up to a mean of 30: Poisson numbers add, so one
  /// is looked up in a table for the next lower multiple of a half and one of the small mean left
  /// over is drawn by inversion. Above, the normal deviate with the first term of the expansion of
  /// E. A. Cornish and R. A. Fisher, Rev. Inst. Int. Stat. 5, 307 (1938), rounded: mean and
  /// variance are exact, the skewness is to leading order.
  std::uint64_t poisson(double mean);

 private:
  static const std::array<float, 4096> kQuantiles;  // over sqrt 2
  std::uint64_t state_;
};

/// Fills `out` with quick normals, two from each 64 bits.
void fill_normal(Random& random, std::span<float> out);

/// Smooth noise of mean 0 and variance about 1: a pure function of t, correlated over about
/// `period_s`. Two octaves of cubic interpolation between random values on a lattice. Remembers the
/// lattice values around the time last asked for, which makes the next time nearby cheap and
/// changes no answer.
class SmoothNoise {
 public:
  SmoothNoise(std::uint64_t seed, Stream stream, double period_s)
      : seed_(seed), stream_(stream), period_s_(period_s) {}
  double at(double t_s);

 private:
  struct Octave {
    std::int64_t cell = INT64_MIN;
    std::array<double, 4> values{};
  };
  double interpolated(Octave& octave, std::uint64_t seed, double where) const;

  std::uint64_t seed_;
  Stream stream_;
  double period_s_;
  Octave coarse_, fine_;
};

/// The same for one time.
double smooth_noise(std::uint64_t seed, Stream stream, double t_s, double period_s);

}  // namespace creel::sim
