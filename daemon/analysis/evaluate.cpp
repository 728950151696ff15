#include "daemon/analysis/evaluate.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
#include <random>
#include <utility>

namespace creel::analysis {

namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr std::size_t kFramesPerGroup = 4;
constexpr double kClearGroup = 10;  // standard deviations of a group's L3

std::string number(double value, const char* format = "%.3g") {
  char text[48];
  std::snprintf(text, sizeof text, format, value);
  return text;
}

struct Prepared {
  const SessionSpectra* session = nullptr;
  SingleScattering single{0};
  std::optional<Thickness> thickness;
  EdgeMeasurement edge;
};

Result<Prepared> prepare(const SessionSpectra& session, const WhiteLineWindows& windows,
                         const EvaluationOptions& options, std::size_t groups) {
  Prepared made;
  made.session = &session;
  auto single = single_scattering_of(session, options.loss_width_ev);
  if (!single) {
    return single.error();
  }
  made.single = std::move(*single);
  if (!session.low_loss.empty() && session.zero_loss) {
    const auto thick = thickness(session.low_loss, session.low_loss_grid.first_ev,
                                 session.dispersion_ev, session.zero_loss->fwhm_ev());
    if (!thick) {
      return thick.error().during("session " + session.name);
    }
    made.thickness = *thick;
  }
  auto edge = measure_edge(session, windows, made.single, groups);
  if (!edge) {
    return edge.error();
  }
  made.edge = std::move(*edge);
  return made;
}

/// Covariance of all numbers of one session summed over its groups.
std::array<EdgeNumbers, kQuantities> total_covariance(const Prepared& of) {
  std::array<EdgeNumbers, kQuantities> total{};
  for (std::size_t k = 0; k < of.edge.numbers.size(); ++k) {
    for (std::size_t i = 0; i < kQuantities; ++i) {
      for (std::size_t j = 0; j < kQuantities; ++j) {
        total[i][j] += of.edge.carried[k].own(i, j);
        for (std::size_t l = 0; l < of.edge.numbers.size(); ++l) {
          total[i][j] +=
              shared_noise(*of.session, of.edge.carried[k], i, *of.session, of.edge.carried[l], j);
        }
      }
    }
  }
  return total;
}

EdgeNumbers total_numbers(const Prepared& of) {
  EdgeNumbers total{};
  for (const EdgeNumbers& numbers : of.edge.numbers) {
    for (std::size_t i = 0; i < kQuantities; ++i) {
      total[i] += numbers[i];
    }
  }
  return total;
}

double variance_of_l3(const std::array<EdgeNumbers, kQuantities>& c) {
  return c[kL3Low][kL3Low] + 2 * c[kL3Low][kL3High] + c[kL3High][kL3High];
}

Result<Ratio> ratio_of(const EdgeNumbers& numbers,
                       const std::array<EdgeNumbers, kQuantities>& covariance) {
  return ratio(numbers[kL3Low] + numbers[kL3High], numbers[kL2], variance_of_l3(covariance),
               covariance[kL2][kL2], covariance[kL3Low][kL2] + covariance[kL3High][kL2]);
}

SessionReport describe(const Prepared& of, double state) {
  const SessionSpectra& session = *of.session;
  SessionReport report;
  report.name = session.name;
  report.state = state;
  report.frames = session.frames;
  report.specimen_frames = of.edge.frames;
  report.dark_frames = session.dark_frames;
  report.zero_loss_frames = session.zero_loss_frames;
  report.left_out = session.left_out;
  report.saturated = session.saturated;
  report.without_dark = session.without_dark;
  report.off_axis = of.edge.frames_off_axis;
  report.spikes = session.spikes;
  report.bad_pixels = session.bad_pixels;
  report.gain_map = session.gain_map;
  report.zero_loss_fwhm_ev = session.zero_loss ? session.zero_loss->fwhm_ev() : kNan;
  report.drift_least_ev = session.drift.least_ev();
  report.drift_most_ev = session.drift.most_ev();
  report.drift_scatter_ev = session.drift.scatter_ev();
  if (of.thickness) {
    report.t_over_lambda = of.thickness->t_over_lambda;
  }
  report.counts_per_electron = of.edge.noise.slope[0];
  for (std::size_t lag = 1; lag < kLags; ++lag) {
    report.counts_per_electron += 2 * of.edge.noise.slope[lag];
  }
  report.noise_factor = of.edge.noise_factor;
  report.noise_widened = of.edge.noise_widened;
  const auto found = ratio_of(total_numbers(of), total_covariance(of));
  if (found) {
    report.ratio = *found;
  }
  report.exponent = of.edge.background.exponent;
  report.sigma_exponent =
      std::sqrt(of.edge.background.var_exponent * std::max(0.0, of.edge.noise.slope[0]));
  return report;
}

/// The data of the fit: areas by dose, references, and the covariance of all of them.
OxidationData oxidation_data(const Prepared& specimen, const Prepared& low, const Prepared& high,
                             const EvaluationOptions& options) {
  OxidationData data;
  data.profile = options.profile;
  data.doses = specimen.edge.doses;
  struct Place {
    const Prepared* of;
    std::size_t group, quantity;
    bool specimen;
  };
  std::vector<Place> places;
  for (std::size_t k = 0; k < specimen.edge.numbers.size(); ++k) {
    LineAreas areas{};
    for (std::size_t i = 0; i < kLines; ++i) {
      areas[i] = specimen.edge.numbers[k][i];
      places.push_back({&specimen, k, i, true});
    }
    data.areas.push_back(areas);
  }
  data.low = low.edge.numbers.front();
  data.high = high.edge.numbers.front();
  for (const Prepared* reference : {&low, &high}) {
    for (std::size_t i = 0; i < kQuantities; ++i) {
      places.push_back({reference, 0, i, false});
    }
  }
  data.covariance = Covariance(places.size());
  const double shift = options.axis_error_ev * options.axis_error_ev;
  for (std::size_t a = 0; a < places.size(); ++a) {
    for (std::size_t b = 0; b < places.size(); ++b) {
      const Place& p = places[a];
      const Place& q = places[b];
      const CarriedNoise& of_p = p.of->edge.carried[p.group];
      const CarriedNoise& of_q = q.of->edge.carried[q.group];
      double value =
          shared_noise(*p.of->session, of_p, p.quantity, *q.of->session, of_q, q.quantity);
      if (p.of == q.of) {
        value += p.group == q.group ? of_p.own(p.quantity, q.quantity) : 0.0;
        value += shift * of_p.by_shift(p.quantity) * of_q.by_shift(q.quantity);
      }
      data.covariance.at(a, b) = value;
    }
  }
  return data;
}

/// As many dose groups as the counts allow: L3 of each well above its noise, so that the height of
/// a group, which is free, is not a number near zero.
std::size_t groups_by_counts(const Prepared& once) {
  const auto total = total_numbers(once);
  const auto covariance = total_covariance(once);
  const double clear = (total[kL3Low] + total[kL3High]) / std::sqrt(variance_of_l3(covariance));
  return clear > kClearGroup ? static_cast<std::size_t>(clear * clear / (kClearGroup * kClearGroup))
                             : 1;
}

Result<Prepared> prepare_specimen(const SessionSpectra& session, const WhiteLineWindows& windows,
                                  const EvaluationOptions& options) {
  const std::size_t most = std::max<std::size_t>(
      1, std::min({options.dose_groups, session.specimen_frames / kFramesPerGroup,
                   session.core.size()}));
  auto made = prepare(session, windows, options, most);
  if (!made) {
    return made;
  }
  const std::size_t told = groups_by_counts(*made);
  return told < most ? prepare(session, windows, options, told) : std::move(made);
}

/// One standard deviation of a channel of the sum, the noise of the mean darks in it: all exposures
/// share one mean dark, so n of them carry n times its error.
std::vector<double> sigma_with_darks(const Prepared& of) {
  std::map<std::int64_t, double> exposures;
  for (const FrameGroup& group : of.session->core) {
    exposures[group.exposure_set_ns] += static_cast<double>(group.frames);
  }
  std::vector<double> sigma = of.edge.sigma;
  for (const auto& [exposure, n] : exposures) {
    const auto dark = of.session->darks.find(exposure);
    if (dark == of.session->darks.end() || dark->second.frames == 0) {
      continue;
    }
    const double scale = n / std::sqrt(static_cast<double>(dark->second.frames));
    for (std::size_t c = 0; c < std::min(sigma.size(), dark->second.variance.size()); ++c) {
      sigma[c] = std::hypot(sigma[c], scale * std::sqrt(std::max(0.0, dark->second.variance[c])));
    }
  }
  return sigma;
}

void show_spectra(const Prepared& specimen, const WhiteLineWindows& windows, Evaluation& made) {
  const EdgeMeasurement& edge = specimen.edge;
  for (std::size_t c = 0; c < edge.grid.channels; ++c) {
    made.energy_ev.push_back(edge.grid.centre(c));
  }
  made.sum = edge.sum;
  made.sum_sigma = sigma_with_darks(specimen);
  made.background = edge.background.on(edge.grid);
  made.edge = edge.edge;
  made.edge_sigma = made.sum_sigma;
  const double gain = specimen.single.noise_gain();
  for (double& sigma : made.edge_sigma) {
    sigma *= gain;
  }
  made.steps = two_steps(windows, edge.grid, edge.edge);
  made.background_h = edge.background.h(edge.grid, windows.l2);
}

/// The references on the specimen's axis, in the sizes in which the fit mixes them.
void show_fit(const Prepared& low, const Prepared& high, Evaluation& made) {
  double in_low = 0;
  double in_high = 0;
  for (const ComponentFit::Group& group : made.oxidation->fit.groups) {
    in_low += group.height * (1 - group.x);
    in_high += group.height * group.x;
  }
  const double low_height = low.edge.numbers.front()[kHeight];
  const double high_height = high.edge.numbers.front()[kHeight];
  const auto bring = [&](const Prepared& reference, double size) {
    const Grid& grid = reference.edge.grid;
    std::vector<double> out(made.energy_ev.size(), 0.0);
    for (std::size_t c = 0; c < out.size(); ++c) {
      const double where = (made.energy_ev[c] - grid.centre(0)) / grid.dispersion_ev;
      if (where < 0 || where + 1 >= static_cast<double>(grid.channels)) {
        continue;
      }
      const auto i = static_cast<std::size_t>(where);
      const double part = where - static_cast<double>(i);
      out[c] = size * ((1 - part) * reference.edge.edge[i] + part * reference.edge.edge[i + 1]);
    }
    return out;
  };
  made.reference_low = bring(low, in_low / low_height);
  made.reference_high = bring(high, in_high / high_height);
  made.residual_sigma = made.edge_sigma;
  const auto add_noise = [&made](const Prepared& reference, double size) {
    const double gain = size * reference.single.noise_gain();
    const std::vector<double> sigma = sigma_with_darks(reference);
    for (std::size_t c = 0; c < std::min(sigma.size(), made.residual_sigma.size()); ++c) {
      made.residual_sigma[c] = std::hypot(made.residual_sigma[c], gain * sigma[c]);
    }
  };
  add_noise(low, in_low / low_height);
  add_noise(high, in_high / high_height);
  made.fit.resize(made.edge.size());
  made.residual.resize(made.edge.size());
  for (std::size_t c = 0; c < made.edge.size(); ++c) {
    made.fit[c] = made.reference_low[c] + made.reference_high[c];
    made.residual[c] = made.edge[c] - made.fit[c];
  }
}

void show_by_dose(const Prepared& specimen, Evaluation& made) {
  const EdgeMeasurement& edge = specimen.edge;
  for (std::size_t k = 0; k < edge.numbers.size(); ++k) {
    RatioAtDose at;
    at.dose = mean_dose(edge.doses[k]);
    std::array<EdgeNumbers, kQuantities> covariance{};
    for (std::size_t i = 0; i < kQuantities; ++i) {
      for (std::size_t j = 0; j < kQuantities; ++j) {
        covariance[i][j] = edge.carried[k].own(i, j);
      }
    }
    const auto found = ratio_of(edge.numbers[k], covariance);
    at.ratio = found ? found->value : kNan;
    at.sigma = found ? found->sigma : kNan;
    at.x = at.sigma_x = at.fitted_x = kNan;
    for (const DoseInterval& dose : edge.doses[k]) {
      at.frames += static_cast<std::uint64_t>(dose.weight);
    }
    made.by_dose.push_back(at);
  }
}

void show_numbers(const Prepared& specimen, Evaluation& made) {
  const EdgeNumbers numbers = total_numbers(specimen);
  const auto covariance = total_covariance(specimen);
  made.l3 = numbers[kL3Low] + numbers[kL3High];
  made.sigma_l3 = std::sqrt(variance_of_l3(covariance));
  made.l2 = numbers[kL2];
  made.sigma_l2 = std::sqrt(covariance[kL2][kL2]);
  made.height = numbers[kHeight];
  made.sigma_height = std::sqrt(covariance[kHeight][kHeight]);
  const auto found = ratio_of(numbers, covariance);
  if (found) {
    made.ratio = *found;
  } else {
    made.ratio_withheld = found.error().text;
  }
}

void remark_session(const SessionReport& one, std::vector<std::string>& remarks) {
  const std::string who = "Session " + one.name + ": ";
  if (one.gain_map.empty()) {
    remarks.push_back(who + "not corrected for the pixels' gains; no gain reference was given.");
  }
  if (!one.t_over_lambda) {
    remarks.push_back(who +
                      "no zero-loss frames through the specimen, so plural scattering is still "
                      "in it and its thickness is unknown.");
  }
  if (one.zero_loss_frames == 1) {
    remarks.push_back(who + "one zero-loss reference only; the drift is taken as constant.");
  }
  if (one.without_dark > 0) {
    remarks.push_back(who + std::to_string(one.without_dark) +
                      " frames have no darks of their exposure time and were left out.");
  }
  if (one.off_axis > 0) {
    remarks.push_back(who + std::to_string(one.off_axis) +
                      " exposures do not reach the edge and were left out.");
  }
  if (one.saturated > 0) {
    remarks.push_back(who + std::to_string(one.saturated) +
                      " zero-loss frames were saturated and left out.");
  }
  if (one.noise_widened) {
    remarks.push_back(who + "the line contrast varies from exposure to exposure by a factor " +
                      number(std::sqrt(one.noise_factor)) +
                      " more than the noise of its channels says; errors are widened by it.");
  }
}

/// Everything measured with one choice of windows.
struct All {
  Prepared specimen;
  std::optional<Prepared> low, high;
};

Result<All> prepare_all(const SessionSpectra& specimen, std::span<const Reference> references,
                        const WhiteLineWindows& windows, const EvaluationOptions& options) {
  All all;
  auto made = prepare_specimen(specimen, windows, options);
  if (!made) {
    return made.error();
  }
  all.specimen = std::move(*made);
  for (std::size_t i = 0; i < references.size(); ++i) {
    auto reference = prepare(*references[i].spectra, windows, options, 1);
    if (!reference) {
      return reference.error().during("reference");
    }
    (i == 0 ? all.low : all.high) = std::move(*reference);
  }
  return all;
}

MeasuredSession measured(const Prepared& one) {
  return {one.session, &one.single, &one.edge};
}

Result<ComponentAnswer> components_of(const All& all, const WhiteLineWindows& windows,
                                      const EvaluationOptions& options) {
  CREEL_TRY(check_oxidation(oxidation_data(all.specimen, *all.low, *all.high, options)));
  ComponentChoice choice;
  choice.law = options.law;
  choice.profile = options.profile;
  choice.axis_error_ev = options.axis_error_ev;
  choice.width_error_ev2 = options.width_error_ev2;
  return fit_sessions(measured(all.specimen), measured(*all.low), measured(*all.high), windows,
                      choice);
}

void take_oxidation(const All& all, double low_state, double high_state,
                    const EvaluationOptions& options, Evaluation& made) {
  const auto by_areas = fit_oxidation(oxidation_data(all.specimen, *all.low, *all.high, options));
  if (by_areas) {
    made.by_areas = *by_areas;
  } else {
    made.by_areas_withheld = by_areas.error().text;
  }
  auto answer = components_of(all, made.windows, options);
  if (!answer) {
    made.oxidation_withheld = answer.error().text;
    return;
  }
  made.oxidation = std::move(*answer);
  const ComponentAnswer& fit = *made.oxidation;
  made.state = low_state + fit.x0 * (high_state - low_state);
  made.sigma_state = fit.sigma_x0 * (high_state - low_state);
  made.x0_by_tenth_ev = fit.by_axis_tenth_ev;
  for (std::size_t k = 0; k < made.by_dose.size(); ++k) {
    const ComponentFit::Group& group = fit.fit.groups[k];
    made.by_dose[k].x = group.own_x;
    made.by_dose[k].sigma_x = group.sigma_own_x;
    made.by_dose[k].fitted_x = group.x;
  }
  show_fit(*all.low, *all.high, made);
}

void take_methods(const All& all, const EvaluationOptions& options, Evaluation& made) {
  MethodsInput input;
  input.specimen = measured(all.specimen);
  if (all.low) {
    input.low = measured(*all.low);
    input.high = measured(*all.high);
  }
  input.curve = options.curve;
  input.mean_survival = made.oxidation ? made.oxidation->mean_survival : 1;
  made.methods = window_methods(input, made.windows);
}

/// Exposures drawn anew within each tenth of the session, so that all doses stay covered.
SessionSpectra resampled(const SessionSpectra& session, std::mt19937_64& random) {
  constexpr std::size_t kParts = 10;
  SessionSpectra drawn = session;
  const std::size_t n = session.core.size();
  const std::size_t parts = std::clamp<std::size_t>(n / 4, 1, kParts);
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t part = i * parts / n;
    const std::size_t from = (part * n + parts - 1) / parts;
    const std::size_t to = ((part + 1) * n + parts - 1) / parts;
    drawn.core[i] = session.core[from + random() % (to - from)];
  }
  return drawn;
}

