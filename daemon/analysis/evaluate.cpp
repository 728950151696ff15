#include "daemon/analysis/evaluate.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
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
  made.single = SingleScattering(session.channels);
  if (!session.low_loss.empty() && session.zero_loss) {
    auto single = SingleScattering::from(session.low_loss, session.low_loss_grid,
                                         *session.zero_loss, options.loss_width_ev);
    auto thick = thickness(session.low_loss, session.low_loss_grid.first_ev, session.dispersion_ev,
                           session.zero_loss->fwhm_ev());
    if (!single || !thick) {
      return (single ? thick.error() : single.error()).during("session " + session.name);
    }
    made.single = std::move(*single);
    made.thickness = *thick;
  }
  auto edge = measure_edge(session, windows, made.single, groups);
  if (!edge) {
    return edge.error();
  }
  made.edge = std::move(*edge);
  return made;
}

/// Sum over two groups of one session's common noise: mean darks, gain map.
double shared_noise(const Prepared& a, std::size_t group_a, std::size_t i, const Prepared& b,
                    std::size_t group_b, std::size_t j) {
  double sum = 0;
  if (a.session == b.session) {
    for (const auto& [exposure, weights] : a.edge.on_dark[group_a][i]) {
      const auto other = b.edge.on_dark[group_b][j].find(exposure);
      const auto dark = a.session->darks.find(exposure);
      if (other == b.edge.on_dark[group_b][j].end() || dark == a.session->darks.end()) {
        continue;
      }
      for (std::size_t c = 0; c < weights.size(); ++c) {
        sum += weights[c] * other->second[c] * dark->second.variance[c] /
               static_cast<double>(dark->second.frames);
      }
    }
  }
  if (!a.session->gain_map.empty() && a.session->gain_map == b.session->gain_map) {
    for (std::size_t c = 0; c < a.session->gain_variance.size(); ++c) {
      sum += a.edge.on_gain[group_a][i][c] * b.edge.on_gain[group_b][j][c] *
             std::sqrt(a.session->gain_variance[c] * b.session->gain_variance[c]);
    }
  }
  return sum;
}

