// budget: can this series answer the question? Reads the series file and recorded sessions only.

#include <algorithm>
#include <cmath>
#include <set>

#include "client/calibrate/folder.h"
#include "client/cli/calibrate.h"
#include "client/cli/commands.h"
#include "client/cli/files.h"
#include "client/cli/meter.h"
#include "client/cli/today.h"
#include "client/report/evaluation_input.h"
#include "daemon/analysis/budget.h"
#include "protocol/base/text.h"
#include "protocol/series/estimate.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr std::size_t kMostText = 1'000'000;
constexpr double kNm2 = 100;  // angstrom^2

double lit_area_a2(const std::optional<double>& diameter_nm) {
  return diameter_nm ? 0.25 * 3.14159265358979 * *diameter_nm * *diameter_nm * kNm2 : 0.0;
}

/// Seconds of specimen exposures by area.
std::map<std::string, double> specimen_seconds(const Series& series) {
  std::map<std::string, double> seconds;
  for (const Block& block : series.blocks) {
    if (block.kind == ExposureKind::specimen && block.where == Where::specimen) {
      const double values = block.vary ? static_cast<double>(block.vary->values.size()) : 1;
      seconds[block.area] += values * block.count * block.frames * in_seconds(block.exposure);
    }
  }
  return seconds;
}

const Block* specimen_block(const Series& series) {
  const auto found = std::find_if(series.blocks.begin(), series.blocks.end(), [](const Block& one) {
    return one.kind == ExposureKind::specimen;
  });
  return found == series.blocks.end() ? nullptr : &*found;
}

Result<analysis::BudgetPlan> plan_of(const Series& series, const Series& pilot) {
  const Block* block = specimen_block(series);
  const Block* of_pilot = specimen_block(pilot);
  if (block == nullptr || of_pilot == nullptr) {
    return Error{ErrorCode::invalid_request,
                 (block == nullptr ? series.name : pilot.name) + " has no specimen exposures"};
  }
  const auto seconds = specimen_seconds(series);
  const Estimate sum = estimate(series);
  analysis::BudgetPlan plan;
  plan.dose_rate = series.beam.dose_rate.value;
  plan.exposure_s = in_seconds(block->exposure);
  plan.areas = static_cast<double>(seconds.size());
  for (const auto& [name, time] : seconds) {
    plan.seconds_per_area += time / plan.areas;
    const Area* area = series.find_area(name);
    const auto planned = area != nullptr ? sum.planned.find(area->key()) : sum.planned.end();
    plan.dose_per_area += planned == sum.planned.end() ? 0 : planned->second.value / plan.areas;
    if (area != nullptr && plan.lit_area_a2 == 0) {
      plan.lit_area_a2 = lit_area_a2(area->lit_diameter_nm);
    }
  }
  const Area* lit = pilot.find_area(of_pilot->area);
  plan.pilot_dose_rate = pilot.beam.dose_rate.value;
  plan.pilot_exposure_s = in_seconds(of_pilot->exposure);
  plan.pilot_lit_area_a2 = lit != nullptr ? lit_area_a2(lit->lit_diameter_nm) : 0;
  return plan;
}

/// What the limits of the series leave of the plan, in words; "" = all of it.
std::string dose_trouble(const Series& series, const analysis::BudgetPlan& plan) {
  for (const Area& area : series.areas) {
    if (area.dose_limit.value > 0 && plan.dose_per_area > area.dose_limit.value) {
      return "The plan gives " + number(plan.dose_per_area, 3) + " e/A^2, area " + area.key() +
             " allows " + number(area.dose_limit.value, 3) +
             ": the series would end before its plan, and the error be larger.";
    }
  }
  return "";
}

/// Value or a word for what is not known.
std::string told(double value, int digits = 3) {
  return std::isfinite(value) ? number(value, digits) : "not known";
}

