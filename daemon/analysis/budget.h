// Before the night: can this dose answer the question?
//
// What a planned night would tell is worked out from sessions that exist: a pilot (the same
// specimen on a sacrificial area, or a standard) says how many counts of background and of the
// metal's edge one electron gives and what noise the detector adds; the end members are those that
// will be used. The error is that of the fit that will be made (components.h), at the data which
// its own model expects. So everything that enters the error bar afterwards is in the forecast:
// unknown damage rate, backgrounds, the end members' own noise.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "daemon/analysis/evaluate.h"

namespace creel::analysis {

/// The plan, in numbers.
struct BudgetPlan {
  double dose_rate = 0;         ///< e/angstrom^2 s, on the specimen
  double lit_area_a2 = 0;       ///< of one area, angstrom^2; 0: not known, taken as the pilot's
  double exposure_s = 0;        ///< of one frame
  double seconds_per_area = 0;  ///< of specimen exposures
  double dose_per_area = 0;     ///< e/angstrom^2, references through the specimen included
  double areas = 1;
  double pilot_dose_rate = 0, pilot_lit_area_a2 = 0, pilot_exposure_s = 0;
};

struct BudgetOptions {
  std::string element = "Fe";
  std::optional<double> critical_dose;  ///< e/angstrom^2; nothing: no damage is presumed
  double target = 0.05;                 ///< wanted error of x0
  double x0 = 0.5;                      ///< presumed part in the high state
  double metal = 1;                     ///< metal per area in the specimen over that in the pilot
  double background = 1;                ///< likewise what lies under the edge
  BeamProfile profile = BeamProfile::flat;
  double axis_error_ev = 0;
  /// FWHM^2 that the planned charge of a pulse adds to the zero loss, eV^2; it grows as the square
  /// of the charge (`creel calibrate emission`). Nothing: not known on this rig.
  std::optional<double> charge_adds_ev2;
};

struct Budget {
  double electrons = 0;      ///< on all areas; NaN without a lit area
  double counts_l3 = 0;      ///< counts of the L3 line over the background, all exposures
  double background_l3 = 0;  ///< counts under it
  double sigma_x0 = 0;       ///< with the damage rate unknown
  double sigma_x0_known_damage = 0;
  double sigma_ratio_relative = 0;  ///< of the white-line ratio L3/L2; NaN: L2 will not stand out
  double right_decision = 0;        ///< probability to take a pure low or high state for what it is
  double dose_over_critical = 0;    ///< NaN without
  double best_dose_summed = 0;      ///< for one sum with known damage: 1.256 critical doses
  double best_dose_joint = 0;       ///< beyond it the joint fit gains less than 5 %
  double sigma_at_best_joint = 0;
  double areas_needed = 0;         ///< like this one, for the target
  double lit_diameter_factor = 0;  ///< instead: by how much wider the lit region
  double least_exposure_s = 0;     ///< below it read noise is more than a tenth of the noise
  double most_exposure_s = 0;      ///< above it one exposure is more than a tenth of the
                                   ///< critical dose; infinite without one
  double zero_loss_fwhm_ev = 0;    ///< of the pilot; NaN without zero-loss references
  double widest_fwhm_ev = 0;  ///< of the zero loss at which sigma_x0 is a tenth larger; NaN: not
                              ///< known, infinite: not below eight times the pilot's
  double most_charge = 0;     ///< the charge of a pulse at which that is reached, over the planned;
                              ///< NaN: not known, infinite: never
  bool answers = false;       ///< sigma_x0 within the target
  struct WhatIf {
    std::string what;
    double sigma_x0 = 0;
  };
  std::vector<WhatIf> what_if;  ///< thickness, detector, axis, charge of a pulse
  std::vector<std::string> remarks;
};

/// refused, with the reason: sessions that hold no edge, references that do not differ; a plan
/// without specimen exposures is invalid_request.
Result<Budget> make_budget(const BudgetPlan& plan, const SessionSpectra& pilot,
                           const SessionSpectra& low, const SessionSpectra& high,
                           const BudgetOptions& options);

/// The dose at which one summed exposure of a signal that decays as exp(-D/Dc) stands best above
/// Poisson noise, in critical doses: the root of e^x = 1 + 2 x, 1.2564.
double best_summed_dose();

}  // namespace creel::analysis
