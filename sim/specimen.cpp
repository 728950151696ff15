#include "sim/specimen.h"

#include <cmath>

#include "sim/random.h"

namespace creel::sim {
namespace {

/// (1 - e^-u) / u.
double gaussian_survival(double u) {
  return u < 1e-9 ? 1.0 - 0.5 * u : -std::expm1(-u) / u;
}

/// Ein(u) = integral of (1 - e^-s)/s from 0 to u: series for small u, gamma + ln u + E1(u) beyond.
double entire_exponential_integral(double u) {
  constexpr double kEulerGamma = 0.57721566490153286;
  if (u > 2.0) {
    return kEulerGamma + std::log(u) - std::expint(-u);
  }
  double term = 1;
  double sum = 0;
  for (int n = 1; n < 40; ++n) {
    term *= -u / n;
    sum -= term / n;
  }
  return sum;
}

}  // namespace

std::vector<Oscillator> ink_valence() {
  return {{6.0, 2.5, 0.04}, {23.5, 16.0, 0.96}};
}

Truth truth_of(const Specimen& specimen, std::uint64_t seed, std::uint64_t which) {
  Random random(mix(seed, Stream::truth, 0, which));
  const auto draw = [&random](const Range& range) {
    return range.least + (range.most - range.least) * random.uniform();
  };
  Truth truth;
  truth.fe3_fraction = draw(specimen.fe3_fraction);
  truth.critical_dose = draw(specimen.critical_dose);
  truth.t_over_lambda = draw(specimen.t_over_lambda);
  return truth;
}

double mean_survival(Profile profile, double before, double after, double critical_dose) {
  const double u0 = before / critical_dose;
  const double u1 = after / critical_dose;
  // A short exposure changes little: the middle is exact to second order, and no small difference
  // is taken.
  if (u1 - u0 < 1e-4) {
    const double middle = 0.5 * (u0 + u1);
    return profile == Profile::flat ? std::exp(-middle) : gaussian_survival(middle);
  }
  if (profile == Profile::flat) {
    return -std::exp(-u0) * std::expm1(u0 - u1) / (u1 - u0);
  }
  return (entire_exponential_integral(u1) - entire_exponential_integral(u0)) / (u1 - u0);
}

}  // namespace creel::sim
