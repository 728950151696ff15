#include "daemon/analysis/damage_law.h"

#include <array>
#include <cmath>
#include <cstddef>

namespace creel::analysis {

namespace {

/// (1 - e^-u)/u, any sign: the mean of e^-v over 0..u.
double mean_decay(double u) {
  return std::fabs(u) < 1e-6 ? 1.0 - 0.5 * u : -std::expm1(-u) / u;
}

double hyperbola(double u) {
  return u >= 0 ? 1.0 / (1.0 + u) : 1.0 - u;
}

/// Mean of hyperbola(v) over 0..u.
double mean_hyperbola(double u) {
  if (std::fabs(u) < 1e-6) {
    return 1.0 - 0.5 * u;
  }
  return u > 0 ? std::log1p(u) / u : 1.0 - 0.5 * u;
}

/// Mean of f between u0 and u1: Gauss and Legendre with five points (Abramowitz and Stegun
/// 25.4.30).
template <class Function>
double mean_between(double u0, double u1, Function&& f) {
  constexpr std::array<double, 3> kAt = {0.0, 0.5384693101056831, 0.9061798459386640};
  constexpr std::array<double, 3> kWeight = {0.5688888888888889, 0.4786286704993665,
                                             0.2369268850561891};
  const double middle = 0.5 * (u0 + u1);
  const double half = 0.5 * (u1 - u0);
  double sum = kWeight[0] * f(middle);
  for (std::size_t i = 1; i < kAt.size(); ++i) {
    sum += kWeight[i] * (f(middle - half * kAt[i]) + f(middle + half * kAt[i]));
  }
  return 0.5 * sum;
}

/// Over a Gaussian beam every local dose from 0 to the middle's meets as many electrons as any
/// other, so the mean over the beam is the mean over 0..u.
double hyperbolic(double u0, double u1, BeamProfile profile) {
  if (profile == BeamProfile::gaussian) {
    return mean_between(u0, u1, mean_hyperbola);
  }
  if (u0 >= 0 && u1 - u0 > 1e-6 * (1 + u0)) {
    return std::log((1 + u1) / (1 + u0)) / (u1 - u0);
  }
  return hyperbola(0.5 * (u0 + u1));
}

double exponential(double u0, double u1, BeamProfile profile) {
  return profile == BeamProfile::flat ? std::exp(-u0) * mean_decay(u1 - u0)
                                      : mean_between(u0, u1, mean_decay);
}

}  // namespace

std::string_view name(DamageLaw law) {
  switch (law) {
    case DamageLaw::none:
      return "none";
    case DamageLaw::first_order:
      return "first order";
    case DamageLaw::second_order:
      return "second order";
    case DamageLaw::plateau:
      return "first order to a plateau";
    case DamageLaw::rate_power:
      return "first order, by a power of the dose rate";
  }
  return "";
}

double survival(const DoseInterval& dose, double k, BeamProfile profile, DamageLaw law,
                double shape) {
  const double u0 = k * dose.before;
  const double u1 = k * dose.after;
  switch (law) {
    case DamageLaw::none:
      return 1;
    case DamageLaw::second_order:
      return hyperbolic(u0, u1, profile);
    case DamageLaw::plateau:
      return shape + (1 - shape) * exponential(u0, u1, profile);
    case DamageLaw::rate_power: {
      const double before = u0 * std::pow(dose.rate_before, shape);
      return exponential(before, before + (u1 - u0) * std::pow(dose.rate, shape), profile);
    }
    case DamageLaw::first_order:
      break;
  }
  return exponential(u0, u1, profile);
}

double mean_survival(std::span<const DoseInterval> doses, double k, BeamProfile profile,
                     DamageLaw law, double shape) {
  double sum = 0;
  double weight = 0;
  for (const DoseInterval& dose : doses) {
    sum += dose.weight * survival(dose, k, profile, law, shape);
    weight += dose.weight;
  }
  return weight > 0 ? sum / weight : 1.0;
}

double mean_dose(std::span<const DoseInterval> doses) {
  double sum = 0;
  double weight = 0;
  for (const DoseInterval& dose : doses) {
    sum += dose.weight * 0.5 * (dose.before + dose.after);
    weight += dose.weight;
  }
  return weight > 0 ? sum / weight : 0.0;
}

}  // namespace creel::analysis