/// See Evaluation::bootstrap_sigma_x0. Evaluations that tell nothing are left out and counted.
void bootstrap(const SessionSpectra& specimen, std::span<const Reference> references,
               const EvaluationOptions& options, Evaluation& made) {
  std::mt19937_64 random(options.bootstrap_seed);
  double sum = 0;
  double squares = 0;
  for (std::size_t i = 0; i < options.bootstrap; ++i) {
    const SessionSpectra drawn = resampled(specimen, random);
    const SessionSpectra low = resampled(*references[0].spectra, random);
    const SessionSpectra high = resampled(*references[1].spectra, random);
    const Reference again[] = {{&low, references[0].state}, {&high, references[1].state}};
    const auto all = prepare_all(drawn, again, made.windows, options);
    const auto fit =
        all ? components_of(*all, made.windows, options) : Result<ComponentAnswer>(all.error());
    if (fit) {
      sum += fit->x0;
      squares += fit->x0 * fit->x0;
      ++made.bootstrap_evaluations;
    }
  }
  const auto n = static_cast<double>(made.bootstrap_evaluations);
  made.bootstrap_sigma_x0 =
      n > 1 ? std::sqrt(std::max(0.0, (squares - sum * sum / n) / (n - 1))) : kNan;
  const double ratio = made.bootstrap_sigma_x0 / made.oxidation->sigma_x0;
  // A scatter of n values is known to 1/sqrt(2 n).
  if (n > 1 && std::fabs(ratio - 1) > 0.1 + 3 / std::sqrt(2 * n)) {
    made.remarks.push_back("Exposures drawn anew scatter by " +
                           number(made.bootstrap_sigma_x0, "%.3f") +
                           " in the part in the high state, where the error is quoted as " +
                           number(made.oxidation->sigma_x0, "%.3f") + ": trust the larger.");
  }
}

