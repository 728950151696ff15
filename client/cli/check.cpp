// check and start: a series file before it runs.

#include <cerrno>
#include <filesystem>
#include <fstream>
#include <system_error>

#include "client/calibrate/folder.h"
#include "client/cli/calibrate.h"
#include "client/cli/commands.h"
#include "client/cli/files.h"
#include "client/cli/follow.h"
#include "client/cli/link.h"
#include "client/cli/today.h"
#include "protocol/base/text.h"
#include "protocol/series/estimate.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr std::size_t kMostText = 1'000'000;  // what creeld takes in one request
constexpr Duration kCheckLimit = seconds(30);
constexpr Duration kStartLimit = seconds(120);  // laying out a session's files takes its time

json estimate_object(const Series& series, const std::vector<std::string>& warnings) {
  const Estimate sum = estimate(series);
  json areas = json::array();
  for (const Area& area : series.areas) {
    const auto planned = sum.planned.find(area.key());
    areas.push_back(
        {{"area", area.key()},
         {"planned_e_per_a2", planned == sum.planned.end() ? 0.0 : planned->second.value},
         {"limit_e_per_a2", area.dose_limit.value}});
  }
  return {{"name", series.name},
          {"exposures", sum.exposures},
          {"duration_s", sum.exposed_s},
          {"warnings", warnings},
          {"areas", areas}};
}

Result<json> check_here(const std::string& text, const std::string& origin,
                        const std::string& rig_file) {
  auto rig_text = read_text(rig_file, kMostText);
  if (!rig_text.ok()) {
    return rig_text.error();
  }
  auto rig = parse_rig(*rig_text, rig_file);
  if (!rig.ok()) {
    return rig.error();
  }
  auto series = parse_series(text, origin);
  if (!series.ok()) {
    return series.error();
  }
  auto fits = check_against_rig(*series, *rig);
  if (!fits.ok()) {
    return fits.error();
  }
  std::vector<std::string> warnings = rig->warnings;
  warnings.insert(warnings.end(), series->warnings.begin(), series->warnings.end());
  warnings.insert(warnings.end(), fits->begin(), fits->end());
  return estimate_object(*series, warnings);
}

std::string warnings_text(const json& answer) {
  std::string text;
  for (const json& warning : list_of(answer, "warnings")) {
    if (warning.is_string()) {
      text += "\nwarning: " + warning.get<std::string>();
    }
  }
  return text;
}

std::string check_text(const std::string& file, const json& answer, bool with_ledger) {
  std::string text = file + ": good.\n" + text_of(answer, "name") + ": " +
                     number(number_of(answer, "exposures"), 12) + " exposures, at least " +
                     time_span(number_of(answer, "duration_s"));
  if (answer.contains("bytes")) {
    text += ", about " + bytes_text(number_of(answer, "bytes")) + " on disk";
  }
  std::vector<std::vector<std::string>> rows{{"area", "planned e/A^2", "had e/A^2", "limit e/A^2"}};
  for (const json& area : list_of(answer, "areas")) {
    rows.push_back(
        {text_of(area, "area"), number(number_of(area, "planned_e_per_a2")),
         area.contains("had_e_per_a2") ? number(number_of(area, "had_e_per_a2")) : "not asked",
         number(number_of(area, "limit_e_per_a2"))});
  }
  if (rows.size() > 1) {
    text += "\n" + table(rows);
  }
  text += warnings_text(answer);
  text +=
      with_ledger ? "" : "\nThe dose ledger was not asked: that needs creeld (leave out --rig).";
  return text;
}

/// Warnings of the calibrations of creeld's rig; none where it cannot be asked.
void warn_of_calibrations(const Common& common, const std::string& text, Answer& answer) {
  if (const auto place = place_of(common); place.ok()) {
    add_calibrations(answer, text, place->rig,
                     calibrate::beside_sessions(place->sessions, "calibrations"), utc_now_ns());
  }
}

/// The same on a link that is open already.
void warn_of_calibrations(Link& link, const std::string& text, Answer& answer) {
  const auto status = link.call("daemon.status");
  const auto sessions = status.ok() ? link.call("session.list") : status;
  if (sessions.ok() && sessions->contains("directory")) {
    add_calibrations(answer, text, text_of(*status, "rig"),
                     calibrate::beside_sessions(text_of(*sessions, "directory"), "calibrations"),
                     utc_now_ns());
  }
}

