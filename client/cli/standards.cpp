// standards: what a laboratory measured itself.

#include "client/calibrate/standards.h"

#include <algorithm>
#include <filesystem>

#include "client/calibrate/folder.h"
#include "client/cli/calibrate.h"
#include "client/cli/files.h"
#include "client/cli/last_session.h"
#include "client/cli/meter.h"
#include "client/cli/today.h"
#include "client/report/drawing.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr const char* kProgram = "creel " CREEL_VERSION;
constexpr double kYear_ns = 365.25 * 86400e9;

std::string or_unknown(const std::optional<double>& value) {
  return value ? number(*value) : "unknown";
}

Result<std::string> standards_folder(const Common& common, const std::string& given) {
  if (!given.empty()) return given;
  auto place = place_of(common);
  if (!place.ok()) return place.error();
  return calibrate::beside_sessions(place->sessions, "standards");
}

double dose_of(session::Reader& reader) {
  double most = 0;
  for (const session::Record& record : reader.records()) most = std::max(most, record.area_dose);
  return most;
}

Result<calibrate::Standard> from_session(const Common& common, const std::string& path) {
  const auto source = session::native_source();
  auto reader = session::Reader::open(*source, path);
  if (!reader.ok()) return reader.error();
  Meter meter(common.progress, "reading " + path);
  auto input = report::read_session(*source, path, nullptr,
                                    [&meter](std::uint64_t done, std::uint64_t total) {
                                      meter.at(done, total);
                                      return true;
                                    });
  if (!input.ok()) return input.error();
  return calibrate::standard_of(*input, dose_of(**reader));
}

bool is_session(const std::string& path) {
  return path.ends_with(".h5") || std::filesystem::is_directory(path);
}

Result<calibrate::Standard> imported(const StandardOrder& order, const std::string& folder) {
  calibrate::Standard made;
  made.element = order.element;
  made.state = order.state;
  made.known_from = order.known_from;
  made.taken_utc_ns = utc_now_ns();
  if (order.name.empty() || order.element.empty() || order.known_from.empty() ||
      order.state < -10) {
    return Error{ErrorCode::invalid_request,
                 "an imported spectrum says nothing of itself: give --name, --element, --state and "
                 "--known-from"};
  }
  made.name = order.name;
  CREEL_TRY(calibrate::import_file(order.source, folder, made));
  return made;
}

}  // namespace

Answer standards_list(const Common& common, const std::string& given) {
  auto folder = standards_folder(common, given);
  if (!folder.ok()) return failure("standards", Exit::no_daemon, folder.error());
  const calibrate::Library library = calibrate::read_library(*folder);
  Answer answer;
  answer.object = {{"directory", *folder}, {"standards", json::array()}};
  std::vector<std::vector<std::string>> rows{
      {"standard", "metal", "state", "fwhm eV", "t/lambda", "dose e/A^2", "taken", "expires", ""}};
  for (const calibrate::Standard& one : library.standards) {
    const bool expired = utc_now_ns() > one.expires_utc_ns;
    rows.push_back({one.name, one.element, number(one.state), or_unknown(one.resolution_fwhm_ev),
                    or_unknown(one.t_over_lambda), or_unknown(one.dose_e_per_a2),
                    utc_text(one.taken_utc_ns).substr(0, 10),
                    utc_text(one.expires_utc_ns).substr(0, 10), expired ? "EXPIRED" : ""});
    json record = calibrate::to_json(one);
    record["expired"] = expired;
    answer.object["standards"].push_back(std::move(record));
  }
  answer.text = (rows.size() == 1 ? "no standards" : table(rows)) + "\nin " + *folder;
  for (const std::string& fault : library.unreadable) answer.text += "\nnot readable: " + fault;
  return answer;
}

Answer standards_add(const Common& common, const StandardOrder& order) {
  const auto failed = [](const Error& error) {
    return failure("standards", exit_of(error.code), error);
  };
  auto folder = standards_folder(common, order.folder);
  if (!folder.ok()) return failed(folder.error());
  Result<calibrate::Standard> made = Error{};
  const bool is_file = std::filesystem::exists(order.source) && !is_session(order.source);
  if (is_file) {
    made = imported(order, *folder);
  } else {
    auto path = locate(common, order.source);
    made = path.ok() ? from_session(common, *path) : Result<calibrate::Standard>(path.error());
  }
  if (!made.ok()) return failed(made.error());
  made->program = kProgram;
  if (!order.name.empty()) made->name = order.name;
  if (made->name.empty()) {
    made->name = made->element + number(made->state) + "-" +
                 std::filesystem::path(made->session).stem().string();
  }
  if (order.fwhm_ev > 0) made->resolution_fwhm_ev = order.fwhm_ev;
  if (order.t_over_lambda >= 0) made->t_over_lambda = order.t_over_lambda;
  if (order.dose >= 0) made->dose_e_per_a2 = order.dose;
  made->expires_utc_ns = made->taken_utc_ns + static_cast<std::int64_t>(kYear_ns);
  if (!order.expires.empty()) {
    const auto day =
        utc_from_text(order.expires.size() == 10 ? order.expires + "T00:00:00Z" : order.expires);
    if (!day) {
      return failed({ErrorCode::invalid_request, "--expires: given \"" + order.expires +
                                                     "\"; must be a date such as 2027-11-27"});
    }
    made->expires_utc_ns = *day;
  }
  auto path = calibrate::write_new(*folder, made->name, calibrate::to_json(*made).dump(1) + "\n");
  if (!path.ok()) return failed(path.error());
  Answer answer;
  answer.object = {{"standard", calibrate::to_json(*made)}, {"path", *path}};
  answer.text = made->name + ": " + made->element + " in state " + number(made->state) +
                ", resolution " + or_unknown(made->resolution_fwhm_ev) + " eV, t/lambda " +
                or_unknown(made->t_over_lambda) + ", dose " + or_unknown(made->dose_e_per_a2) +
                " e/A^2, expires " + utc_text(made->expires_utc_ns).substr(0, 10) +
                "\nwritten to " + *path;
  return answer;
}

}  // namespace creel::cli