/// Evaluates again with other background windows and notes the largest changes.
void vary_background(const SessionSpectra& specimen, std::span<const Reference> references,
                     const EvaluationOptions& options, Evaluation& made) {
  const Window own = made.windows.background;
  const double width = own.to_ev - own.from_ev;
  for (const Window& other :
       {Window{own.from_ev - width / 3, own.to_ev}, Window{own.from_ev + width / 3, own.to_ev},
        Window{own.from_ev, own.to_ev - width / 12}}) {
    WhiteLineWindows windows = made.windows;
    windows.background = other;
    const auto all = prepare_all(specimen, references, windows, options);
    if (!all) {
      made.remarks.push_back("The background could not be fitted from " + number(other.from_ev) +
                             " to " + number(other.to_ev) +
                             " eV for comparison: " + all.error().text + ".");
      continue;
    }
    const auto numbers = total_numbers(all->specimen);
    const auto found = ratio_of(numbers, total_covariance(all->specimen));
    if (found && made.ratio) {
      made.ratio_by_background =
          std::max(made.ratio_by_background, std::fabs(found->value - made.ratio->value));
    }
    if (made.oxidation) {
      const auto fit = components_of(*all, windows, options);
      if (fit) {
        made.x0_by_background =
            std::max(made.x0_by_background, std::fabs(fit->x0 - made.oxidation->x0));
      }
    }
  }
}

