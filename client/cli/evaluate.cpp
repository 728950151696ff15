// evaluate and export: what a recorded session says. Both read sessions only, and work without
// creeld.

#include <filesystem>

#include "client/calibrate/folder.h"
#include "client/cli/calibrate.h"
#include "client/cli/commands.h"
#include "client/cli/files.h"
#include "client/cli/meter.h"
#include "client/report/evaluation_figure.h"
#include "client/report/evaluation_input.h"
#include "client/report/evaluation_page.h"
#include "client/report/export.h"
#include "client/report/results_file.h"
#include "daemon/analysis/evaluation_json.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr std::size_t kMostFigure = 16'000'000;  // far more than a figure of ours has

/// The sessions of one evaluation.
struct Inputs {
  report::SessionInput specimen;
  std::vector<report::SessionInput> references;
};

report::Progress shown_on(Meter& meter) {
  return [&meter](std::uint64_t done, std::uint64_t total) {
    meter.at(done, total);
    return true;
  };
}

Result<Inputs> read_inputs(const Common& common, session::FileSource& source,
                           const EvaluateOrder& order) {
  const auto read =
      [&](const std::string& session,
          std::shared_ptr<const analysis::GainMap> gain) -> Result<report::SessionInput> {
    auto path = locate(common, session);
    if (!path.ok()) return path.error();
    Meter meter(common.progress, "reading " + session);
    return report::read_session(source, *path, std::move(gain), shown_on(meter));
  };
  std::shared_ptr<const analysis::GainMap> gain;
  if (!order.gain.empty()) {
    auto path = locate(common, order.gain);
    if (!path.ok()) return path.error();
    Meter meter(common.progress, "reading " + order.gain);
    auto map = report::read_gain(source, *path, shown_on(meter));
    if (!map.ok()) return map.error();
    gain = *map;
  }
  auto specimen = read(order.session, gain);
  if (!specimen.ok()) return specimen.error();
  Inputs inputs{std::move(*specimen), {}};
  for (const std::string& name : order.references) {
    auto reference = read(name, gain);
    if (!reference.ok()) return reference.error().during("reference");
    inputs.references.push_back(std::move(*reference));
  }
  return inputs;
}

/// The element to look at: the one that was asked for, else that of the references, else the first
/// metal of the specimen whose white lines are known.
std::string element_of(const EvaluateOrder& order, const Inputs& inputs) {
  if (!order.element.empty()) return order.element;
  for (const report::SessionInput& reference : inputs.references) {
    if (reference.series.known_state) return reference.series.known_state->element;
  }
  for (const std::string& element : inputs.specimen.series.elements) {
    if (analysis::white_line_windows(element).ok()) return element;
  }
  return "Fe";
}

Result<std::vector<analysis::Reference>> known_references(const Inputs& inputs,
                                                          const std::string& element) {
  std::vector<analysis::Reference> references;
  for (const report::SessionInput& one : inputs.references) {
    const auto& known = one.series.known_state;
    if (!known || known->element != element) {
      return Error{ErrorCode::invalid_request,
                   "session " + one.documents.name + " does not say the oxidation state of " +
                       element +
                       " (specimen.known_oxidation_state in its series): it cannot serve as a "
                       "reference"};
    }
    if (const std::string trouble = report::differs(inputs.specimen, one); !trouble.empty()) {
      return Error{ErrorCode::invalid_request, trouble + ": it cannot serve as a reference"};
    }
    references.push_back({&one.spectra, known->state});
  }
  return references;
}

/// The evaluation, and beside it what the specimen's session says of the instrument.
json results_of(const analysis::Evaluation& evaluation, const Inputs& inputs) {
  json results = analysis::to_json(evaluation);
  results["calibration"] = analysis::to_json(inputs.specimen.calibration);
  return results;
}

/// BASE-edge.svg/.png, BASE-dose.svg/.png, BASE.json, BASE.h5, BASE.html.
Result<json> write_report(const std::string& base, const analysis::Evaluation& evaluation,
                          const Inputs& inputs, const analysis::EvaluationOptions& options,
                          const std::string& gain) {
  const std::string title =
      inputs.specimen.series.document.value("title", evaluation.specimen.name);
  CREEL_TRY(report::draw_files(base + "-edge", [&](report::Format format, std::string_view output) {
    return report::edge_figure(evaluation, title, format, output);
  }));
  CREEL_TRY(report::draw_files(base + "-dose", [&](report::Format format, std::string_view output) {
    return report::dose_figure(evaluation, title, format, output);
  }));
  const json results = results_of(evaluation, inputs);
  CREEL_TRY(report::write_whole(base + ".json", results.dump(1) + "\n"));
  report::ResultsInput file{&inputs.specimen, {}, gain, options, results};
  for (const report::SessionInput& reference : inputs.references) {
    file.references.push_back(&reference);
  }
  auto bytes = report::results_file(evaluation, file);
  if (!bytes.ok()) return bytes.error();
  CREEL_TRY(report::write_whole(base + ".h5", *bytes));
  report::PageInput page;
  page.specimen = &inputs.specimen;
  for (const report::SessionInput& reference : inputs.references) {
    page.references.push_back(&reference);
  }
  for (const auto& [figure, svg] :
       {std::pair{"-edge.svg", &page.edge_svg}, std::pair{"-dose.svg", &page.dose_svg}}) {
    auto text = read_text(base + figure, kMostFigure);
    if (!text.ok()) return text.error();
    *svg = std::move(*text);
  }
  page.results_file = std::filesystem::path(base + ".json").filename().string();
  CREEL_TRY(report::write_whole(base + ".html", report::evaluation_page(evaluation, page)));
  return json{{"report", base + ".html"},
              {"results", base + ".json"},
              {"results_file", base + ".h5"},
              {"edge_figure", base + "-edge.png"},
              {"dose_figure", base + "-dose.png"}};
}

