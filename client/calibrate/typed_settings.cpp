#include "client/calibrate/typed_settings.h"

#include <filesystem>
#include <fstream>
#include <iterator>
#include <system_error>

#include "client/calibrate/needs.h"
#include "protocol/base/crc32c.h"
#include "protocol/base/text.h"

namespace creel::calibrate {

namespace fs = std::filesystem;
using nlohmann::json;

namespace {

constexpr const char* kGroups[] = {"microscope", "laser", "beam"};
constexpr std::uintmax_t kMostPhoto = 64'000'000;

std::string unit_of(const std::string& field) {
  constexpr std::pair<const char*, const char*> kEnds[] = {
      {"_kv", "kV"},     {"_mm", "mm"},
      {"_mrad", "mrad"}, {"_ev_per_channel", "eV"},
      {"_ev", "eV"},     {"_na", "nA"},
      {"_k", "K"},       {"_nm", "nm"},
      {"_fs", "fs"},     {"_khz", "kHz"},
      {"_nj", "nJ"},     {"_um", "um"},
      {"_ps", "ps"},     {"_e_per_a2_s", "e/A^2/s"}};
  for (const auto& [end, unit] : kEnds) {
    if (field.ends_with(end)) return unit;
  }
  return "";
}

Error no_number(const TypedSetting& setting, const std::string& typed) {
  return {ErrorCode::invalid_request, setting.name + ": given \"" + typed + "\"; must be a number" +
                                          (setting.unit.empty() ? "" : " in " + setting.unit) +
                                          " or unknown"};
}

}  // namespace

std::vector<TypedSetting> typed_settings(const json& series_document) {
  std::vector<TypedSetting> found;
  for (const char* group : kGroups) {
    const json fields = series_document.value(group, json::object());
    for (const auto& [field, value] : fields.items()) {
      if (field != "notes" && (value.is_number() || value.is_string())) {
        found.push_back({std::string(group) + "." + field, value, unit_of(field)});
      }
    }
  }
  return found;
}

Result<void> put_typed(json& series_document, const std::string& name, const std::string& typed) {
  for (const TypedSetting& one : typed_settings(series_document)) {
    if (one.name != name) continue;
    const std::size_t dot = name.find('.');
    json& place = series_document[name.substr(0, dot)][name.substr(dot + 1)];
    const json parsed = json::parse(typed, nullptr, false);
    const bool number_wanted = one.value.is_number() || !one.unit.empty();
    if (parsed.is_number() && number_wanted) {
      place = parsed;
    } else if (typed == "unknown" || !number_wanted) {
      place = typed;
    } else {
      return no_number(one, typed);
    }
    return {};
  }
  return Error{ErrorCode::invalid_request, "the series has no typed setting \"" + name + "\""};
}

void copy_typed(const json& from, json& into) {
  for (const char* group : kGroups) {
    if (from.contains(group)) into[group] = from[group];
  }
}

std::vector<std::string> put_measured(json& series_document, const std::string& rig,
                                      const Shelf& shelf, std::int64_t now_utc_ns) {
  std::vector<std::string> names;
  if (!series_document.contains("beam")) return names;
  json& beam = series_document["beam"];
  const auto typed_at = utc_from_text(beam.value("measured_at", std::string()));
  const auto record_of = [&](std::string_view kind) -> const Calibration* {
    const auto record = required(kind, rig, series_document, shelf, now_utc_ns);
    return record.ok() && (!typed_at || (*record)->taken_utc_ns > *typed_at) ? *record : nullptr;
  };
  const auto put = [&](const std::string& name, json value) {
    beam[name] = std::move(value);
    names.push_back("beam." + name);
  };
  const Calibration* residual = record_of("residual");
  if (const Calibration* rate = record_of("dose-rate"); rate != nullptr) {
    const CalibrationValue* dose = rate->find("dose_rate_e_per_a2_s");
    if (dose != nullptr && dose->value > 0 && dose->sigma < dose->value) {
      put("dose_rate_e_per_a2_s", dose->value);
      put("relative_uncertainty", dose->sigma / dose->value);
      put("method", "creel calibrate dose-rate: " + rate->method);
      put("measured_at", utc_text(rate->taken_utc_ns));
    }
  }
  // The fraction is what was measured; the dose rate that it is of may be newer.
  const CalibrationValue* fraction = residual == nullptr ? nullptr : residual->find("fraction");
  if (fraction != nullptr && beam.value("dose_rate_e_per_a2_s", json()).is_number()) {
    put("residual_e_per_a2_s",
        std::max(0.0, fraction->value) * beam["dose_rate_e_per_a2_s"].get<double>());
  }
  return names;
}

Result<Photograph> keep_photograph(const std::string& path, const std::string& directory,
                                   const std::string& name) {
  std::error_code failed;
  const auto size = fs::file_size(path, failed);
  if (failed) return Error{ErrorCode::invalid_request, path + ": " + failed.message()};
  if (size > kMostPhoto) {
    return Error{ErrorCode::invalid_request, path + ": " + bytes_text(static_cast<double>(size)) +
                                                 "; a photograph is at most 64 MB"};
  }
  std::ifstream file(path, std::ios::binary);
  const std::string bytes{std::istreambuf_iterator<char>(file), {}};
  Photograph made;
  made.file = name + fs::path(path).extension().string();
  made.bytes = bytes.size();
  made.crc32c = crc32c(std::as_bytes(std::span(bytes.data(), bytes.size())));
  fs::create_directories(directory, failed);
  if (!failed) fs::copy_file(path, fs::path(directory) / made.file, failed);
  if (failed) {
    return Error{ErrorCode::storage_failed,
                 (fs::path(directory) / made.file).string() + ": " + failed.message()};
  }
  return made;
}

json to_json(const Answers& answers, const json& series_document) {
  json made = {{"creel_settings", 0},
               {"rig", answers.rig},
               {"from_session", answers.from_session},
               {"taken_at", utc_text(answers.taken_utc_ns)},
               {"values", json::object()},
               {"confirmed", answers.confirmed},
               {"changed", answers.changed},
               {"measured", answers.measured},
               {"photographs", json::array()},
               {"program", answers.program}};
  for (const TypedSetting& one : typed_settings(series_document)) {
    made["values"][one.name] = one.value;
  }
  for (const Photograph& photo : answers.photographs) {
    made["photographs"].push_back(
        {{"file", photo.file}, {"bytes", photo.bytes}, {"crc32c", photo.crc32c}});
  }
  return made;
}

}  // namespace creel::calibrate
