// The evaluation of a session: white-line ratio and, with two reference sessions, the oxidation
// state at zero dose. Pure numerics: the same input gives the same output.
//
//   sum of aligned exposures -> background -> plural scattering removed -> two-step line areas
//   (background.h)              (plural.h)                                (white_lines.h)
//   exposures by dose + references -> oxidation state at zero dose (components.h), and by other
//   methods beside it (oxidation.h, window_methods.h)
//
// How it is used:
//   SpectraCollector collector({name, shape, dispersion_ev, gain_map});
//   for each frame: collector.add(frame_info(record), bytes)
//   auto spectra = collector.finish();
//   auto answer = evaluate(*specimen, {{&*ferrous, 2.0}, {&*ferric, 3.0}}, {});
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/analysis/components.h"
#include "daemon/analysis/edge.h"
#include "daemon/analysis/elements.h"
#include "daemon/analysis/oxidation.h"
#include "daemon/analysis/window_methods.h"
#include "daemon/losses/conditions.h"
#include "daemon/losses/low_loss.h"
#include "daemon/spectra/session_spectra.h"

namespace creel::analysis {

/// An end member: a session recorded like the specimen's, all of whose metal is in one known state.
struct Reference {
  const SessionSpectra* spectra = nullptr;
  double state = 0;  ///< oxidation state, for instance 2
};

struct EvaluationOptions {
  std::string element = "Fe";
  std::optional<WhiteLineWindows> windows;  ///< nothing: the element's own
  BeamProfile profile = BeamProfile::flat;
  std::size_t dose_groups = 10;  ///< at most; fewer when there are not 4 exposures for each, or
                                 ///< when the lines of a group would not stand out
  double axis_error_ev = 0;      ///< one standard deviation by which the energy axes of different
                                 ///< sessions may differ although their zero losses agree (offset
                                 ///< supply); goes into the error
  double loss_width_ev = 2;      ///< see SingleScattering
  bool vary_background = true;   ///< evaluates with three other background windows as well
  bool without_frames = false;   ///< spectra of other programs (foreign.h): no dose, no darks
  std::size_t bootstrap = 0;     ///< evaluations of resampled exposures; 0 = none
  std::uint64_t bootstrap_seed = 1;
  DamageLaw law = DamageLaw::first_order;
  double width_error_ev2 = 0;              ///< see ComponentChoice
  std::optional<CurveCoefficients> curve;  ///< for two windows of 2 eV
  Conditions conditions;                   ///< of the specimen's session
};

/// The ratio by dose, for the picture.
struct RatioAtDose {
  double dose = 0;              ///< mean of the exposures' middles, e/angstrom^2
  double ratio = 0, sigma = 0;  ///< NaN where L2 does not stand out
  double x = 0, sigma_x = 0;    ///< part in the high state; NaN without references
  double fitted_x = 0;          ///< of the fit over all groups; NaN without
  std::uint64_t frames = 0;
};

/// One session within an evaluation.
struct SessionReport {
  std::string name;
  double state = 0;  ///< references only
  std::uint64_t frames = 0, specimen_frames = 0, dark_frames = 0, zero_loss_frames = 0;
  std::uint64_t left_out = 0, saturated = 0, without_dark = 0, off_axis = 0, spikes = 0,
                bad_pixels = 0;
  std::string gain_map;
  double zero_loss_fwhm_ev = 0;
  double drift_least_ev = 0, drift_most_ev = 0, drift_scatter_ev = 0;
  std::optional<double> t_over_lambda;  ///< nothing: no low loss
  double counts_per_electron = 0;       ///< slope of the noise, neighbours added up
  double noise_factor = 1;              ///< see EdgeMeasurement
  bool noise_widened = false;
  std::optional<Ratio> ratio;               ///< L3/L2, plural scattering removed
  double exponent = 0, sigma_exponent = 0;  ///< of the background
};

struct Evaluation {
  std::string element;
  bool without_frames = false;  ///< the state is then the mean over an unknown dose
  WhiteLineWindows windows;
  SessionReport specimen;
  std::vector<SessionReport> references;  ///< low state first; empty: none given

  // Spectra of the specimen, by channel.
  std::vector<double> energy_ev;                   ///< centres
  std::vector<double> sum, sum_sigma, background;  ///< counts
  std::vector<double> edge_sigma;                  ///< of `edge`; neighbours taken as independent
  std::vector<double> residual_sigma;  ///< of `residual`: the references' noise is in it
  std::vector<double> edge;            ///< background and plural scattering removed
  std::vector<double> steps;           ///< the two steps under it
  std::vector<double> reference_low, reference_high;  ///< as they take part in `fit`; empty: none
  std::vector<double> fit;                            ///< their sum
  std::vector<double> residual;                       ///< edge - fit

  double l3 = 0, sigma_l3 = 0, l2 = 0, sigma_l2 = 0, height = 0, sigma_height = 0;
  double background_h = 1;  ///< of the L2 window
  std::optional<Ratio> ratio;
  std::string ratio_withheld;  ///< why there is no ratio
  std::vector<RatioAtDose> by_dose;

  std::optional<ComponentAnswer> oxidation;  ///< the answer; x0: part in the high state
  std::string oxidation_withheld;            ///< why there is none
  // The same by other methods, beside it.
  std::optional<OxidationFit> by_areas;  ///< three areas of the white lines, fitted over dose
  std::string by_areas_withheld;
  std::vector<MethodAnswer> methods;
  double state = 0, sigma_state = 0;  ///< oxidation state at zero dose; NaN without
  /// Largest change of x0 and of the ratio with other background windows. Not part of the errors.
  double x0_by_background = 0, ratio_by_background = 0;
  /// Scatter of x0 over evaluations of exposures drawn anew, with replacement, within each tenth of
  /// each session (B. Efron, Ann. Stat. 7, 1 (1979)); darks and gain map stay. NaN: not asked for.
  double bootstrap_sigma_x0 = 0;
  std::uint64_t bootstrap_evaluations = 0;
  /// Change of x0 if the references' axis were 0.1 eV off against the specimen's.
  double x0_by_tenth_ev = 0;
  LowLoss low_loss;                  ///< of the specimen
  Elements elements;                 ///< of the specimen
  std::vector<std::string> remarks;  ///< sentences for the report
};

/// @param references  none, or two of different states in any order.
/// An error only where not even a spectrum can be shown; a ratio or state that cannot be told is
/// withheld with its reason instead.
Result<Evaluation> evaluate(const SessionSpectra& specimen, std::span<const Reference> references,
                            const EvaluationOptions& options);

}  // namespace creel::analysis