/// Covariance of all numbers of one session summed over its groups.
std::array<EdgeNumbers, kQuantities> total_covariance(const Prepared& of) {
  std::array<EdgeNumbers, kQuantities> total{};
  for (std::size_t k = 0; k < of.edge.numbers.size(); ++k) {
    for (std::size_t i = 0; i < kQuantities; ++i) {
      for (std::size_t j = 0; j < kQuantities; ++j) {
        total[i][j] += of.edge.covariance[k][i][j];
        for (std::size_t l = 0; l < of.edge.numbers.size(); ++l) {
          total[i][j] += shared_noise(of, k, i, of, l, j);
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

double mean_dose(const std::vector<DoseInterval>& doses) {
  double sum = 0;
  double weight = 0;
  for (const DoseInterval& dose : doses) {
    sum += dose.weight * 0.5 * (dose.before + dose.after);
    weight += dose.weight;
  }
  return sum / weight;
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
      double value = shared_noise(*p.of, p.group, p.quantity, *q.of, q.group, q.quantity);
      if (p.of == q.of) {
        value += p.group == q.group ? p.of->edge.covariance[p.group][p.quantity][q.quantity] : 0.0;
        value += shift * p.of->edge.by_shift[p.group][p.quantity] *
                 q.of->edge.by_shift[q.group][q.quantity];
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
  const OxidationFit& fit = *made.oxidation;
  double in_low = 0;
  double in_high = 0;
  for (std::size_t k = 0; k < fit.height.size(); ++k) {
    const double x = made.by_dose[k].fitted_x;
    in_low += fit.height[k] * (1 - x);
    in_high += fit.height[k] * x;
  }
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
  made.reference_low = bring(low, in_low / fit.low[kHeight]);
  made.reference_high = bring(high, in_high / fit.high[kHeight]);
  made.residual_sigma = made.edge_sigma;
  const auto add_noise = [&made](const Prepared& reference, double size) {
    const double gain = size * reference.single.noise_gain();
    const std::vector<double> sigma = sigma_with_darks(reference);
    for (std::size_t c = 0; c < std::min(sigma.size(), made.residual_sigma.size()); ++c) {
      made.residual_sigma[c] = std::hypot(made.residual_sigma[c], gain * sigma[c]);
    }
  };
  add_noise(low, in_low / fit.low[kHeight]);
  add_noise(high, in_high / fit.high[kHeight]);
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
    const auto found = ratio_of(edge.numbers[k], edge.covariance[k]);
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

Result<OxidationFit> oxidation_of(const All& all, const EvaluationOptions& options,
                                  double references_shifted_ev = 0) {
  OxidationData data = oxidation_data(all.specimen, *all.low, *all.high, options);
  for (std::size_t i = 0; i < kQuantities; ++i) {
    data.low[i] += references_shifted_ev * all.low->edge.by_shift.front()[i];
    data.high[i] += references_shifted_ev * all.high->edge.by_shift.front()[i];
  }
  return fit_oxidation(data);
}

void take_oxidation(const All& all, double low_state, double high_state,
                    const EvaluationOptions& options, Evaluation& made) {
  made.state = made.sigma_state = kNan;
  const auto fit = oxidation_of(all, options);
  if (!fit) {
    made.oxidation_withheld = fit.error().text;
    return;
  }
  made.oxidation = *fit;
  made.state = low_state + fit->x0 * (high_state - low_state);
  made.sigma_state = fit->sigma_x0 * (high_state - low_state);
  for (std::size_t k = 0; k < made.by_dose.size(); ++k) {
    RatioAtDose& at = made.by_dose[k];
    at.x = fit->x_of_group[k];
    at.sigma_x = fit->sigma_x_of_group[k];
    double sum = 0;
    double weight = 0;
    for (const DoseInterval& dose : all.specimen.edge.doses[k]) {
      sum += dose.weight * survival(dose, fit->k, options.profile);
      weight += dose.weight;
    }
    at.fitted_x = fit->x0 * sum / weight;
  }
  show_fit(*all.low, *all.high, made);
  const auto shifted = oxidation_of(all, options, 0.1);
  made.x0_by_tenth_ev = shifted ? shifted->x0 - fit->x0 : kNan;
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
      const auto fit = oxidation_of(*all, options);
      if (fit) {
        made.x0_by_background =
            std::max(made.x0_by_background, std::fabs(fit->x0 - made.oxidation->x0));
      }
    }
  }
}

void remark_result(Evaluation& made) {
  if (!made.oxidation) {
    return;
  }
  const OxidationFit& fit = *made.oxidation;
  const auto freedom = static_cast<double>(fit.degrees_of_freedom);
  if (fit.chi_square > freedom + 3.5 * std::sqrt(2 * freedom)) {
    made.remarks.push_back("The fit over dose does not describe the areas (chi-square " +
                           number(fit.chi_square) + " for " + number(freedom) +
                           " degrees of freedom): the error bar is too small for what is wrong.");
  }
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
  if (!fit.damage_told) {
    made.remarks.push_back(
        "No damage can be told from these exposures; the extrapolation to zero "
        "dose is uncertain only by what its error says.");
  }
  if (made.x0_by_background > fit.sigma_x0) {
    made.remarks.push_back(
        "Other background windows move the answer by more than its error; see "
        "x0_by_background.");
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
  made.windows = *windows;
  made.specimen = describe(all->specimen, kNan);
  show_spectra(all->specimen, *windows, made);
  show_numbers(all->specimen, made);
  show_by_dose(all->specimen, made);
  remark_session(made.specimen, made.remarks);
  if (all->low) {
    made.references = {describe(*all->low, sorted->front().state),
                       describe(*all->high, sorted->back().state)};
    for (const SessionReport& one : made.references) {
      remark_session(one, made.remarks);
    }
    take_oxidation(*all, sorted->front().state, sorted->back().state, options, made);
  } else {
    made.state = made.sigma_state = kNan;
    made.oxidation_withheld = "no reference sessions were given";
  }
  if (options.vary_background) {
    vary_background(specimen, *sorted, options, made);
  }
  remark_result(made);
  return made;
}

}  // namespace creel::analysis