std::string verdict(const analysis::Budget& budget, const analysis::BudgetOptions& options,
                    const analysis::BudgetPlan& plan) {
  if (budget.answers) {
    return "YES: the part in the high state comes out to +-" + number(budget.sigma_x0, 2) +
           " (wanted: +-" + number(options.target, 2) + ").";
  }
  std::string text = "NO: the part in the high state would be known to +-" +
                     told(budget.sigma_x0, 2) + " only (wanted: +-" + number(options.target, 2) +
                     ").\n";
  if (!std::isfinite(budget.areas_needed)) {
    return text + "What would make it yes: better end members, or a better energy axis.";
  }
  text += "What would make it yes: " + number(budget.areas_needed, 6) + " areas like " +
          (plan.areas > 1 ? "these " + number(plan.areas, 6) : std::string("this one")) +
          " at the same dose each, or a lit region " + number(budget.lit_diameter_factor, 3) +
          " times as wide with the same dose.";
  return text;
}

std::vector<std::vector<std::string>> numbers_of(const analysis::Budget& b,
                                                 const analysis::BudgetPlan& plan,
                                                 const analysis::BudgetOptions& options) {
  std::vector<std::vector<std::string>> rows{{"what", "value", ""}};
  const auto add = [&rows](const std::string& what, const std::string& value,
                           const std::string& note) {
    rows.push_back({what, value, note});
  };
  add("dose on each area", number(plan.dose_per_area, 3) + " e/A^2",
      std::isfinite(b.dose_over_critical)
          ? number(b.dose_over_critical, 2) + " critical doses"
          : "no critical dose given: no damage presumed (--critical-dose)");
  add("electrons on all areas", told(b.electrons),
      std::isfinite(b.electrons) ? "" : "no lit_diameter_nm in the series");
  add("counts of L3 over background", number(b.counts_l3, 3),
      number(b.background_l3, 3) + " under it");
  add("error of the part in the high state", told(b.sigma_x0, 2), "damage rate unknown");
  add("the same, damage rate known", told(b.sigma_x0_known_damage, 2), "");
  add("relative error of L3/L2", told(b.sigma_ratio_relative, 2),
      std::isfinite(b.sigma_ratio_relative) ? "two-step ratio, for comparison"
                                            : "L2 will not stand out of the noise");
  add("pure II told from pure III", number(100 * b.right_decision, 4) + " %",
      "right decisions, if it is one of the two");
  if (options.critical_dose) {
    add("best dose, one summed spectrum", number(b.best_dose_summed, 3) + " e/A^2",
        "1.256 critical doses, damage known");
    add("best dose, fit over dose", told(b.best_dose_joint, 3) + " e/A^2",
        "beyond it the error shrinks by less than 5 % (here +-" + told(b.sigma_at_best_joint, 2) +
            ")");
  }
  if (std::isfinite(b.zero_loss_fwhm_ev)) {
    const bool ever = std::isfinite(b.widest_fwhm_ev);
    const std::string charge =
        std::isnan(b.most_charge)   ? "at what charge: not known (creel calibrate emission)"
        : std::isinf(b.most_charge) ? "never reached by more charge in a pulse"
                                    : number(b.most_charge, 2) + " times the electrons in a pulse";
    add("zero loss may widen to",
        ever ? number(b.widest_fwhm_ev, 2) + " eV"
             : "more than " + number(8 * b.zero_loss_fwhm_ev, 2) + " eV",
        "from " + number(b.zero_loss_fwhm_ev, 2) + " eV, error a tenth larger; " + charge);
  }
  add("exposures between",
      number(b.least_exposure_s, 2) + " and " +
          (std::isfinite(b.most_exposure_s) ? number(b.most_exposure_s, 3)
                                            : std::string("any number of")) +
          " s",
      "read noise; a tenth of the critical dose");
  return rows;
}

