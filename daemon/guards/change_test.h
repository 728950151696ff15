// Has the mean of a row of numbers changed? Two sequential tests, side by side, that ring soon
// after it has.
//
// The mean is not known beforehand: a value x is compared with the mean m of the n values so far,
//   T = (x - m) / (c sqrt(sigma^2 + sigma_m^2)),     sigma of counting, sigma_m that of the mean,
// and the T of successive values are independent and standard normal as long as nothing changes: so
// learning from few values costs no false alarms (D. M. Hawkins, Technometrics 29, 451 (1987),
// "self-starting"). It costs speed: a change that goes on is learnt, too. There the standard
// deviation is learnt from the values as well; here not, because damage that is quick at first
// would be learnt as noise. But where successive values differ by more than counting explains, c^2
// > 1 is the mean of (x_i - x_(i-1))^2 / (sigma_i^2 + sigma_(i-1)^2), which a slow change hardly
// moves (J. von Neumann et al., Ann. Math. Statist. 12, 153 (1941)). T then counts as Student's t
// with half the freedom that this estimate has, 2 (n-1)^2 / (3 n - 4): half, because one wrong c is
// shared by the values that follow; with that, simulated nights ring less often than stated also
// where the scatter is 1.3 and 2 times that of counting (tests/daemon/guards). The score U of a
// value is T as a standard normal number, never beyond +-3: one wild value (an X-ray on the sensor)
// rings nothing.
//
// CUSUM, for a change that sets in at some time (E. S. Page, Biometrika 41, 100 (1954)):
//   up = max(0, up + U - k)      down = max(0, down - U - k)      rings when one of them reaches h
// Trend, for one that goes on from the first value, as damage in proportion to dose D does: the
// scores against what a straight line in D would make of them, c = sqrt(n / (n + 1)) (D - mean D),
//   Z = sum(c U) / sqrt(sum(c^2))          standard normal at any time; rings when |Z| reaches b.
#pragma once

#include <cstdint>
#include <optional>

namespace creel {

/// Mean number of values until a one-sided CUSUM of normal values with mean `shift` and standard
/// deviation 1 rings, d = shift - k:
///   (exp(-2 d b) + 2 d b - 1) / (2 d^2),  b = h + 1.166,      b^2 for d = 0
/// D. Siegmund, Sequential Analysis, Springer 1985. k > 0, h > 0. With no shift it is the mean time
/// between false alarms, with one the mean delay. Check (D. C. Montgomery, Introduction to
/// Statistical Quality Control, from memory) for k = 1/2: two-sided, which without a shift is half
/// of it, 168 for h = 4 and 465 for h = 5; with a shift of 1: 8.38 and 10.4.
double cusum_run_length(double k, double h, double shift = 0);

/// h for which a two-sided CUSUM of `values` N(0, 1) values rings with about `probability`, from
///   1 - exp(-2 values / cusum_run_length(k, h)) = probability:
/// run lengths are nearly exponential, and starting from zero makes early alarms rarer still, so
/// the true probability is lower. 0 < probability < 1, values >= 1.
double cusum_threshold(double k, std::uint64_t values, double probability);

/// b for which |Z| of the trend test reaches it with about `probability` while the number of values
/// grows from `first` to `last`:
///   phi(b) ((b - 1/b) ln(t1/t0) + 4/b) = probability,      t1/t0 = (last/first)^3,
/// the probability that Brownian motion over the root of its time leaves +-b between t0 and t1 (R.
/// Miller, D. Siegmund, Biometrics 38, 1011 (1982)); its time is sum(c^2), which grows with the
/// cube of the number of values in equal steps of dose. The motion is looked at once a value only,
/// so the true probability is lower. 1 <= first <= last.
double trend_threshold(std::uint64_t first, std::uint64_t last, double probability);

class ChangeTest {
 public:
  struct Limits {
    double k = 0.5;           ///< of the CUSUM: half the change that it is fastest for
    double cusum = 0;         ///< h
    double trend = 0;         ///< b
    std::uint32_t learn = 5;  ///< values before the tests begin, >= 3
  };
  explicit ChangeTest(const Limits& limits) : limits_(limits) {}

  struct Alarm {
    bool by_trend = false;     ///< or by CUSUM
    double statistic = 0;      ///< |Z|, or the sum
    double threshold = 0;      ///< that it reached
    bool rising = false;       ///< the values, or falling
    double mean = 0;           ///< of the values before the one that rang
    double sigma = 0;          ///< of that value, c included
    std::uint64_t values = 0;  ///< with the one that rang
    double since = 0;  ///< dose at which the change began: where the sum last was zero (Page);
                       ///< of a trend, the dose of the first value
  };
  /// Takes one value with its standard deviation (> 0); the alarm when it rings. After that it
  /// begins anew, and learns anew.
  std::optional<Alarm> add(double value, double sigma, double dose);
  /// The larger sum of the CUSUM.
  [[nodiscard]] double cusum() const { return up_.sum > down_.sum ? up_.sum : down_.sum; }
  /// Z.
  [[nodiscard]] double trend() const;

 private:
  struct Side {
    double sum = 0;
    double since = 0;  ///< dose of the first value since it was zero
    void take(double score, double dose) {
      since = sum > 0 ? since : dose;
      sum = sum + score > 0 ? sum + score : 0;
    }
  };
  [[nodiscard]] std::optional<Alarm> look() const;
  /// c, at least 1.
  [[nodiscard]] double excess() const;
  [[nodiscard]] double score(double value, double variance) const;

  Limits limits_;
  std::uint64_t values_ = 0;
  double mean_ = 0, variances_ = 0;      ///< of values; sum of their sigma^2
  double last_ = 0, last_variance_ = 0;  ///< value
  double differences_ = 0;               ///< sum of (step^2 / its variance)
  double mean_dose_ = 0, first_dose_ = 0;
  Side up_, down_;
  double product_ = 0, time_ = 0;  ///< sum(c U), sum(c^2)
};

}  // namespace creel