/// Of a rig file, or of creeld's rig where none is given; "" where neither can be had.
std::string rig_name(const Common& common, const std::string& rig_file) {
  if (rig_file.empty()) {
    const auto place = place_of(common);
    return place.ok() ? place->rig : "";
  }
  const auto text = read_text(rig_file, kMostText);
  const auto rig = text.ok() ? parse_rig(*text, rig_file) : Result<Rig>(text.error());
  return rig.ok() ? rig->name : "";
}

}  // namespace

Result<std::string> read_text(const std::string& path, std::size_t most) {
  std::error_code failed;
  if (std::filesystem::is_directory(path, failed)) {
    return Error{ErrorCode::invalid_request, path + " is a directory; must be a file"};
  }
  std::ifstream file(path, std::ios::binary);
  if (!file) {
    return Error{ErrorCode::invalid_request, path + ": " + std::generic_category().message(errno)};
  }
  std::string text(most + 1, '\0');
  file.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (file.bad()) {
    return Error{ErrorCode::invalid_request, path + " cannot be read"};
  }
  text.resize(static_cast<std::size_t>(file.gcount()));
  if (text.size() > most) {
    return Error{ErrorCode::invalid_request, path + " is larger than " + std::to_string(most) +
                                                 " bytes; a document is smaller"};
  }
  if (text.empty()) {
    return Error{ErrorCode::invalid_request, path + " is empty"};
  }
  return text;
}

Answer check(const Common& common, const std::string& file, const std::string& rig_file,
             const std::string& calibrations) {
  auto text = read_text(file, kMostText);
  if (!text.ok()) {
    return failure("check", Exit::wrong, text.error());
  }
  Answer answer;
  if (rig_file.empty()) {
    auto called = call_once("check", common.socket, "series.check",
                            {{"text", *text}, {"origin", file}}, kCheckLimit);
    if (called.failed) {
      if (called.failed->exit == Exit::no_daemon) {
        called.failed->trouble += "\n        Without creeld: creel check " + file + " --rig FILE";
      }
      return *called.failed;
    }
    answer.object = called.result;
  } else {
    auto checked = check_here(*text, file, rig_file);
    if (!checked.ok()) {
      return failure("check", exit_of(checked.error().code), checked.error());
    }
    answer.object = *checked;
  }
  answer.text = check_text(file, answer.object, rig_file.empty());
  if (rig_file.empty() && calibrations.empty()) {
    warn_of_calibrations(common, *text, answer);
  } else if (!calibrations.empty()) {
    add_calibrations(answer, *text, rig_name(common, rig_file), calibrations, utc_now_ns());
  }
  answer.text += "\nNothing was opened or moved.";
  return answer;
}

Answer start(const Common& common, const std::string& file, bool follow_it) {
  auto text = read_text(file, kMostText);
  if (!text.ok()) {
    return failure("start", Exit::wrong, text.error());
  }
  auto link = Link::open(common.socket);
  if (!link.ok()) {
    return unreachable("start", link.error());
  }
  if (follow_it) {  // first, so that no event is missed
    if (auto followed = link->call("events.follow"); !followed.ok()) {
      return failure("start", link->exit_for(followed.error()), followed.error());
    }
  }
  auto started = link->call("series.start", {{"text", *text}, {"origin", file}}, kStartLimit);
  if (!started.ok() && started.error().code == ErrorCode::timed_out) {
    return failure(
        "start", Exit::trouble, started.error(),
        "the series may have been started all the same; nothing is exposed beyond its dose limit.",
        "see 'creel status'; 'creel stop' ends it.");
  }
  if (!started.ok()) {
    return failure("start", link->exit_for(started.error()), started.error());
  }
  Answer answer;
  answer.object = *started;
  answer.text = "started session " + text_of(*started, "session") + "\nrecorded in " +
                text_of(*started, "path") + warnings_text(*started);
  warn_of_calibrations(*link, *text, answer);
  if (!follow_it) {
    answer.text += "\nWatch it: creel follow. Hold it: creel hold. End it: creel stop.";
    return answer;
  }
  if (!common.json) {
    print(answer, false);
  }
  return watch(*link, common, text_of(*started, "session"), true);
}

}  // namespace creel::cli