json object_of(const analysis::Budget& b, const analysis::BudgetPlan& plan,
               const analysis::BudgetOptions& options, const Series& series) {
  const auto value = [](double one) { return std::isfinite(one) ? json(one) : json(nullptr); };
  json what_if = json::array();
  for (const auto& one : b.what_if) {
    what_if.push_back({{"what", one.what}, {"sigma", value(one.sigma_x0)}});
  }
  const Estimate sum = estimate(series);
  return {{"answers", b.answers},
          {"target", options.target},
          {"presumed_high_state_part", options.x0},
          {"critical_dose_e_per_a2", options.critical_dose ? json(*options.critical_dose) : json()},
          {"dose_per_area_e_per_a2", plan.dose_per_area},
          {"dose_over_critical", value(b.dose_over_critical)},
          {"areas", plan.areas},
          {"electrons", value(b.electrons)},
          {"counts_l3", value(b.counts_l3)},
          {"background_l3", value(b.background_l3)},
          {"high_state_part_sigma", value(b.sigma_x0)},
          {"high_state_part_sigma_known_damage", value(b.sigma_x0_known_damage)},
          {"ratio_sigma_relative", value(b.sigma_ratio_relative)},
          {"right_decision", value(b.right_decision)},
          {"best_dose_summed_e_per_a2", value(b.best_dose_summed)},
          {"best_dose_joint_e_per_a2", value(b.best_dose_joint)},
          {"areas_needed", value(b.areas_needed)},
          {"lit_diameter_factor", value(b.lit_diameter_factor)},
          {"least_exposure_s", value(b.least_exposure_s)},
          {"most_exposure_s", value(b.most_exposure_s)},
          {"zero_loss_fwhm_ev", value(b.zero_loss_fwhm_ev)},
          {"widest_zero_loss_fwhm_ev", value(b.widest_fwhm_ev)},
          {"most_charge_factor", value(b.most_charge)},
          {"exposed_s", sum.exposed_s},
          {"frames", sum.frames},
          {"what_if", what_if},
          {"remarks", b.remarks}};
}

struct Inputs {
  Series series;
  report::SessionInput low, high;
  std::optional<report::SessionInput> pilot;
  [[nodiscard]] const report::SessionInput& of_pilot() const { return pilot ? *pilot : low; }
};

Result<Inputs> read_inputs(const Common& common, const BudgetOrder& order) {
  auto text = read_text(order.file, kMostText);
  if (!text.ok()) return text.error();
  auto series = parse_series(*text, order.file);
  if (!series.ok()) return series.error();
  const auto source = session::native_source();
  const auto read = [&](const std::string& name) -> Result<report::SessionInput> {
    auto path = locate(common, name);
    if (!path.ok()) return path.error();
    Meter meter(common.progress, "reading " + name);
    return report::read_session(*source, *path, nullptr,
                                [&meter](std::uint64_t done, std::uint64_t total) {
                                  meter.at(done, total);
                                  return true;
                                });
  };
  std::vector<report::SessionInput> references;
  for (const std::string& name : order.references) {
    auto one = read(name);
    if (!one.ok()) return one.error();
    if (!one->series.known_state) {
      return Error{ErrorCode::invalid_request,
                   "session " + name +
                       " does not say the oxidation state of its metal "
                       "(specimen.known_oxidation_state in its series): it cannot be an end "
                       "member"};
    }
    references.push_back(std::move(*one));
  }
  const bool swapped =
      references[0].series.known_state->state > references[1].series.known_state->state;
  Inputs inputs{std::move(*series), std::move(references[swapped ? 1 : 0]),
                std::move(references[swapped ? 0 : 1]), std::nullopt};
  if (!order.pilot.empty()) {
    auto one = read(order.pilot);
    if (!one.ok()) return one.error().during("pilot");
    inputs.pilot = std::move(*one);
  }
  return inputs;
}

/// What the rig's newest record of emission says of the planned charge; nothing: no such record.
std::optional<double> charge_adds_ev2(const Inputs& inputs, const analysis::BudgetPlan& plan) {
  const report::SessionInput& pilot = inputs.of_pilot();
  const auto rig = parse_rig(pilot.documents.rig_text, pilot.documents.name);
  if (!rig.ok()) return std::nullopt;
  const calibrate::Shelf shelf =
      calibrate::read_shelf(calibrate::beside_session(pilot.path, "calibrations"));
  const Calibration* record = shelf.newest("emission", rig->name);
  if (record == nullptr) return std::nullopt;
  const CalibrationValue* added = record->find("charge_widening_ev2");
  if (added == nullptr) return std::nullopt;
  // Where the electrons of a planned pulse are known, the record is brought to them.
  double charge = 1;
  const CalibrationValue* per_pulse = record->find("electrons_per_pulse");
  const json laser = inputs.series.document.value("laser", json::object());
  const double rate_hz = 1e3 * laser.value("repetition_rate_khz", 0.0);
  if (per_pulse != nullptr && rate_hz > 0 && plan.lit_area_a2 > 0) {
    charge = plan.dose_rate * plan.lit_area_a2 / rate_hz / per_pulse->value;
  }
  return std::max(0.0, added->value) * charge * charge;
}

