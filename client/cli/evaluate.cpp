// evaluate and export: what a recorded session says. Both read sessions only, and work without
// creeld.

#include <filesystem>

#include "client/calibrate/folder.h"
#include "client/calibrate/standards.h"
#include "client/cli/calibrate.h"
#include "client/cli/commands.h"
#include "client/cli/files.h"
#include "client/cli/meter.h"
#include "client/report/evaluation_figure.h"
#include "client/report/evaluation_input.h"
#include "client/report/evaluation_page.h"
#include "client/report/export.h"
#include "client/report/foreign_file.h"
#include "client/report/results_file.h"
#include "daemon/analysis/evaluation_json.h"
#include "protocol/base/crc32c.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr std::size_t kMostFigure = 16'000'000;  // far more than a figure of ours has

/// A standard that was imported as a spectrum.
struct ImportedStandard {
  analysis::SessionSpectra spectra;
  std::string element;
  double state = 0;
};

/// The sessions of one evaluation.
struct Inputs {
  report::SessionInput specimen;
  std::vector<report::SessionInput> references;
  std::vector<ImportedStandard> imported;
  std::string gain;       ///< session of the gain map; "" = none
  std::string gain_note;  ///< how it was chosen, or why the calibration's was not; "" = as asked
};

report::Progress shown_on(Meter& meter) {
  return [&meter](std::uint64_t done, std::uint64_t total) {
    meter.at(done, total);
    return true;
  };
}

/// The named record of the library beside the specimen's session, in date when that was taken.
Result<calibrate::Standard> standard_named(const std::string& name, const std::string& directory,
                                           const report::SessionInput& specimen) {
  const calibrate::Library library = calibrate::read_library(directory);
  std::string known;
  for (const calibrate::Standard& one : library.standards) {
    if (one.name == name) {
      if (one.expires_utc_ns < specimen.documents.start_utc_ns) {
        return Error{ErrorCode::refused, "standard " + name + " had expired (" +
                                             utc_text(one.expires_utc_ns) +
                                             ") when the session was taken; measure it anew and "
                                             "add it: creel standards add"};
      }
      return one;
    }
    known += (known.empty() ? "" : ", ") + one.name;
  }
  return Error{ErrorCode::invalid_request, "no standard is called \"" + name + "\" in " +
                                               directory +
                                               "; there are: " + (known.empty() ? "none" : known)};
}

/// On the specimen's dispersion, with the resolution that its record states.
Result<ImportedStandard> imported(const calibrate::Standard& standard, const std::string& directory,
                                  const analysis::SessionSpectra& specimen) {
  const std::string file = directory + "/" + standard.file;
  const auto bytes = read_text(file, report::kMostForeignBytes);
  if (!bytes.ok()) return bytes.error();
  if (crc32c(std::as_bytes(std::span(*bytes))) != standard.crc32c) {
    return Error{ErrorCode::refused, file + " is not what was imported: its checksum differs"};
  }
  auto spectrum = report::read_spectrum(file);
  if (!spectrum.ok()) return spectrum.error();
  const analysis::Grid grid = spectrum->grid;
  if (grid.dispersion_ev != specimen.dispersion_ev) {
    const double channels = (grid.end() - grid.first_ev) / specimen.dispersion_ev;
    spectrum = analysis::rebinned(
        *spectrum, {grid.first_ev, specimen.dispersion_ev, static_cast<std::size_t>(channels)});
  }
  auto session = analysis::as_session(*spectrum, nullptr, 1);
  if (!session.ok()) return session.error();
  session->name = standard.name;
  if (standard.resolution_fwhm_ev) {
    analysis::ZeroLoss peak;
    peak.sigma_ev = *standard.resolution_fwhm_ev / 2.3548;
    session->zero_loss = peak;
  }
  return ImportedStandard{std::move(*session), standard.element, standard.state};
}

/// Where calibrations of this session's rig lie.
std::string calibrations_of(const EvaluateOrder& order, const std::string& session_path) {
  return order.calibrations.empty() ? calibrate::beside_session(session_path, "calibrations")
                                    : order.calibrations;
}

