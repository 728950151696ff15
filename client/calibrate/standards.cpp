#include "client/calibrate/standards.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <system_error>

#include "client/calibrate/folder.h"
#include "daemon/spectra/zero_loss.h"
#include "protocol/base/crc32c.h"
#include "protocol/base/text.h"
#include "protocol/json/strict_json.h"

namespace creel::calibrate {

namespace fs = std::filesystem;
using nlohmann::json;

namespace {

constexpr std::size_t kMostBytes = 64'000'000;

Error faulty(const std::string& origin, const std::string& fault) {
  return {ErrorCode::invalid_request, origin + ": " + fault};
}

std::optional<double> known(const json& from, const char* field) {
  const json value = from.value(field, json());
  return value.is_number() ? std::optional(value.get<double>()) : std::nullopt;
}

json or_null(const std::optional<double>& value) {
  return value ? json(*value) : json();
}

Result<std::string> read_whole(const std::string& path) {
  std::error_code failed;
  const auto size = fs::file_size(path, failed);
  if (failed) return Error{ErrorCode::invalid_request, path + ": " + failed.message()};
  if (size > kMostBytes) {
    return Error{ErrorCode::invalid_request,
                 path + ": " + bytes_text(static_cast<double>(size)) + "; a spectrum is smaller"};
  }
  std::ifstream file(path, std::ios::binary);
  return std::string{std::istreambuf_iterator<char>(file), {}};
}

}  // namespace

Result<Standard> parse_standard(std::string_view text, const std::string& origin) {
  auto parsed = parse_strict(text, {}, origin);
  if (!parsed.ok()) return parsed.error();
  const json& root = *parsed;
  if (!root.is_object() || root.value("creel_standard", json()) != 0) {
    return faulty(origin, "is no record of a standard (creel_standard: 0)");
  }
  for (const auto& [name, value] : root.items()) {
    static const std::vector<std::string> kKnown = {
        "creel_standard", "name",          "element",    "state",    "known_from",
        "session",        "file",          "crc32c",     "taken_at", "resolution_fwhm_ev",
        "t_over_lambda",  "dose_e_per_a2", "expires_at", "rig",      "detector",
        "program"};
    if (std::find(kKnown.begin(), kKnown.end(), name) == kKnown.end()) {
      return faulty(origin, "has \"" + name + "\", which is no field of a standard");
    }
  }
  for (const char* field : {"name", "element", "known_from", "taken_at", "expires_at", "program"}) {
    if (!root.value(field, json()).is_string()) {
      return faulty(origin, std::string(field) + ": must be a text");
    }
  }
  Standard made;
  const auto taken = utc_from_text(root["taken_at"].get<std::string>());
  const auto expires = utc_from_text(root["expires_at"].get<std::string>());
  if (!taken || !expires || !root.value("state", json()).is_number()) {
    return faulty(origin, "taken_at and expires_at must be dates with times, state a number");
  }
  made.name = root["name"];
  made.element = root["element"];
  made.state = root["state"];
  made.known_from = root["known_from"];
  made.session = root.value("session", "");
  made.file = root.value("file", "");
  made.crc32c = root.value("crc32c", 0U);
  made.resolution_fwhm_ev = known(root, "resolution_fwhm_ev");
  made.t_over_lambda = known(root, "t_over_lambda");
  made.dose_e_per_a2 = known(root, "dose_e_per_a2");
  made.taken_utc_ns = *taken;
  made.expires_utc_ns = *expires;
  made.rig = root.value("rig", "");
  made.detector = root.value("detector", json());
  made.program = root["program"];
  made.origin = origin;
  if (made.session.empty() == made.file.empty()) {
    return faulty(origin, "must have either session or file");
  }
  return made;
}

json to_json(const Standard& standard) {
  json made = {{"creel_standard", 0},
               {"name", standard.name},
               {"element", standard.element},
               {"state", standard.state},
               {"known_from", standard.known_from},
               {"resolution_fwhm_ev", or_null(standard.resolution_fwhm_ev)},
               {"t_over_lambda", or_null(standard.t_over_lambda)},
               {"dose_e_per_a2", or_null(standard.dose_e_per_a2)},
               {"taken_at", utc_text(standard.taken_utc_ns)},
               {"expires_at", utc_text(standard.expires_utc_ns)},
               {"rig", standard.rig},
               {"detector", standard.detector},
               {"program", standard.program}};
  if (standard.file.empty()) {
    made["session"] = standard.session;
  } else {
    made["file"] = standard.file;
    made["crc32c"] = standard.crc32c;
  }
  return made;
}

Library read_library(const std::string& directory) {
  Library library;
  std::error_code failed;
  for (const fs::directory_entry& entry : fs::directory_iterator(directory, failed)) {
    if (entry.path().extension() != ".json") continue;
    auto text = read_whole(entry.path().string());
    auto standard =
        text.ok() ? parse_standard(*text, entry.path().string()) : Result<Standard>(text.error());
    if (standard.ok()) {
      library.standards.push_back(std::move(*standard));
    } else {
      library.unreadable.push_back(standard.error().text);
    }
  }
  std::sort(library.standards.begin(), library.standards.end(),
            [](const Standard& a, const Standard& b) { return a.origin < b.origin; });
  return library;
}

Result<Standard> standard_of(const report::SessionInput& input, double dose_e_per_a2) {
  if (!input.series.known_state) {
    return Error{ErrorCode::invalid_request,
                 "session " + input.documents.name +
                     " does not say the oxidation state of its specimen "
                     "(specimen.known_oxidation_state in its series): it is no standard"};
  }
  Standard made;
  made.element = input.series.known_state->element;
  made.state = input.series.known_state->state;
  made.known_from = input.series.known_state->known_from;
  made.session = input.path;
  made.taken_utc_ns = input.documents.start_utc_ns;
  made.dose_e_per_a2 = dose_e_per_a2;
  const analysis::SessionSpectra& spectra = input.spectra;
  if (spectra.zero_loss) made.resolution_fwhm_ev = spectra.zero_loss->fwhm_ev();
  if (spectra.zero_loss && !spectra.low_loss.empty()) {
    const auto thick =
        analysis::thickness(spectra.low_loss, spectra.low_loss_grid.first_ev,
                            spectra.low_loss_grid.dispersion_ev, spectra.zero_loss->fwhm_ev());
    if (thick.ok()) made.t_over_lambda = thick->t_over_lambda;
  }
  auto rig = parse_rig(input.documents.rig_text, input.documents.name + " (its rig)");
  if (rig.ok()) made.rig = rig->name;
  const json& devices = input.documents.devices;
  if (devices.is_object() && devices.contains(input.series.detector)) {
    made.detector =
        devices[input.series.detector].value("describe", json::object()).value("identity", json());
  }
  return made;
}

Result<void> import_file(const std::string& path, const std::string& directory,
                         Standard& standard) {
  auto bytes = read_whole(path);
  if (!bytes.ok()) return bytes.error();
  std::error_code failed;
  fs::create_directories(directory, failed);
  if (failed) return Error{ErrorCode::storage_failed, directory + ": " + failed.message()};
  const std::string name = standard.name + fs::path(path).extension().string();
  fs::copy_file(path, fs::path(directory) / name, failed);  // refuses to replace one
  if (failed) {
    return Error{ErrorCode::storage_failed,
                 (fs::path(directory) / name).string() + ": " + failed.message()};
  }
  standard.file = name;
  standard.crc32c = crc32c(std::as_bytes(std::span(bytes->data(), bytes->size())));
  return {};
}

}  // namespace creel::calibrate