std::string text_of(const analysis::Budget& budget, const analysis::BudgetPlan& plan,
                    const analysis::BudgetOptions& options, const Inputs& inputs) {
  std::string text =
      verdict(budget, options, plan) + "\n\n" + table(numbers_of(budget, plan, options)) + "\n\n";
  std::vector<std::vector<std::string>> rows{{"if", "error"}};
  for (const auto& one : budget.what_if) {
    rows.push_back({one.what, told(one.sigma_x0, 2)});
  }
  const Estimate sum = estimate(inputs.series);
  text += table(rows) + "\n\n" + number(static_cast<double>(sum.frames), 12) +
          " frames, exposed for " + time_span(sum.exposed_s) + " with darks and references, " +
          bytes_text(static_cast<double>(sum.frames) *
                     static_cast<double>(inputs.of_pilot().documents.shape.bytes())) +
          " before packing (the pilot's frames).";
  const std::string trouble = dose_trouble(inputs.series, plan);
  text += trouble.empty() ? "" : "\nnote: " + trouble;
  for (const std::string& remark : budget.remarks) {
    text += "\nnote: " + remark;
  }
  if (!inputs.pilot) {
    text +=
        "\nnote: No pilot was given: the low end member's own counts stand for the specimen's "
        "(--metal and --background scale them).";
  }
  return text + "\nNothing was opened or moved.";
}

}  // namespace

Answer budget(const Common& common, const BudgetOrder& order) {
  if (order.references.size() != 2) {
    return failure("budget", Exit::wrong,
                   {ErrorCode::invalid_request,
                    std::to_string(order.references.size()) +
                        " references were given; must be two sessions, one of each end member"});
  }
  const auto inputs = read_inputs(common, order);
  if (!inputs.ok()) {
    return failure("budget", exit_of(inputs.error().code), inputs.error());
  }
  const auto plan = plan_of(inputs->series, inputs->of_pilot().series);
  if (!plan.ok()) {
    return failure("budget", Exit::wrong, plan.error());
  }
  analysis::BudgetOptions options;
  options.element = inputs->low.series.known_state->element;
  options.target = order.target;
  options.x0 = order.presumed;
  options.metal = order.metal;
  options.background = order.background;
  options.axis_error_ev = order.axis_error_ev;
  options.critical_dose = order.critical_dose;
  if (!options.critical_dose && inputs->series.guards.critical_dose) {
    options.critical_dose = inputs->series.guards.critical_dose->dose.value;
  }
  options.charge_adds_ev2 = charge_adds_ev2(*inputs, *plan);
  const auto made = analysis::make_budget(*plan, inputs->of_pilot().spectra, inputs->low.spectra,
                                          inputs->high.spectra, options);
  if (!made.ok()) {
    return failure("budget", exit_of(made.error().code), made.error());
  }
  Answer answer;
  answer.object = object_of(*made, *plan, options, inputs->series);
  answer.text = text_of(*made, *plan, options, *inputs);
  // The rig is the pilot's: what is not calibrated there makes the forecast wrong, too.
  const report::SessionInput& pilot = inputs->of_pilot();
  if (const auto rig = parse_rig(pilot.documents.rig_text, pilot.documents.name); rig.ok()) {
    add_calibrations(answer, inputs->series.text, rig->name,
                     calibrate::beside_session(pilot.path, "calibrations"), utc_now_ns());
  }
  answer.exit = made->answers ? Exit::done : Exit::no;
  return answer;
}

}  // namespace creel::cli
