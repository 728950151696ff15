// The specimen: a film of iron-gall ink whose iron is reduced from Fe(III) to Fe(II) by the beam.
// Invented; the numbers marked "of the scenario" are assumptions that make a plausible film, not
// measurements.
#pragma once

#include <cstdint>
#include <vector>

#include "sim/source.h"

namespace creel::sim {

struct Range {
  double least = 0, most = 0;
};

/// A valence oscillator: plasmon or interband peak; strengths are relative.
struct Oscillator {
  double energy_eV = 0, width_eV = 0, strength = 0;
};

/// Carbon film: pi plasmon and the broad loss near 23 eV (see sim/cross_section.h). Of the
/// scenario.
std::vector<Oscillator> ink_valence();

/// What stands around the metal atom. The ligand field of four neighbours at the corners of a
/// tetrahedron is 4/9 of that of six in an octahedron (C. J. Ballhausen, Introduction to Ligand
/// Field Theory, McGraw-Hill 1962, from memory).
enum class Coordination : std::uint8_t { octahedral, tetrahedral };

struct Specimen {
  // The truth is drawn from the seed within these.
  Range fe3_fraction{0.55, 0.95};  ///< Fe(III) / total Fe at zero dose
  Range critical_dose{15, 45};     ///< e/angstrom^2, Fe(III) falls as exp(-D / Dc)
  Range t_over_lambda{0.3, 0.6};   ///< thickness in inelastic mean free paths
  // Atoms per nm^2 of a film with t/lambda = 0.5; they scale with the thickness. Of the scenario.
  double iron_per_nm2 = 250;
  double carbon_per_nm2 = 3500;
  double oxygen_per_nm2 = 1800;
  Coordination coordination = Coordination::octahedral;  ///< of the iron, in both states
  std::vector<Oscillator> valence = ink_valence();
  double elastic_per_lambda =
      0.15;  ///< exp(-this t/lambda) of the electrons stay within the aperture
  double mass_loss =
      0.10;  ///< part of carbon, oxygen and thickness that the beam removes in the end
  double mass_loss_dose = 100;  ///< e/angstrom^2, first order
  double film_until_um = 500;   ///< stage x beyond which the film ends; of the film only
};

/// What the evaluation must find out and must not be told.
struct Truth {
  double fe3_fraction = 0;
  double critical_dose = 0;
  double t_over_lambda = 0;
};
/// The truth of this seed: a pure function. Evaluation never calls it; a training night reveals it
/// afterwards. `which` sets specimens of one seed apart; 0 = the film.
Truth truth_of(const Specimen& specimen, std::uint64_t seed, std::uint64_t which = 0);

/// Mean of exp(-D/Dc) over an exposure in which the dose at the middle of the beam grew from
/// `before` to `after` (>= before), over the beam's profile. Flat: (e^-u0 - e^-u1)/(u1 - u0), u =
/// D/Dc. Gaussian: each electron's share of the profile gives (1 - e^-u)/u at peak dose u Dc, and
/// its mean over u is (Ein(u1) - Ein(u0))/(u1 - u0), Ein the entire exponential integral
/// (Abramowitz and Stegun 5.1.40).
double mean_survival(Profile profile, double before, double after, double critical_dose);

}  // namespace creel::sim