/// The fit uses what the other methods use and more, so where both are right their difference
/// scatters with the difference of their variances (J. A. Hausman, Econometrica 46, 1251 (1978)).
void remark_disagreement(const std::string& method, double x0, double sigma, Evaluation& made) {
  const ComponentAnswer& fit = *made.oxidation;
  const double scatter = std::sqrt(std::max(0.0, sigma * sigma - fit.sigma_x0 * fit.sigma_x0));
  if (std::fabs(x0 - fit.x0) > 3 * std::max(scatter, 0.1 * sigma)) {
    made.remarks.push_back(
        "Another method disagrees: " + method + " says " + number(x0, "%.2f") + " +- " +
        number(sigma, "%.2f") + " where the fit says " + number(fit.x0, "%.2f") + " +- " +
        number(fit.sigma_x0, "%.2f") +
        ". Look at the references, the background and the energy axis before either is used.");
  }
}

void remark_fit(Evaluation& made) {
  const ComponentAnswer& fit = *made.oxidation;
  if (fit.chi_square > fit.unlikely_above) {
    made.remarks.push_back(
        "The references do not describe the specimen within the noise (deviance " +
        number(fit.chi_square, "%.4g") + " for " +
        number(static_cast<double>(fit.degrees_of_freedom), "%.4g") +
        " degrees of freedom): the error bar is too small for what is wrong.");
  }
  if (fit.too_sharp_ev > 0.3) {
    made.remarks.push_back(
        "A reference was recorded with a wider zero loss than the specimen (by " +
        number(fit.too_sharp_ev, "%.2f") +
        " eV in quadrature), which cannot be undone; record it anew.");
  }
  for (const LawCompared& law : fit.laws) {
    if (law.evidence < -6) {
      made.remarks.push_back("Damage of the form '" + std::string(name(law.law)) +
                             "' describes the exposures better; it would give " +
                             number(law.x0, "%.3f") + " at zero dose.");
    }
  }
}

