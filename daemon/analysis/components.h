// Sessions brought to the component fit: dose groups of the specimen, end members as the specimen
// would show them, and the answer's error from the frames' own noise.
//
// An end member comes as its single-scattering edge (edge.h). The specimen's plural scattering is
// put onto it and, where the specimen's resolution is worse, the Gaussian that is missing; so
// nothing is deconvolved in the data that are fitted, and their noise stays what the detector made
// it.
//
// The error has two forms. `fit.covariance` takes channels as independent with the noise that the
// frames showed, added up over neighbours. `sigma_x0` carries every covariance that is known
// through the fit's functional: neighbours, mean darks shared by all groups, the gain map, the end
// members' own frames, background and deconvolution, what zero-loss references leave open of each
// session's axis. They should agree; both are reported.
#pragma once

#include <string>
#include <vector>

#include "daemon/analysis/component_fit.h"
#include "daemon/analysis/edge.h"
#include "daemon/analysis/zero_dose.h"

namespace creel::analysis {

/// A session with what was measured of it; all three outlive the call.
struct MeasuredSession {
  const SessionSpectra* session = nullptr;
  const SingleScattering* single = nullptr;
  const EdgeMeasurement* edge = nullptr;  ///< end members: of one dose group
};

struct ComponentChoice {
  DamageLaw law = DamageLaw::first_order;
  BeamProfile profile = BeamProfile::flat;
  double axis_error_ev = 0;  ///< as EvaluationOptions
  double width_error_ev2 =
      0;  ///< one standard deviation by which the squared widths (FWHM / 2.355)
          ///< of specimen and end members may differ beyond their zero losses
};

/// Another damage law, for comparison.
struct LawCompared {
  DamageLaw law = DamageLaw::first_order;
  double x0 = 0, sigma_x0 = 0;  ///< sigma of the channels alone
  double k = 0;
  double shape = 0;  ///< part of the plateau, or power of the dose rate; 0 of other laws
  double deviance = 0;
  double evidence = 0;  ///< Bayesian information criterion less that of the first-order law, the
                        ///< deviance over the excess of noise that neighbours share: below
                        ///< -6 it speaks for this law (G. Schwarz, Ann. Stat. 6, 461 (1978); R. E.
                        ///< Kass, A. E. Raftery, J. Am. Stat. Assoc. 90, 773 (1995))
};

struct ComponentAnswer : ZeroDose {
  ComponentFit fit;
  double counting_sigma_x0 = 0;  ///< of `fit.covariance`: channels independent, end members' sizes
                                 ///< exact
  double unlikely_above = 0;     ///< deviance that chance exceeds once in 4000 sessions
  std::vector<LawCompared> laws;
  std::string rate_law_withheld;  ///< why the power of the dose rate is not among them
  double mean_survival = 1;       ///< of the high state, over the exposures
  double by_axis_tenth_ev = 0;    ///< change of x0 if the end members' axis were 0.1 eV off
  double too_sharp_ev = 0;  ///< by how much an end member's zero loss is wider than the specimen's
                            ///< (FWHM in quadrature); 0: none
  std::vector<double> doses;      ///< mean of each group
  std::vector<double> energy_ev;  ///< of `fit.model` and its like
  std::vector<double> counts;     ///< sum over the groups, on the same channels
};

/// refused, with the reason: too few counts, the fit finds no end, an error of x0 above 0.5.
Result<ComponentAnswer> fit_sessions(const MeasuredSession& specimen, const MeasuredSession& low,
                                     const MeasuredSession& high, const WhiteLineWindows& windows,
                                     const ComponentChoice& choice);

/// A night that has not been recorded yet, in terms of one that has: the pilot, a session of the
/// same or a similar specimen on the same rig.
struct PlannedNight {
  struct Group {
    double pilot_frames = 0;  ///< signal, in exposures of the pilot: electrons over its electrons
    double frames = 0;        ///< exposures that are read out: each brings its read noise
    std::vector<DoseInterval> doses;
  };
  std::vector<Group> groups;
  double metal = 1, background = 1;  ///< per electron, in terms of the pilot's
  double x0 = 0.5, rate = 0;         ///< what is presumed of the specimen
  double excess_noise = 1;           ///< of the noise per count, in terms of the pilot's detector
  double read_noise = 1;             ///< of its variance
  double added_fwhm2_ev2 = 0;        ///< FWHM^2 of the zero loss beyond the pilot's, >= 0
};

/// What such a night would tell. Of the answer's members only errors and `fit` mean anything.
/// Errors as for fit_sessions.
Result<ComponentAnswer> forecast_sessions(const PlannedNight& night, const MeasuredSession& pilot,
                                          const MeasuredSession& low, const MeasuredSession& high,
                                          const WhiteLineWindows& windows,
                                          const ComponentChoice& choice);

/// What is fitted: from the background window to well behind the lines.
Window component_range(const WhiteLineWindows& windows);

}  // namespace creel::analysis
