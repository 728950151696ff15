#include "client/cli/calibrate.h"

#include <algorithm>
#include <filesystem>

#include "client/cli/files.h"
#include "client/cli/follow.h"
#include "client/cli/last_session.h"
#include "client/cli/link.h"
#include "client/cli/meter.h"
#include "client/cli/today.h"
#include "client/report/drawing.h"
#include "protocol/base/text.h"
#include "protocol/series/estimate.h"
#include "protocol/session/reader.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr const char* kProgram = "creel " CREEL_VERSION;
constexpr std::size_t kMostText = 1'000'000;
constexpr Duration kStartLimit = seconds(120);

Answer failed(const Error& error) {
  return failure("calibrate", exit_of(error.code), error);
}

Result<Series> served(const Common& common, const CalibrateOrder& order) {
  if (!order.serves.empty()) {
    auto text = read_text(order.serves, kMostText);
    if (!text.ok()) return text.error();
    return parse_series(*text, order.serves);
  }
  auto last = last_session(common);
  if (!last.ok()) return last.error();
  return std::move(last->series);
}

std::string what_it_does(const Series& made) {
  const Estimate sum = estimate(made);
  std::string text = made.name + ": " + std::to_string(sum.exposures) + " exposures, at least " +
                     time_span(sum.exposed_s);
  std::vector<std::vector<std::string>> rows;
  for (const Block& block : made.blocks) {
    const double values = block.vary ? static_cast<double>(block.vary->values.size()) : 1;
    rows.push_back({"  " + block.name, std::string(exposure_kind_name(block.kind)),
                    number(block.count * values, 9) + " x " + time_span(in_seconds(block.exposure)),
                    block.kind == ExposureKind::dark ? "shutter closed"
                    : block.where == Where::vacuum   ? "vacuum: no dose"
                                                     : "on " + block.area});
  }
  text += "\n" + table(rows);
  bool none = true;
  for (const auto& [area, dose] : sum.planned) {
    if (!(dose.value > 0)) continue;
    none = false;
    text += "\ndose of " + area + ": " + number(dose.value) + " e/A^2, charged to its ledger";
  }
  if (none) text += "\nno area gets dose";
  return text;
}

std::string record_text(const Calibration& record) {
  std::vector<std::vector<std::string>> rows;
  for (const CalibrationValue& one : record.values) {
    rows.push_back({"  " + one.name,
                    number(one.value, 7) + " +- " + number(one.sigma, 2) +
                        (one.unit == "1" ? "" : " " + one.unit),
                    one.note});
  }
  std::string text = record.kind + " of " + record.rig + ", " +
                     utc_text(record.taken_utc_ns).substr(0, 16) + "Z, valid until " +
                     utc_text(record.valid_until_utc_ns).substr(0, 16) + "Z\n" + table(rows);
  if (!record.edge_table.empty()) text += "\nedge energies: " + record.edge_table;
  for (const std::string& remark : record.remarks) text += "\nnote: " + remark;
  return text;
}

Answer kept(const std::string& directory, const Calibration& record) {
  auto path = calibrate::keep(directory, record);
  if (!path.ok()) return failed(path.error());
  Answer answer;
  answer.object = {{"record", to_json(record)}, {"path", *path}};
  answer.text = record_text(record) + "\nwritten to " + *path;
  return answer;
}

Answer evaluate_path(const Common& common, const CalibrateOrder& order, const std::string& path) {
  const auto source = session::native_source();
  auto reader = session::Reader::open(*source, path);
  if (!reader.ok()) return failed(reader.error());
  const std::string directory = order.calibrations.empty()
                                    ? calibrate::beside_session(path, "calibrations")
                                    : order.calibrations;
  const calibrate::Shelf shelf = calibrate::read_shelf(directory);
  Result<Calibration> record = Error{};
  {
    Meter meter(common.progress, "calibrate " + order.kind);
    record = calibrate::evaluate_session(order.kind, **reader, shelf, order.evaluation, kProgram,
                                         [&meter](std::uint64_t done, std::uint64_t total) {
                                           meter.at(done, total);
                                           return true;
                                         });
  }
  return record.ok() ? kept(directory, *record) : failed(record.error());
}

/// Runs the series by creeld and waits for its end; the path of its session.
Result<std::string> run(const Common& common, const std::string& text, Answer& trouble) {
  auto link = Link::open(common.socket);
  if (!link.ok()) {
    trouble = unreachable("calibrate", link.error());
    return link.error();
  }
  const auto call = [&](const char* method, const json& params) {
    auto called = link->call(method, params, kStartLimit);
    if (!called.ok())
      trouble = failure("calibrate", link->exit_for(called.error()), called.error());
    return called;
  };
  if (auto followed = call("events.follow", json::object()); !followed.ok()) {
    return followed.error();
  }
  auto started = call("series.start", {{"text", text}, {"origin", "calibration"}});
  if (!started.ok()) return started.error();
  Answer watched = watch(*link, common, text_of(*started, "session"), true);
  if (watched.exit != Exit::done) {
    trouble = watched;
    return Error{ErrorCode::refused, "the calibration's series was not completed"};
  }
  const std::string folder = text_of(*started, "path");
  return folder.ends_with(".h5") ? folder : folder + ".h5";
}