void remark_result(Evaluation& made) {
  if (!made.oxidation) {
    return;
  }
  const ComponentAnswer& fit = *made.oxidation;
  remark_fit(made);
  if (fit.x0 < -2 * fit.sigma_x0 || fit.x0 > 1 + 2 * fit.sigma_x0) {
    made.remarks.push_back(
        "The specimen lies outside its two references by more than two standard "
        "deviations; it may hold a third state.");
  }
  if (fit.damage_told && fit.k < 0) {
    made.remarks.push_back(
        "The part in the high state grows with dose; that is not damage by "
        "reduction.");
  }
  if (!fit.damage_told && !made.without_frames) {
    made.remarks.push_back(
        "No damage can be told from these exposures; the extrapolation to zero "
        "dose is uncertain only by what its error says.");
  }
  if (made.x0_by_background > fit.sigma_x0) {
    made.remarks.push_back(
        "Other background windows move the answer by more than its error; see "
        "x0_by_background.");
  }
  if (made.by_areas) {
    remark_disagreement("three areas of the white lines", made.by_areas->x0,
                        made.by_areas->sigma_x0, made);
  }
  for (const MethodAnswer& method : made.methods) {
    if (std::isfinite(method.x0)) {
      remark_disagreement(method.name, method.x0, method.sigma_x0, made);
    }
  }
}

