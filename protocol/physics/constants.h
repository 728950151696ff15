// Physical constants, shared by the simulated world and the analysis so that the two can differ in
// their formulas only, never in their numbers.
//
// Source: CODATA 2018 (E. Tiesinga, P. J. Mohr, D. B. Newell, B. N. Taylor, Rev. Mod. Phys. 93,
// 025010 (2021), doi:10.1103/RevModPhys.93.025010). Those marked exact are fixed by the SI since
// 2019.
#pragma once

namespace creel::physics {

constexpr double kPlanck_Js = 6.62607015e-34;            ///< h, exact
constexpr double kElementaryCharge_C = 1.602176634e-19;  ///< e, exact
constexpr double kSpeedOfLight_m_per_s = 299792458.0;    ///< c, exact
constexpr double kElectronMass_kg = 9.1093837015e-31;
constexpr double kElectronRestEnergy_eV = 510998.95000;  ///< m0 c^2
constexpr double kBohrRadius_m = 5.29177210903e-11;      ///< a0
constexpr double kRydberg_eV =
    13.605693122994;  ///< R, the binding energy of hydrogen 1s, infinite mass
constexpr double kPi = 3.14159265358979323846;

/// One barn, the unit of cross sections in tables, in square nanometres.
constexpr double kBarn_nm2 = 1e-10;
/// Electrons per square angstrom to coulomb per square metre: e / (1e-10 m)^2, exact.
constexpr double kCoulombPerSquareMetre_per_ElectronPerSquareAngstrom = kElementaryCharge_C * 1e20;
/// Electrons per square angstrom to electrons per square nanometre, exact.
constexpr double kPerSquareNanometre_per_PerSquareAngstrom = 100.0;

}  // namespace creel::physics
