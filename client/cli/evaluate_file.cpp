// evaluate-file: spectra that other programs recorded.

#include <nlohmann/json.hpp>

#include "client/cli/commands.h"
#include "client/report/evaluation_figure.h"
#include "client/report/evaluation_page.h"
#include "client/report/foreign_file.h"
#include "daemon/analysis/evaluation_json.h"

namespace creel::cli {

using nlohmann::json;

namespace {

using analysis::SessionSpectra;

/// A spectrum with its low loss, on the axis of `like` where one is given.
Result<SessionSpectra> read(const std::string& file, const std::string& low_loss,
                            double noise_slope, const SessionSpectra* like) {
  auto core = report::read_spectrum(file);
  if (!core.ok()) return core.error();
  if (like != nullptr && core->grid.dispersion_ev != like->dispersion_ev) {
    const analysis::Grid grid = core->grid;
    core = analysis::rebinned(
        *core, {grid.first_ev, like->dispersion_ev,
                static_cast<std::size_t>((grid.end() - grid.first_ev) / like->dispersion_ev)});
  }
  if (low_loss.empty()) {
    return analysis::as_session(*core, nullptr, noise_slope);
  }
  const auto low = report::read_spectrum(low_loss);
  if (!low.ok()) return low.error();
  return analysis::as_session(*core, &*low, noise_slope);
}

Result<json> write_files(const std::string& base, const analysis::Evaluation& evaluation) {
  CREEL_TRY(report::write_whole(base + ".json", analysis::to_json(evaluation).dump(1) + "\n"));
  CREEL_TRY(report::draw_files(base + "-edge", [&](report::Format format, std::string_view output) {
    return report::edge_figure(evaluation, evaluation.specimen.name, format, output);
  }));
  return json{{"results", base + ".json"}, {"edge_figure", base + "-edge.png"}};
}

Result<analysis::Evaluation> evaluated(const EvaluateFileOrder& order) {
  auto specimen = read(order.file, order.low_loss, order.noise_slope, nullptr);
  if (!specimen.ok()) return specimen.error();
  analysis::EvaluationOptions options;
  options.element = order.element;
  options.axis_error_ev = order.axis_error_ev;
  options.law = analysis::DamageLaw::none;
  options.without_frames = true;
  if (order.low.empty()) {
    return analysis::evaluate(*specimen, {}, options);
  }
  const auto low = read(order.low, order.low_low_loss, order.noise_slope, &*specimen);
  if (!low.ok()) return low.error().during("low end member");
  const auto high = read(order.high, order.high_low_loss, order.noise_slope, &*specimen);
  if (!high.ok()) return high.error().during("high end member");
  const std::vector<analysis::Reference> references = {{&*low, order.low_state},
                                                       {&*high, order.high_state}};
  return analysis::evaluate(*specimen, references, options);
}

}  // namespace

Answer evaluate_file(const Common& /*common*/, const EvaluateFileOrder& order) {
  if (order.low.empty() != order.high.empty()) {
    return failure("evaluate-file", Exit::wrong,
                   {ErrorCode::invalid_request,
                    "one end member was given; must be both (--low and --high) or none"});
  }
  auto evaluation = evaluated(order);
  if (!evaluation.ok()) {
    return failure("evaluate-file", exit_of(evaluation.error().code), evaluation.error());
  }
  evaluation->remarks.emplace_back(
      "This spectrum came without its frames: the noise is presumed, not measured, and the state "
      "is "
      "the mean over the dose that it had, not that at zero dose.");
  Answer answer;
  answer.object = {{"evaluation", analysis::to_json(*evaluation)}};
  answer.text = report::answer_text(*evaluation);
  if (!order.out.empty()) {
    auto written = write_files(order.out, *evaluation);
    if (!written.ok()) {
      return failure("evaluate-file", exit_of(written.error().code), written.error());
    }
    answer.object["files"] = *written;
    answer.text += "\nresults " + text_of(*written, "results");
  }
  const bool told = evaluation->ratio && (order.low.empty() || evaluation->oxidation);
  answer.exit = told ? Exit::done : Exit::no;
  return answer;
}

}  // namespace creel::cli
