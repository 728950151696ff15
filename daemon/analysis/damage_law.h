// How the part x of atoms in the high state falls with dose, averaged over an exposure and over the
// beam. Every law gives the part that survives, x(D) = x0 s(D), s(0) = 1:
//
//   first_order    s = e^(-k D)                      each electron hits an atom that is still high
//   second_order   s = 1 / (1 + k D)                 two damaged neighbours are needed, or the
//                                                    damage is driven by what it produces
//   plateau        s = p + (1 - p) e^(-k D)          a part p cannot be reduced
//   rate_power     s = e^(-k r^n D)                  reciprocity fails: an electron does more or
//   less
//                                                    harm when more come at once
//
// r is the dose rate over the one that k belongs to. In rate_power the dose that was there before
// counts at its own rate.
//
// Source: first order: R. F. Egerton, Electron Energy-Loss Spectroscopy in the Electron Microscope,
// 3rd ed., Springer 2011, sec. 5.7; the hyperbolic form was found for poly(methyl methacrylate) in
// J. Synchrotron Rad. 25 (2018). A power of the rate: K. Schwarzschild, Astrophys. J. 11, 89
// (1900), for photographic plates, whose effect goes as (intensity) (time)^p, so that n = 1/p - 1
// here; in radiation chemistry a chain that ends by two radicals meeting has n = -1/2 (J. W. T.
// Spinks, R. J. Woods, An Introduction to Radiation Chemistry, Wiley; from memory). k is 1 /
// (critical dose), angstrom^2/e.
#pragma once

#include <cstdint>
#include <span>
#include <string_view>

namespace creel::analysis {

/// Of the beam on the specimen: each electron's dose is the local one, and doses are given at the
/// middle.
enum class BeamProfile : std::uint8_t { flat, gaussian };

struct DoseInterval {
  double before = 0, after = 0;  ///< e/angstrom^2
  double weight = 1;             ///< exposures
  double rate = 1;               ///< r while the dose grew
  double rate_before = 1;        ///< geometric mean over the dose before
};

enum class DamageLaw : std::uint8_t { none, first_order, second_order, plateau, rate_power };
std::string_view name(DamageLaw law);

/// Mean of s while the dose grew from before to after, over the beam's profile. k D may have any
/// sign: a fit must be able to say that nothing falls; 1 + |k| D continues the second-order law
/// there. `shape` is the second number of the laws that have one: p of the plateau, n of the power.
double survival(const DoseInterval& dose, double k, BeamProfile profile,
                DamageLaw law = DamageLaw::first_order, double shape = 0);
/// Mean over several exposures, by weight. 1 for none.
double mean_survival(std::span<const DoseInterval> doses, double k, BeamProfile profile,
                     DamageLaw law = DamageLaw::first_order, double shape = 0);

/// Mean of the exposures' middles, by weight, e/angstrom^2. 0 for none.
double mean_dose(std::span<const DoseInterval> doses);

}  // namespace creel::analysis