Answer list(const Common& common, const CalibrateOrder& order) {
  auto place = place_of(common);
  if (!place.ok()) return failure("calibrate", Exit::no_daemon, place.error());
  const std::string directory = order.calibrations.empty()
                                    ? calibrate::beside_sessions(place->sessions, "calibrations")
                                    : order.calibrations;
  const calibrate::Shelf shelf = calibrate::read_shelf(directory);
  Answer answer;
  answer.object = {{"rig", place->rig}, {"directory", directory}, {"kinds", json::array()}};
  std::vector<std::vector<std::string>> rows{{"calibration", "state", "taken", "valid until", ""}};
  for (const CalibrationKind& kind : kCalibrationKinds) {
    const calibrate::Need need =
        calibrate::need(kind.name, place->rig, json::object(), shelf, utc_now_ns());
    const auto day = [](std::int64_t utc_ns) { return utc_text(utc_ns).substr(0, 16) + "Z"; };
    rows.push_back({std::string(kind.name), std::string(calibrate::state_name(need.state)),
                    need.record == nullptr ? "" : day(need.record->taken_utc_ns),
                    need.record == nullptr ? "" : day(need.record->valid_until_utc_ns),
                    std::string(kind.what)});
    answer.object["kinds"].push_back(
        {{"kind", kind.name},
         {"state", calibrate::state_name(need.state)},
         {"record", need.record == nullptr ? json() : json(need.record->origin)}});
  }
  answer.text = "rig " + place->rig + "\n" + table(rows) + "\nin " + directory;
  for (const std::string& fault : shelf.unreadable) answer.text += "\nnot readable: " + fault;
  return answer;
}

bool typed_only(const CalibrateOrder& order) {
  return order.kind == "beam-profile" && order.series.edge.empty() &&
         order.evaluation.lit_diameter_nm.has_value();
}

}  // namespace

Result<Place> place_of(const Common& common) {
  auto status = call_once("calibrate", common.socket, "daemon.status");
  auto sessions = call_once("calibrate", common.socket, "session.list");
  if (status.failed || sessions.failed) {
    return Error{ErrorCode::refused,
                 "creeld cannot be reached; start it, or say the folder and the "
                 "session yourself"};
  }
  return Place{text_of(status.result, "rig"), text_of(sessions.result, "directory")};
}

Answer calibrate(const Common& common, const CalibrateOrder& order) {
  if (order.kind.empty()) return list(common, order);
  if (find_calibration_kind(order.kind) == nullptr) {
    return failed(calibrate::series_for(order.kind, Series{}, {}).error());
  }
  if (!order.from.empty()) {
    auto path = locate(common, order.from);
    if (!path.ok()) return failed(path.error());
    return evaluate_path(common, order, *path);
  }
  auto base = served(common, order);
  if (!base.ok()) return failed(base.error());
  if (typed_only(order)) {
    auto place = place_of(common);
    if (!place.ok()) return failure("calibrate", Exit::no_daemon, place.error());
    const std::string directory = order.calibrations.empty()
                                      ? calibrate::beside_sessions(place->sessions, "calibrations")
                                      : order.calibrations;
    auto record =
        calibrate::evaluate_typed(order.kind, place->rig, *base, utc_now_ns(),
                                  calibrate::read_shelf(directory), order.evaluation, kProgram);
    return record.ok() ? kept(directory, *record) : failed(record.error());
  }
  auto document = calibrate::series_for(order.kind, *base, order.series);
  if (!document.ok()) return failed(document.error());
  const std::string text = document->dump(2) + "\n";
  auto made = parse_series(text, "calibrate-" + order.kind);
  if (!made.ok()) return failed(made.error());
  Answer shown;
  shown.text = what_it_does(*made);
  if (order.show) {
    shown.object = {{"series", *document}};
    if (!order.out.empty()) {
      if (auto written = report::write_whole(order.out, text); !written.ok()) {
        return failed(written.error());
      }
      shown.text += "\nwritten to " + order.out + "; run it: creel start " + order.out +
                    " --follow, then: creel calibrate " + order.kind + " --from SESSION";
    }
    shown.text += "\nNothing was opened or moved.";
    return shown;
  }
  if (!common.json) print(shown, false);
  Answer trouble;
  auto path = run(common, text, trouble);
  return path.ok() ? evaluate_path(common, order, *path) : trouble;
}

void add_calibrations(Answer& answer, const std::string& series_text, const std::string& rig,
                      const std::string& directory, std::int64_t at_utc_ns) {
  auto series = parse_series(series_text, "series");
  if (directory.empty() || !series.ok()) return;
  const calibrate::Shelf shelf = calibrate::read_shelf(directory);
  const std::vector<calibrate::Need> needs = calibrate::needs(*series, rig, shelf, at_utc_ns);
  const std::vector<std::string> odd = calibrate::implausible(*series, rig, shelf);
  answer.object["calibrations"] = calibrate::to_json(needs);
  answer.object["implausible"] = odd;
  for (const calibrate::Need& one : needs) {
    if (!one.sentence.empty()) answer.text += "\nwarning: " + one.sentence;
  }
  for (const std::string& sentence : odd) answer.text += "\nwarning: " + sentence;
}

}  // namespace creel::cli
