#include "daemon/analysis/budget.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>

#include "daemon/analysis/edge.h"

namespace creel::analysis {

namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr std::size_t kGroups = 10;
constexpr double kTenth = 1.1;
constexpr double kLittleGain = 1.05;  // of the error, by all the dose beyond

/// A session with what was measured of it.
struct Measured {
  const SessionSpectra* session = nullptr;
  SingleScattering single{0};
  EdgeMeasurement edge;
  [[nodiscard]] MeasuredSession view() const { return {session, &single, &edge}; }
};

Result<Measured> measure(const SessionSpectra& session, const WhiteLineWindows& windows) {
  Measured made;
  made.session = &session;
  auto single = single_scattering_of(session);
  if (!single) {
    return single.error();
  }
  made.single = std::move(*single);
  auto edge = measure_edge(session, windows, made.single, 1);
  if (!edge) {
    return edge.error();
  }
  made.edge = std::move(*edge);
  return made;
}

double normal_below(double z) {
  return 0.5 * std::erfc(-z / std::sqrt(2.0));
}

class Forecasts {
 public:
  Forecasts(const BudgetPlan& plan, const BudgetOptions& options, const Measured& pilot,
            const Measured& low, const Measured& high, const WhiteLineWindows& windows)
      : plan_(plan), options_(options), pilot_(pilot), low_(low), high_(high), windows_(windows) {}

  /// Electrons of `seconds` of this beam in exposures of the pilot.
  [[nodiscard]] double pilot_frames(double seconds) const {
    const bool areas = plan_.lit_area_a2 > 0 && plan_.pilot_lit_area_a2 > 0;
    const double beam = plan_.dose_rate / plan_.pilot_dose_rate *
                        (areas ? plan_.lit_area_a2 / plan_.pilot_lit_area_a2 : 1.0);
    return seconds / plan_.pilot_exposure_s * beam;
  }

  /// The plan, run until `dose_factor` of its dose.
  [[nodiscard]] PlannedNight night(double x0, double dose_factor = 1, double areas = 0) const {
    PlannedNight made;
    made.x0 = x0;
    made.rate = options_.critical_dose ? 1 / *options_.critical_dose : 0;
    made.metal = options_.metal;
    made.background = options_.background;
    const double many = areas > 0 ? areas : plan_.areas;
    const double seconds = dose_factor * plan_.seconds_per_area * many / kGroups;
    const double dose = dose_factor * plan_.dose_per_area / kGroups;
    for (std::size_t k = 0; k < kGroups; ++k) {
      const auto at = static_cast<double>(k);
      made.groups.push_back(
          {pilot_frames(seconds), seconds / plan_.exposure_s, {{at * dose, (at + 1) * dose, 1.0}}});
    }
    return made;
  }

  [[nodiscard]] double sigma(const PlannedNight& night, DamageLaw law, double axis_error_ev) const {
    ComponentChoice choice;
    choice.law = law;
    choice.profile = options_.profile;
    choice.axis_error_ev = axis_error_ev;
    const auto made =
        forecast_sessions(night, pilot_.view(), low_.view(), high_.view(), windows_, choice);
    return made ? made->sigma_x0 : kNan;
  }
  [[nodiscard]] double sigma(const PlannedNight& night) const {
    return sigma(night, law(), options_.axis_error_ev);
  }
  [[nodiscard]] DamageLaw law() const {
    return options_.critical_dose ? DamageLaw::first_order : DamageLaw::none;
  }
  /// Damage known exactly: what is lost is the decay of the signal alone.
  [[nodiscard]] double sigma_known_damage(double dose_factor = 1) const {
    PlannedNight known = night(options_.x0, dose_factor);
    if (!options_.critical_dose) {
      return sigma(known);
    }
    // x0 s instead of x0: the error of x0 is that of the mean over s.
    double survival_sum = 0;
    for (auto& group : known.groups) {
      survival_sum += survival(group.doses.front(), known.rate, options_.profile);
    }
    const double mean = survival_sum / static_cast<double>(known.groups.size());
    known.x0 *= mean;
    known.rate = 0;
    return sigma(known, DamageLaw::none, options_.axis_error_ev) / mean;
  }