/// Which calibrations the answer rests on, as they stood when the session was taken.
void name_calibrations(const EvaluateOrder& order, const report::SessionInput& input,
                       Answer& answer) {
  const auto rig = parse_rig(input.documents.rig_text, input.documents.name);
  if (!rig.ok()) return;
  const std::string directory = order.calibrations.empty()
                                    ? calibrate::beside_session(input.path, "calibrations")
                                    : order.calibrations;
  const std::int64_t at = input.documents.start_utc_ns;
  add_calibrations(answer, input.documents.series_text, rig->name, directory, at);
  const calibrate::Shelf shelf = calibrate::read_shelf(directory);
  json withheld = json::array();
  const auto needs = [&](const char* kind, const std::string& what) {
    const auto record = calibrate::required(kind, rig->name, input.series.document, shelf, at);
    if (!record.ok()) {
      withheld.push_back({{"what", what}, {"reason", record.error().text}});
      answer.text += "\nwithheld: " + what + " (no " + kind + " calibration in date)";
    }
  };
  needs("energy",
        "absolute positions on the energy axis; differences and the state against "
        "references of the same axis do not need them");
  needs("dose-rate", "absolute doses; the dose axis is as typed");
  answer.object["withheld"] = withheld;
}

}  // namespace

Answer evaluate(const Common& common, const EvaluateOrder& order) {
  if (order.references.size() == 1 || order.references.size() > 2) {
    return failure("evaluate", Exit::wrong,
                   {ErrorCode::invalid_request,
                    std::to_string(order.references.size()) +
                        " references were given; must be none (ratio only) or two, one for each "
                        "end member"});
  }
  const auto source = session::native_source();
  auto inputs = read_inputs(common, *source, order);
  if (!inputs.ok()) {
    return failure("evaluate", exit_of(inputs.error().code), inputs.error());
  }
  const std::string element = element_of(order, *inputs);
  auto references = known_references(*inputs, element);
  if (!references.ok()) {
    return failure("evaluate", exit_of(references.error().code), references.error());
  }
  analysis::EvaluationOptions options;
  options.element = element;
  options.conditions = report::conditions_of(inputs->specimen.series);
  auto evaluation = analysis::evaluate(inputs->specimen.spectra, *references, options);
  if (!evaluation.ok()) {
    return failure("evaluate", exit_of(evaluation.error().code), evaluation.error());
  }
  Answer answer;
  answer.object = {{"evaluation", analysis::to_json(*evaluation)},
                   {"calibration", analysis::to_json(inputs->specimen.calibration)}};
  answer.text = report::answer_text(*evaluation) + "\n" + report::beside_text(*evaluation) + "\n" +
                report::calibration_text(inputs->specimen.calibration);
  name_calibrations(order, inputs->specimen, answer);
  if (inputs->specimen.damaged > 0) {
    answer.text += "\nnote: " + std::to_string(inputs->specimen.damaged) +
                   " frames left out: damaged on disk; see 'creel verify'";
  }
  if (!order.out.empty()) {
    auto written = write_report(order.out, *evaluation, *inputs, options, order.gain);
    if (!written.ok()) {
      return failure("evaluate", exit_of(written.error().code), written.error());
    }
    answer.object["files"] = *written;
    answer.text += "\nreport " + text_of(*written, "report");
  }
  const bool told = evaluation->ratio && (references->empty() || evaluation->oxidation);
  answer.exit = told ? Exit::done : Exit::no;
  return answer;
}

Answer export_spectrum(const Common& common, const std::string& session, const std::string& base) {
  auto path = locate(common, session);
  if (!path.ok()) {
    return failure("export", Exit::wrong, path.error());
  }
  const auto source = session::native_source();
  auto reader = session::Reader::open(*source, *path);
  if (!reader.ok()) {
    return failure("export", exit_of(reader.error().code), reader.error());
  }
  Meter meter(common.progress, "export");
  auto spectrum = report::spectrum_to_export(**reader, shown_on(meter));
  if (!spectrum.ok()) {
    return failure("export", exit_of(spectrum.error().code), spectrum.error());
  }
  const auto write = [](const std::string& file, const Result<std::string>& text) -> Result<void> {
    if (!text.ok()) return text.error();
    return report::write_whole(file, *text);
  };
  for (const auto& written : {write(base + ".csv", report::csv_text(*spectrum)),
                              write(base + ".msa", report::iso22029_text(*spectrum))}) {
    if (!written.ok()) {
      return failure("export", exit_of(written.error().code), written.error());
    }
  }
  Answer answer;
  answer.object = {
      {"iso22029", base + ".msa"}, {"csv", base + ".csv"}, {"channels", spectrum->counts.size()}};
  answer.text = base + ".msa\n" + base + ".csv\nsum spectrum of " +
                std::to_string(spectrum->counts.size()) + " channels";
  return answer;
}

}  // namespace creel::cli
