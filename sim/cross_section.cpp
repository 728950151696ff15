#include "sim/cross_section.h"

#include <array>
#include <cmath>

#include "protocol/physics/constants.h"
#include "protocol/physics/kinematics.h"

namespace creel::sim {
namespace {

using physics::kPi;
using physics::kRydberg_eV;

/// 4 pi a0^2, nm^2.
constexpr double kFourPiA0Squared_nm2 =
    4.0 * kPi * physics::kBohrRadius_m * physics::kBohrRadius_m * 1e18;

struct Absorption {
  double energy_eV, barn_per_atom;
};
// Henke, Gullikson, Davis 1993, iron; the first two points stand on either side of the merged L
// step.
constexpr Absorption kIronBelow = {706.7, 1.983e5};
constexpr std::array<Absorption, 4> kIron = {
    {{706.9, 1.683e6}, {725.28, 1.5833e6}, {748.93, 1.4672e6}, {798.57, 1.2629e6}}};

/// Straight line in log-log between two points, and on beyond them.
double log_log(const Absorption& a, const Absorption& b, double energy_eV) {
  const double slope =
      std::log(b.barn_per_atom / a.barn_per_atom) / std::log(b.energy_eV / a.energy_eV);
  return a.barn_per_atom * std::pow(energy_eV / a.energy_eV, slope);
}

/// Absorption by the L shell alone, measured from its step; barn/atom.
double iron_l_barn(double energy_eV) {
  std::size_t upper = 1;
  while (upper + 1 < kIron.size() && energy_eV > kIron[upper].energy_eV) {
    ++upper;
  }
  const double total = log_log(kIron[upper - 1], kIron[upper], energy_eV);
  // The shells below fall off about as E^-2.7, the usual exponent between edges (common practice).
  const double below = kIronBelow.barn_per_atom * std::pow(kIronBelow.energy_eV / energy_eV, 2.7);
  return total - below;
}

struct Scattering {
  double energy_eV, f2;
};
// The same table, as scattering factors, between the M and the L step.
constexpr std::array<Scattering, 8> kIronM = {{{75.5076, 7.28864},
                                               {100.790, 7.68101},
                                               {150.530, 7.89217},
                                               {200.932, 7.18766},
                                               {300.092, 5.58217},
                                               {400.573, 4.00915},
                                               {543.346, 2.72935},
                                               {706.700, 2.00516}}};

/// f2 of the M shell alone. Below its step f2 falls from 2.87039 at 40.3861 eV to 2.46550
/// at 51.3753 eV; that power law goes on for the electrons further out.
double iron_m_f2(const Scattering& point) {
  const double slope = std::log(2.46550 / 2.87039) / std::log(51.3753 / 40.3861);
  return point.f2 - 2.46550 * std::pow(point.energy_eV / 51.3753, slope);
}

/// df/dE = sigma / 109.761 Mb eV, from sigma = 2 r0 lambda f2 and df/dE = 2 f2 / (pi E) (Henke
/// 1993).
constexpr double kBarnEv = 109.761e6;

/// A step of unit height, as wide as the core hole: the double arctangent of white-line work.
double step(double loss_eV, double onset_eV, double width_eV) {
  return 0.5 + std::atan((loss_eV - onset_eV) / (0.5 * width_eV)) / kPi;
}

}  // namespace

double hydrogenic_k_strength(int z, double loss_eV, double q_a0_squared) {
  const double charge = z == 1 ? 1.0 : z - 0.3;
  const double electrons = z == 1 ? 1.0 : 2.0;
  const double q = q_a0_squared / (charge * charge);
  const double k2 = loss_eV / (charge * charge * kRydberg_eV) - 1.0;
  const double inner = (q - k2 + 1.0) * (q - k2 + 1.0) + 4.0 * k2;
  const double denominator = inner * inner * inner;
  double phase = 0;
  if (k2 > 1e-8) {
    const double k = std::sqrt(k2);
    const double angle = std::atan2(2.0 * k, q - k2 + 1.0);
    phase = std::exp(-2.0 * angle / k) / (1.0 - std::exp(-2.0 * kPi / k));
  } else if (k2 < -1e-8) {
    const double k = std::sqrt(-k2);
    phase = std::exp(-std::log((q + 1.0 - k2 + 2.0 * k) / (q + 1.0 - k2 - 2.0 * k)) / k);
  } else {
    phase = std::exp(-4.0 / (q + 1.0));  // both branches' limit at the threshold
  }
  const double per_two =
      256.0 * loss_eV * (q + k2 / 3.0 + 1.0 / 3.0) * phase /
      (charge * charge * charge * charge * kRydberg_eV * kRydberg_eV * denominator);
  return per_two * electrons / 2.0;
}

double k_shell_nm2_per_eV(int z, double edge_eV, double loss_eV, double e0_eV,
                          double collection_rad) {
  if (loss_eV < edge_eV) {
    return 0;
  }
  const double t = physics::half_m_v_squared_eV(e0_eV);
  const double gamma = physics::lorentz_factor(e0_eV);
  const double forward =
      loss_eV * loss_eV / (4.0 * kRydberg_eV * t) +
      loss_eV * loss_eV * loss_eV / (8.0 * gamma * gamma * gamma * kRydberg_eV * t * t);
  const double sine = std::sin(0.5 * collection_rad);
  const double widest = forward + 4.0 * gamma * gamma * (t / kRydberg_eV) * sine * sine;
  // Simpson's rule in ln (q a0)^2, in which the integrand is smooth.
  constexpr int kSteps = 20;
  const double span = std::log(widest / forward);
  double sum = 0;
  for (int i = 0; i <= kSteps; ++i) {
    const double weight = i == 0 || i == kSteps ? 1.0 : (i % 2 == 1 ? 4.0 : 2.0);
    sum += weight * hydrogenic_k_strength(z, loss_eV, forward * std::exp(span * i / kSteps));
  }
  const double integral = sum * span / (3.0 * kSteps);
  return kFourPiA0Squared_nm2 * kRydberg_eV * kRydberg_eV / (loss_eV * t) * integral;
}

double dipole_nm2_per_eV(double strength_per_eV, double loss_eV, double e0_eV,
                         double collection_rad) {
  const double t = physics::half_m_v_squared_eV(e0_eV);
  return kFourPiA0Squared_nm2 * kRydberg_eV * kRydberg_eV / (loss_eV * t) * strength_per_eV *
         physics::dipole_angular_factor(loss_eV, e0_eV, collection_rad);
}

double iron_l_continuum_per_eV(double loss_eV, double l3_eV) {
  if (loss_eV < l3_eV - 60.0) {
    return 0;  // the arctangent's far tail means nothing
  }
  // Widths of the core holes: J. L. Campbell, T. Papp, At. Data Nucl. Data Tables 77, 1 (2001).
  const double steps =
      step(loss_eV, l3_eV, 0.41) * 2.0 / 3.0 + step(loss_eV, l3_eV + kIronL2AboveL3_eV, 1.14) / 3.0;
  const double table_eV =
      loss_eV - l3_eV + kIron[0].energy_eV;  // the table has its step at 706.8 eV
  const double l1 = 1.0 + 0.129 * step(loss_eV, l3_eV + 137.8, 7.0);
  return steps * l1 * iron_l_barn(table_eV < kIron[0].energy_eV ? kIron[0].energy_eV : table_eV) /
         kBarnEv;
}

double iron_m_continuum_per_eV(double loss_eV) {
  if (loss_eV < kIronM_eV - 20.0) {
    return 0;  // the arctangent's far tail means nothing
  }
  std::size_t upper = 1;
  while (upper + 1 < kIronM.size() && loss_eV > kIronM[upper].energy_eV) {
    ++upper;
  }
  const double a = iron_m_f2(kIronM[upper - 1]);
  const double b = iron_m_f2(kIronM[upper]);
  const double slope =
      std::log(b / a) / std::log(kIronM[upper].energy_eV / kIronM[upper - 1].energy_eV);
  const double f2 = a * std::pow(loss_eV / kIronM[upper - 1].energy_eV, slope);
  return step(loss_eV, kIronM_eV, 1.23) * 2.0 * f2 / (kPi * loss_eV);
}

double line_per_eV(double loss_eV, double centre_eV, double lorentz_eV, double gauss_eV) {
  const double l = lorentz_eV;
  const double g = gauss_eV;
  const double fifth = std::pow(g, 5) + 2.69269 * std::pow(g, 4) * l + 2.42843 * g * g * g * l * l +
                       4.47163 * g * g * l * l * l + 0.07842 * g * std::pow(l, 4) + std::pow(l, 5);
  const double width = std::pow(fifth, 0.2);
  const double part = l / width;
  const double mixing = 1.36603 * part - 0.47719 * part * part + 0.11116 * part * part * part;
  const double x = (loss_eV - centre_eV) / (0.5 * width);
  const double lorentz = 1.0 / (kPi * 0.5 * width * (1.0 + x * x));
  const double gauss =
      std::sqrt(std::log(2.0) / kPi) / (0.5 * width) * std::exp(-std::log(2.0) * x * x);
  return mixing * lorentz + (1.0 - mixing) * gauss;
}

double drude_loss(double loss_eV, double plasmon_eV, double width_eV) {
  const double p2 = plasmon_eV * plasmon_eV;
  const double difference = loss_eV * loss_eV - p2;
  const double damping = loss_eV * width_eV;
  return loss_eV * width_eV * p2 / (difference * difference + damping * damping);
}

}  // namespace creel::sim