/// The gain session of the calibration that was in date when a session was taken. Both strings
/// empty: there is no such calibration; a note alone: its session cannot be used.
struct CalibratedGain {
  std::string session, note;
};
CalibratedGain calibrated_gain(const Common& common, session::FileSource& source,
                               const EvaluateOrder& order) {
  const auto path = locate(common, order.session);
  if (!path.ok()) return {};  // said when it is read
  const auto reader = session::Reader::open(source, *path);
  if (!reader.ok()) return {};
  const session::Documents& documents = (*reader)->documents();
  const auto rig = parse_rig(documents.rig_text, documents.name);
  const auto series = parse_series(documents.series_text, documents.name);
  if (!rig.ok() || !series.ok()) return {};
  const calibrate::Shelf shelf = calibrate::read_shelf(calibrations_of(order, *path));
  const auto record =
      calibrate::required("gain", rig->name, series->document, shelf, documents.start_utc_ns);
  if (!record.ok() || (*record)->sessions.empty()) return {};
  const std::string name = (*record)->sessions.front().name;
  const std::string of = "gain calibration of " + utc_text((*record)->taken_utc_ns).substr(0, 10);
  const std::string unused = of + " is not used: ";
  const auto found = locate(common, name);
  const auto gain = found.ok() ? session::Reader::open(source, *found)
                               : Result<std::unique_ptr<session::Reader>>(found.error());
  if (!gain.ok()) return {"", unused + gain.error().text};
  const session::FrameShape& shape = (*gain)->documents().shape;
  if (shape.rows != documents.shape.rows || shape.columns != documents.shape.columns) {
    return {"", unused + "its frames have another shape"};
  }
  return {name,
          "pixels corrected by the " + of + ", session " + name + " (--gain none: by nothing)"};
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
  CalibratedGain chosen{order.gain == "none" ? "" : order.gain, ""};
  if (order.gain.empty()) {
    chosen = calibrated_gain(common, source, order);
  }
  std::shared_ptr<const analysis::GainMap> gain;
  if (!chosen.session.empty()) {
    auto path = locate(common, chosen.session);
    if (!path.ok()) return path.error();
    Meter meter(common.progress, "reading " + chosen.session);
    auto map = report::read_gain(source, *path, shown_on(meter));
    if (!map.ok()) return map.error();
    gain = *map;
  }
  auto specimen = read(order.session, gain);
  if (!specimen.ok()) return specimen.error();
  Inputs inputs{std::move(*specimen), {}, {}, chosen.session, chosen.note};
  for (const std::string& name : order.references) {
    auto reference = read(name, gain);
    if (!reference.ok()) return reference.error().during("reference");
    inputs.references.push_back(std::move(*reference));
  }
  const std::string library = calibrate::beside_session(inputs.specimen.path, "standards");
  for (const std::string& name : order.standards) {
    const auto standard = standard_named(name, library, inputs.specimen);
    if (!standard.ok()) return standard.error();
    if (standard->file.empty()) {
      auto reference = read(standard->session, gain);
      if (!reference.ok()) return reference.error().during("standard " + name);
      inputs.references.push_back(std::move(*reference));
      continue;
    }
    auto one = imported(*standard, library, inputs.specimen.spectra);
    if (!one.ok()) return one.error().during("standard " + name);
    inputs.imported.push_back(std::move(*one));
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
  if (!inputs.imported.empty()) return inputs.imported.front().element;
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
  for (const ImportedStandard& one : inputs.imported) {
    if (one.element != element) {
      return Error{ErrorCode::invalid_request,
                   "standard " + one.spectra.name + " is of " + one.element + ", not " + element};
    }
    references.push_back({&one.spectra, one.state});
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
                          const Inputs& inputs, const analysis::EvaluationOptions& options) {
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
  report::ResultsInput file{&inputs.specimen, {}, inputs.gain, options, results};
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

/// The dose is given at the middle; over a Gaussian beam most electrons meet less. As asked for,
/// else as the calibration says that was in date when the session was taken.
analysis::BeamProfile profile_of(const EvaluateOrder& order, const report::SessionInput& input) {
  if (!order.beam.empty()) {
    return order.beam == "gaussian" ? analysis::BeamProfile::gaussian : analysis::BeamProfile::flat;
  }
  const auto rig = parse_rig(input.documents.rig_text, input.documents.name);
  if (!rig.ok()) return analysis::BeamProfile::flat;
  const calibrate::Shelf shelf = calibrate::read_shelf(calibrations_of(order, input.path));
  const auto record = calibrate::required("beam-profile", rig->name, input.series.document, shelf,
                                          input.documents.start_utc_ns);
  const bool gaussian =
      record.ok() && (*record)->conditions.value("shape", std::string()) == "gaussian";
  return gaussian ? analysis::BeamProfile::gaussian : analysis::BeamProfile::flat;
}

/// Which calibrations the answer rests on, as they stood when the session was taken.
void name_calibrations(const EvaluateOrder& order, const report::SessionInput& input,
                       Answer& answer) {
  const auto rig = parse_rig(input.documents.rig_text, input.documents.name);
  if (!rig.ok()) return;
  const std::string directory = calibrations_of(order, input.path);
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
  const std::size_t given = order.references.size() + order.standards.size();
  if (given == 1 || given > 2) {
    return failure(
        "evaluate", Exit::wrong,
        {ErrorCode::invalid_request,
         std::to_string(given) +
             " references and standards were given; must be none (ratio only) or two, one for each "
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
  options.bootstrap = order.bootstrap;
  options.axis_error_ev = order.axis_error_ev;
  options.profile = profile_of(order, inputs->specimen);
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
  if (!inputs->gain_note.empty()) answer.text += "\nnote: " + inputs->gain_note;
  answer.object["gain_session"] = inputs->gain.empty() ? json() : json(inputs->gain);
  name_calibrations(order, inputs->specimen, answer);
  if (inputs->specimen.damaged > 0) {
    answer.text += "\nnote: " + std::to_string(inputs->specimen.damaged) +
                   " frames left out: damaged on disk; see 'creel verify'";
  }
  if (!order.out.empty()) {
    auto written = write_report(order.out, *evaluation, *inputs, options);
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
