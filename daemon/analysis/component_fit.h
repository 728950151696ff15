// The oxidation state by maximum likelihood: every channel of every dose group is fitted at once by
//
//   mu_k(E) = A_k (E/P)^-r_k  +  H_k [ (1 - x_k) L(E - s) + x_k U(E - s) ],     x_k = x0 s(D_k)
//
// with L and U the edges of the two end members as the specimen would show them (its own plural
// scattering and resolution in them), x0 the part of atoms in the high state at zero dose, s(D) a
// damage law. Free are x0, the damage rate k, the second number of the law where it has one, a
// background and a size of each group, and, held near zero by what is known of them, a shift d_k of
// each group's energy axis and a difference b of squared widths. x0, k and the sizes have no
// bounds: bounds would make the error bar a lie near them.
//
// The shifts are what the axis did beyond what zero-loss references say (drift.h). They are normal
// with a covariance that is given, so the counts move them only where they know better than the
// references, and their error is in that of x0. The counts are not moved: a group's model is the
// sum of its exposures' models, each where that exposure's axis stood.
//
// Likelihood: the variance of a channel is  slope * mu + floor  (counting: 1 and 0; a detector that
// integrates: its photon-transfer line). The estimate solves  sum (y - mu)/V dmu/dtheta = 0, which
// is Poisson maximum likelihood where slope = 1 and floor = 0 (W. Cash, Astrophys. J. 228, 939
// (1979)) and quasi-likelihood otherwise (R. W. M. Wedderburn, Biometrika 61, 439 (1974)): right
// from a few counts a channel on, because the weights come from the model and not from the noise in
// the data.
//
// End members that were measured have noise of their own. Taken as exact they would draw x towards
// a half: the noise in U - L counts as signal. So each channel of L and U is fitted too, held to
// its measured value by its error (errors in variables: W. E. Deming, Statistical Adjustment of
// Data, Wiley 1943; Fuller, Measurement Error Models, Wiley 1987). In the same way each channel of
// a mean dark that was taken from several groups is fitted, held to zero: its error is in all of
// them alike. Those few unknowns of each channel are eliminated one channel at a time (Schur
// complement), so that this costs next to nothing.
//
// Solved by Levenberg and Marquardt on the expected information. The inverse of that information
// is the covariance where channels are independent; for a detector whose neighbours are not, the
// answer is also given as a functional of the data (Functional), so that any covariance of the data
// can be carried to it.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "daemon/analysis/damage_law.h"
#include "daemon/spectra/background.h"
#include "protocol/base/result.h"

namespace creel::analysis {

/// Frames of one dose range, added up. All of the same channels as set; where the energy axis
/// drifted among them, the model is moved and not the counts.
struct ComponentGroup {
  std::vector<double> counts;  ///< by channel; size of the grid
  double slope = 1;            ///< > 0; variance of a channel = slope * expected + floor
  double floor = 0;            ///< >= 0; counts^2, without the noise of `dark`
  std::size_t dark = 0;        ///< which of ComponentData::darks was taken off
  double darks_taken = 0;      ///< and how often
  /// How far, in channels, the group's channel 0 lies above the grid's in true loss: one value for
  /// each part of the group and its part of the whole (they sum to 1). Empty: no drift.
  struct Offset {
    double channels = 0, part = 1;
  };
  std::vector<Offset> offsets;
  std::vector<DoseInterval> doses;  ///< empty: no dose is known
};

/// An end member's edge on the grid, any common size; and the variance of its channels (0: exact).
struct EndMember {
  std::vector<double> edge, variance;
};

struct ComponentData {
  Grid grid;            ///< true losses
  double pivot_ev = 0;  ///< P; 0: the middle of the range
  Window range;         ///< what is fitted: from well before the edge to beyond the lines
  Window before_edge;   ///< pure background, for the start
  std::vector<ComponentGroup> groups;
  std::vector<std::vector<double>> darks;    ///< variance of each mean dark, by channel, counts^2
  std::vector<double> shift_covariance_ev2;  ///< of d; groups x groups, positive semidefinite;
                                             ///< empty or all zero: d = 0
  EndMember low, high;
  BeamProfile profile = BeamProfile::flat;
  DamageLaw law = DamageLaw::first_order;
  double width_error_ev2 = 0;  ///< one standard deviation of b; 0: b = 0
};

/// The numbers that all groups share, in this order everywhere. kShape: DamageLaw's second number.
enum Shared : std::size_t { kX0 = 0, kRate = 1, kShape = 2, kWidth = 3 };
constexpr std::size_t kShared = 4;

/// First-order change of an answer by a change of the data: d answer = sum over groups and channels
/// of counts[k][c] dy_k[c], + low[c] dL[c] + high[c] dU[c] + shift[k] dd_k, where dd_k moves what
/// d_k is held to.
struct Functional {
  std::vector<std::vector<double>> counts;
  std::vector<double> low, high;
  std::vector<double> shift;  ///< per eV; empty: held
};

struct ComponentFit {
  double value[kShared] = {};                ///< x0, k, shape, b (eV^2); 0 where held
  double covariance[kShared][kShared] = {};  ///< channels independent; 0 where held
  bool free[kShared] = {};
  struct Group {
    double amplitude = 0, exponent = 0;       ///< background at the pivot, counts per channel
    double height = 0;                        ///< H
    double shift_ev = 0, sigma_shift_ev = 0;  ///< d: by how much the group's zero loss stood higher
    double x = 0;                             ///< x0 s(D)
    double own_x = 0, sigma_own_x = 0;        ///< the group by itself; NaN where it tells nothing
  };
  std::vector<Group> groups;
  double deviance = 0;  ///< twice the log-likelihood missing to a perfect fit, that of the end
                        ///< members, the darks and the shifts included
  std::uint64_t degrees_of_freedom = 0;
  std::uint64_t iterations = 0;
  Functional of_x0, of_rate;
  std::vector<std::vector<double>> expected;  ///< mu of each group, on its own channels
  // For the picture: sums over the groups, on their own channels.
  std::vector<double> model, background, low_part, high_part;
  [[nodiscard]] double sigma(Shared which) const;
};

/// refused: no counts in the range, or the fit finds no end. invalid_request: sizes or values that
/// cannot be. Pure; any thread.
Result<ComponentFit> fit_components(const ComponentData& data);

/// What the fit would reach: the covariance of the shared numbers where the truth is `fit` and the
/// data are what it expects. Used before a night.
struct Expected {
  double x0 = 0, rate = 0, shape = 0;
  struct Group {
    double amplitude = 0, exponent = 0, height = 0;
  };
  std::vector<Group> groups;
};
/// As `fit_components` would give for data that equal the model's expectation. `data.groups[k]
/// .counts` are not looked at.
Result<ComponentFit> expected_fit(const ComponentData& data, const Expected& truth);

}  // namespace creel::analysis