 private:
  const BudgetPlan& plan_;
  const BudgetOptions& options_;
  const Measured &pilot_, &low_, &high_;
  const WhiteLineWindows& windows_;
};

Result<void> check(const BudgetPlan& plan, const BudgetOptions& options) {
  const auto wrong = [](const std::string& what) {
    return Error{ErrorCode::invalid_request, "budget: " + what};
  };
  if (!(plan.seconds_per_area > 0) || !(plan.exposure_s > 0) || !(plan.areas >= 1)) {
    return wrong("the series has no specimen exposures");
  }
  if (!(plan.dose_rate > 0) || !(plan.pilot_dose_rate > 0) || !(plan.pilot_exposure_s > 0)) {
    return wrong("dose rates and exposure times must be above 0");
  }
  if (!(options.target > 0) || !(options.metal > 0) || !(options.background > 0)) {
    return wrong("target, metal and background must be above 0");
  }
  if (options.critical_dose && !(*options.critical_dose > 0)) {
    return wrong("the critical dose must be above 0");
  }
  return {};
}

/// Counts of the L3 line and of the background under it, from the pilot.
void count_line(const Forecasts& forecasts, const BudgetPlan& plan, const BudgetOptions& options,
                const Measured& pilot, const WhiteLineWindows& windows, Budget& made) {
  const double frames = forecasts.pilot_frames(plan.seconds_per_area * plan.areas) /
                        static_cast<double>(pilot.edge.frames);
  const EdgeNumbers& numbers = pilot.edge.numbers.front();
  made.counts_l3 = frames * options.metal * (numbers[kL3Low] + numbers[kL3High]);
  const std::vector<double> under = pilot.edge.background.on(pilot.edge.grid);
  const std::vector<double> inside = overlap(pilot.edge.grid, windows.l3);
  for (std::size_t c = 0; c < under.size(); ++c) {
    made.background_l3 += frames * options.background * inside[c] * under[c];
  }
  // The ratio's error in the pilot, brought to the planned counts: both go with the root.
  const CarriedNoise& carried = pilot.edge.carried.front();
  const double l3 = numbers[kL3Low] + numbers[kL3High];
  const double var3 = carried.own(kL3Low, kL3Low) + 2 * carried.own(kL3Low, kL3High) +
                      carried.own(kL3High, kL3High);
  const double both = carried.own(kL3Low, kL2) + carried.own(kL3High, kL2);
  const double relative =
      std::sqrt(var3 / (l3 * l3) + carried.own(kL2, kL2) / (numbers[kL2] * numbers[kL2]) -
                2 * both / (l3 * numbers[kL2]));
  const double planned = relative / std::sqrt(frames) / options.metal;
  made.sigma_ratio_relative = planned < 1.0 / 3 ? planned : kNan;
}

void add_doses(const Forecasts& forecasts, const BudgetPlan& plan, const BudgetOptions& options,
               Budget& made) {
  made.dose_over_critical = made.best_dose_summed = made.best_dose_joint = kNan;
  made.sigma_at_best_joint = kNan;
  made.most_exposure_s = std::numeric_limits<double>::infinity();
  if (!options.critical_dose || !(plan.dose_per_area > 0)) {
    return;
  }
  const double critical = *options.critical_dose;
  made.dose_over_critical = plan.dose_per_area / critical;
  made.best_dose_summed = best_summed_dose() * critical;
  made.most_exposure_s = 0.1 * critical / plan.dose_rate;
  const auto at = [&](double dose) {
    return forecasts.sigma(forecasts.night(options.x0, dose / plan.dose_per_area));
  };
  const double far = at(8 * critical);
  constexpr int kSteps = 36;  // from a quarter of the critical dose to eight of them
  for (int i = 0; i <= kSteps; ++i) {
    const double dose = 0.25 * critical * std::pow(32.0, static_cast<double>(i) / kSteps);
    const double sigma = at(dose);
    if (sigma <= kLittleGain * far) {
      made.best_dose_joint = dose;
      made.sigma_at_best_joint = sigma;
      return;
    }
  }
}

void add_exposure(const Forecasts& forecasts, const BudgetPlan& plan, const BudgetOptions& options,
                  const Measured& pilot, Budget& made) {
  const NoiseLine& noise = pilot.edge.noise;
  const double per_second = forecasts.pilot_frames(1) * options.background *
                            pilot.edge.background.amplitude /
                            static_cast<double>(pilot.edge.frames);
  made.least_exposure_s =
      noise.slope[0] > 0 ? 10 * noise.dark_variance / (noise.slope[0] * per_second) : 0;
  if (plan.exposure_s < made.least_exposure_s) {
    char text[160];
    std::snprintf(text, sizeof text,
                  "Exposures of %.3g s are short for this detector: its read noise is more than a "
                  "tenth of the noise below %.3g s.",
                  plan.exposure_s, made.least_exposure_s);
    made.remarks.emplace_back(text);
  }
}

void add_what_if(const Forecasts& forecasts, const BudgetOptions& options, Budget& made) {
  const auto add = [&](const std::string& what, const PlannedNight& night) {
    made.what_if.push_back({what, forecasts.sigma(night)});
  };
  for (const double factor : {0.5, 2.0}) {
    PlannedNight other = forecasts.night(options.x0);
    other.metal *= factor;
    other.background *= factor;
    add(factor < 1 ? "half as thick" : "twice as thick", other);
  }
  PlannedNight half = forecasts.night(options.x0);
  half.metal *= 0.5;
  add("half the metal, same film", half);
  PlannedNight quiet = forecasts.night(options.x0);
  quiet.read_noise = 0;
  add("a detector without read noise", quiet);
  PlannedNight twice = forecasts.night(options.x0, 1, 0);
  for (auto& group : twice.groups) {
    group.pilot_frames *= 2;
  }
  add("twice the electrons in the same exposures, same dose (lit area doubled)", twice);
  if (options.axis_error_ev < 0.1) {
    made.what_if.push_back({"energy axis of the references known to 0.1 eV only",
                            forecasts.sigma(forecasts.night(options.x0), forecasts.law(), 0.1)});
  }
}

/// More electrons in a pulse give the same dose sooner, with a wider zero loss.
void add_charge(const Forecasts& forecasts, const BudgetOptions& options, const Measured& pilot,
                Budget& made) {
  made.zero_loss_fwhm_ev = made.widest_fwhm_ev = made.most_charge = kNan;
  if (!pilot.session->zero_loss) {
    return;
  }
  const double fwhm = pilot.session->zero_loss->fwhm_ev();
  made.zero_loss_fwhm_ev = fwhm;
  const auto widened = [&](double to_fwhm) {
    PlannedNight night = forecasts.night(options.x0);
    night.added_fwhm2_ev2 = std::max(0.0, to_fwhm * to_fwhm - fwhm * fwhm);
    return forecasts.sigma(night);
  };
  char text[160];
  if (options.charge_adds_ev2) {
    for (const double factor : {2.0, 4.0, 8.0}) {
      const double to = std::sqrt(fwhm * fwhm + *options.charge_adds_ev2 * (factor * factor - 1));
      std::snprintf(text, sizeof text,
                    "%g times the electrons in a pulse (zero loss %.2f eV), same dose sooner",
                    factor, to);
      made.what_if.push_back({text, widened(to)});
    }
  } else {
    for (const double factor : {1.5, 2.0}) {
      std::snprintf(text, sizeof text, "zero loss %.2f eV wide instead of %.2f eV", factor * fwhm,
                    fwhm);
      made.what_if.push_back({text, widened(factor * fwhm)});
    }
  }
  constexpr double kMost = 8;
  const auto too_wide = [&](double factor) {
    return !(widened(factor * fwhm) <= kTenth * made.sigma_x0);
  };
  if (!too_wide(kMost)) {
    made.widest_fwhm_ev = made.most_charge = std::numeric_limits<double>::infinity();
    return;
  }
  double fits = 1;
  double wide = kMost;
  for (int i = 0; i < 12; ++i) {
    const double middle = std::sqrt(fits * wide);
    (too_wide(middle) ? wide : fits) = middle;
  }
  made.widest_fwhm_ev = fits * fwhm;
  if (options.charge_adds_ev2) {
    made.most_charge =
        *options.charge_adds_ev2 > 0
            ? std::sqrt(1 + (fits * fits - 1) * fwhm * fwhm / *options.charge_adds_ev2)
            : std::numeric_limits<double>::infinity();
  }
}

void add_verdict(const BudgetOptions& options, const BudgetPlan& plan, const Forecasts& forecasts,
                 Budget& made) {
  made.answers = made.sigma_x0 <= options.target;
  // More areas: the specimen's part of the error goes with the root, the end members' stays.
  double needed = plan.areas;
  while (!(forecasts.sigma(forecasts.night(options.x0, 1, needed)) <= options.target) &&
         needed < 1e6 * plan.areas) {
    needed *= 1.25;
  }
  const bool reachable = needed < 1e6 * plan.areas;
  made.areas_needed = reachable ? std::ceil(needed) : kNan;
  made.lit_diameter_factor = reachable ? std::sqrt(needed / plan.areas) : kNan;
  if (!reachable) {
    made.remarks.emplace_back(
        "No number of areas reaches the target: the end members' own noise or the energy axis "
        "limits it. Record longer end members.");
  }
}

}  // namespace

