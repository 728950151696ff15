#include "daemon/losses/cross_sections.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <string>

#include "protocol/physics/constants.h"
#include "protocol/physics/kinematics.h"

namespace creel::analysis {

namespace {

using physics::kPi;
using physics::kRydberg_eV;

constexpr double kBarnPerNm2 = 1.0 / physics::kBarn_nm2;

/// Simpson's rule.
template <class Function>
double integral_of(Function&& f, double from, double to, int halves) {
  const double step = (to - from) / (2.0 * halves);
  double sum = f(from) + f(to);
  for (int i = 1; i < 2 * halves; ++i) {
    sum += (i % 2 == 1 ? 4.0 : 2.0) * f(from + i * step);
  }
  return sum * step / 3.0;
}

/// 4 pi a0^2 R^2 / (E T), barn eV.
double prefactor_barn(double loss_ev, double e0_ev) {
  const double a0_nm = 1e9 * physics::kBohrRadius_m;
  return 4.0 * kPi * a0_nm * a0_nm * kRydberg_eV * kRydberg_eV * kBarnPerNm2 /
         (loss_ev * physics::half_m_v_squared_eV(e0_ev));
}

double k_shell_barn_per_ev(int z, double loss_ev, double e0_ev, double collection_rad) {
  const double t = physics::half_m_v_squared_eV(e0_ev);
  const double gamma = physics::lorentz_factor(e0_ev);
  const double r = kRydberg_eV;
  // (q a0)^2 straight ahead and at the edge of the aperture (Egerton 2011, eq. 3.144, 3.146).
  const double least = loss_ev * loss_ev / (4.0 * r * t) +
                       std::pow(loss_ev, 3) / (8.0 * std::pow(gamma, 3) * r * t * t);
  const double sine = std::sin(0.5 * collection_rad);
  const double most = least + 4.0 * gamma * gamma * t / r * sine * sine;
  return prefactor_barn(loss_ev, e0_ev) *
         integral_of([&](double ln_q2) { return k_shell_strength(z, loss_ev, std::exp(ln_q2)); },
                     std::log(least), std::log(most), 40);
}

struct Point {
  double ev, f2;
};

/// f2 of Henke, Gullikson, Davis 1993: two points before the L3 step, for the shells further out,
/// and five or six from the step to before L1.
struct Absorption {
  std::string_view element;
  std::array<Point, 2> before;
  std::array<Point, 6> behind;
};
constexpr std::array<Absorption, 8> kAbsorption = {{{"Ti",
                                                     {{{352.36, 2.22613}, {441.11, 1.74643}}},
                                                     {{{453.9, 15.6413},
                                                       {470.35, 15.0092},
                                                       {501.52, 13.9333},
                                                       {526.26, 13.1769},
                                                       {543.42, 12.6961},
                                                       {552.21, 12.4623}}}},
                                                    {"V",
                                                     {{{407.05, 2.30966}, {509.57, 1.78653}}},
                                                     {{{512.2, 15.8717},
                                                       {526.19, 15.36},
                                                       {561.07, 14.1915},
                                                       {570.14, 13.9247},
                                                       {588.73, 13.861},
                                                       {617.76, 13.9511}}}},
                                                    {"Cr",
                                                     {{{455.44, 2.44321}, {570.14, 1.92952}}},
                                                     {{{574.2, 16.9731},
                                                       {598.25, 15.7475},
                                                       {627.76, 14.4222},
                                                       {648.23, 13.8947},
                                                       {669.36, 13.6002},
                                                       {691.19, 13.7363}}}},
                                                    {"Mn",
                                                     {{{509.57, 2.45524}, {637.91, 1.92599}}},
                                                     {{{638.8, 16.5984},
                                                       {669.36, 15.7245},
                                                       {702.37, 14.8725},
                                                       {737.01, 13.967},
                                                       {748.93, 13.9671},
                                                       {761.04, 14.2068}}}},
                                                    {"Fe",
                                                     {{{561.07, 2.62014}, {706.7, 2.00516}}},
                                                     {{{706.9, 17.0241},
                                                       {737.01, 16.0756},
                                                       {761.04, 15.3828},
                                                       {785.86, 14.7261},
                                                       {798.57, 14.4327},
                                                       {837.95, 14.6555}}}},
                                                    {"Co",
                                                     {{{617.76, 2.71346}, {773.35, 2.10004}}},
                                                     {{{778.2, 16.7554},
                                                       {811.49, 15.9628},
                                                       {851.5, 15.0988},
                                                       {879.27, 14.485},
                                                       {893.49, 14.165},
                                                       {922.63, 14.3979}}}},
                                                    {"Ni",
                                                     {{{785.86, 2.31346}, {851.5, 2.1385}}},
                                                     {{{852.8, 17.1612},
                                                       {879.27, 16.4508},
                                                       {922.63, 15.3911},
                                                       {952.72, 14.7422},
                                                       {983.78, 14.2733},
                                                       {999.7, 14.5442}}}},
                                                    {"Cu",
                                                     {{{773.35, 3.1031}, {932.4, 2.14991}}},
                                                     {{{932.6, 18.4786},
                                                       {968.12, 17.2224},
                                                       {999.7, 16.2132},
                                                       {1032.29, 15.2631},
                                                       {1048.99, 14.9435},
                                                       {1083.2, 14.6112}}}}}};

/// A power law through two points.
double through(const Point& a, const Point& b, double ev) {
  return a.f2 * std::pow(ev / a.ev, std::log(b.f2 / a.f2) / std::log(b.ev / a.ev));
}

const Absorption* absorption_of(std::string_view element) {
  const auto found =
      std::find_if(kAbsorption.begin(), kAbsorption.end(),
                   [element](const Absorption& one) { return one.element == element; });
  return found == kAbsorption.end() ? nullptr : &*found;
}

double strength_of(const Absorption& of, double ev) {
  std::size_t upper = 1;
  while (upper + 1 < of.behind.size() && ev > of.behind[upper].ev) {
    ++upper;
  }
  const double f2 =
      through(of.behind[upper - 1], of.behind[upper], ev) - through(of.before[0], of.before[1], ev);
  return 2.0 * f2 / (kPi * ev);  // df/dE = 2 f2 / (pi E), Henke et al. 1993
}

}  // namespace

double k_shell_strength(int z, double loss_ev, double q2) {
  const double charge = z == 1 ? 1.0 : z - 0.3;
  const double electrons = z == 1 ? 1.0 : 2.0;
  const double unit_ev = charge * charge * kRydberg_eV;
  const double q = q2 / (charge * charge);
  double k2 = loss_ev / unit_ev - 1.0;
  if (std::fabs(k2) < 1e-7) {
    k2 = 1e-7;  // the formula's own limit is smooth
  }
  // One formula for both signs of k^2: below the ionisation of the unscreened atom k is imaginary.
  const std::complex<double> k = std::sqrt(std::complex<double>(k2, 0.0));
  const std::complex<double> i(0.0, 1.0);
  const std::complex<double> base = q + 1.0 - k2;
  const std::complex<double> turn =
      std::exp(i / k * (std::log(base + 2.0 * i * k) - std::log(base - 2.0 * i * k)));
  const double free = k2 > 0 ? 1.0 - std::exp(-2.0 * kPi / std::sqrt(k2)) : 1.0;
  const double shape = std::pow((q - k2 + 1.0) * (q - k2 + 1.0) + 4.0 * k2, 3);
  // 128 E (q + (k^2 + 1) / 3) ... / (charge^4 R^2): of one electron.
  return electrons * 128.0 * loss_ev * (q + (k2 + 1.0) / 3.0) * turn.real() /
         (unit_ev * unit_ev * shape * free);
}

Result<double> l_shell_strength(std::string_view element, double loss_ev) {
  const Absorption* of = absorption_of(element);
  if (of == nullptr) {
    return Error{ErrorCode::refused,
                 "no L2,3 cross section of " + std::string(element) + "; Ti to Cu have one"};
  }
  if (loss_ev < of->behind.front().ev || loss_ev > of->behind.back().ev) {
    return Error{ErrorCode::refused, "the L2,3 cross section of " + std::string(element) +
                                         " is known from " + std::to_string(of->behind.front().ev) +
                                         " to " + std::to_string(of->behind.back().ev) + " eV"};
  }
  return strength_of(*of, loss_ev);
}

double k_shell_barn(int z, double onset_ev, const Window& losses, double e0_ev,
                    double collection_rad) {
  return integral_of([&](double ev) { return k_shell_barn_per_ev(z, ev, e0_ev, collection_rad); },
                     std::max(onset_ev, losses.from_ev), std::max(onset_ev, losses.to_ev), 20);
}

Result<double> l_shell_barn(std::string_view element, const Window& losses, double e0_ev,
                            double collection_rad) {
  for (const double ev : {losses.from_ev, losses.to_ev}) {
    const auto known = l_shell_strength(element, ev);
    if (!known) {
      return known.error();
    }
  }
  const Absorption& of = *absorption_of(element);
  return integral_of(
      [&](double ev) {
        return prefactor_barn(ev, e0_ev) * strength_of(of, ev) *
               physics::dipole_angular_factor(ev, e0_ev, collection_rad);
      },
      losses.from_ev, losses.to_ev, 50);
}

}  // namespace creel::analysis