Result<std::vector<Reference>> in_order(std::span<const Reference> references) {
  std::vector<Reference> sorted(references.begin(), references.end());
  std::stable_sort(sorted.begin(), sorted.end(),
                   [](const Reference& a, const Reference& b) { return a.state < b.state; });
  const bool none = sorted.empty();
  const bool two = sorted.size() == 2 && sorted[0].spectra != nullptr &&
                   sorted[1].spectra != nullptr && sorted[1].state - sorted[0].state > 1e-6;
  if (!none && !two) {
    return Error{ErrorCode::invalid_request,
                 std::to_string(sorted.size()) +
                     " references; give none, or two sessions of different oxidation states"};
  }
  return sorted;
}

Result<void> same_dispersion(const SessionSpectra& a, std::span<const Reference> references) {
  for (const Reference& reference : references) {
    const double other = reference.spectra->dispersion_ev;
    if (!(std::fabs(other - a.dispersion_ev) < 1e-6 * a.dispersion_ev)) {
      return Error{ErrorCode::refused, "reference " + reference.spectra->name + ": " +
                                           number(other) + " eV per channel, the specimen has " +
                                           number(a.dispersion_ev) +
                                           "; record both with the same dispersion"};
    }
  }
  return {};
}

}  // namespace

Result<Evaluation> evaluate(const SessionSpectra& specimen, std::span<const Reference> references,
                            const EvaluationOptions& options) {
  auto windows = options.windows ? Result<WhiteLineWindows>(*options.windows)
                                 : white_line_windows(options.element);
  if (!windows) {
    return windows.error();
  }
  const auto sorted = in_order(references);
  if (!sorted) {
    return sorted.error();
  }
  CREEL_TRY(same_dispersion(specimen, *sorted));
  const auto all = prepare_all(specimen, *sorted, *windows, options);
  if (!all) {
    return all.error();
  }
  Evaluation made;
  made.element = options.element;
  made.without_frames = options.without_frames;
  made.windows = *windows;
  made.specimen = describe(all->specimen, kNan);
  show_spectra(all->specimen, *windows, made);
  show_numbers(all->specimen, made);
  show_by_dose(all->specimen, made);
  if (!options.without_frames) {
    remark_session(made.specimen, made.remarks);
  }
  if (all->low) {
    made.references = {describe(*all->low, sorted->front().state),
                       describe(*all->high, sorted->back().state)};
    for (const SessionReport& one : made.references) {
      if (!options.without_frames) {
        remark_session(one, made.remarks);
      }
    }
    made.state = made.sigma_state = kNan;
    take_oxidation(*all, sorted->front().state, sorted->back().state, options, made);
  } else {
    made.state = made.sigma_state = kNan;
    made.oxidation_withheld = "no reference sessions were given";
  }
  take_methods(*all, options, made);
  made.low_loss = measure_low_loss(specimen, all->specimen.edge.noise, options.conditions);
  made.elements =
      measure_elements(specimen, all->specimen.edge, all->specimen.single, options.conditions);
  made.bootstrap_sigma_x0 = kNan;
  if (options.bootstrap > 0 && made.oxidation) {
    bootstrap(specimen, *sorted, options, made);
  }
  if (options.vary_background) {
    vary_background(specimen, *sorted, options, made);
  }
  remark_result(made);
  return made;
}

}  // namespace creel::analysis