double best_summed_dose() {
  double x = 1.25;
  for (int i = 0; i < 50; ++i) {  // e^x = 1 + 2 x by Newton
    x -= (std::exp(x) - 1 - 2 * x) / (std::exp(x) - 2);
  }
  return x;
}

Result<Budget> make_budget(const BudgetPlan& plan, const SessionSpectra& pilot,
                           const SessionSpectra& low, const SessionSpectra& high,
                           const BudgetOptions& options) {
  CREEL_TRY(check(plan, options));
  const auto windows = white_line_windows(options.element);
  if (!windows) {
    return windows.error();
  }
  const auto of_pilot = measure(pilot, *windows);
  const auto of_low = measure(low, *windows);
  const auto of_high = measure(high, *windows);
  for (const auto* one : {&of_pilot, &of_low, &of_high}) {
    if (!*one) {
      return one->error();
    }
  }
  const Forecasts forecasts(plan, options, *of_pilot, *of_low, *of_high, *windows);
  Budget made;
  made.electrons = plan.lit_area_a2 > 0
                       ? plan.dose_rate * plan.lit_area_a2 * plan.seconds_per_area * plan.areas
                       : kNan;
  count_line(forecasts, plan, options, *of_pilot, *windows, made);
  made.sigma_x0 = forecasts.sigma(forecasts.night(options.x0));
  made.sigma_x0_known_damage = forecasts.sigma_known_damage();
  const double low_sigma = forecasts.sigma(forecasts.night(0));
  const double high_sigma = forecasts.sigma(forecasts.night(1));
  made.right_decision = normal_below(1 / (low_sigma + high_sigma));
  add_doses(forecasts, plan, options, made);
  add_exposure(forecasts, plan, options, *of_pilot, made);
  add_what_if(forecasts, options, made);
  add_charge(forecasts, options, *of_pilot, made);
  add_verdict(options, plan, forecasts, made);
  return made;
}

}  // namespace creel::analysis
