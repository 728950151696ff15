#include "protocol/series/calibration.h"

#include <algorithm>
#include <set>

#include "protocol/base/text.h"
#include "protocol/json/strict_json.h"
#include "protocol/series/faults.h"
#include "protocol/series/schema_check.h"

namespace creel {
namespace {

using documents::Faults;
using documents::Pointer;
using nlohmann::json;

/// What fields mean together.
void check_meaning(const json& root, Faults& faults) {
  std::set<std::string> names;
  const json& values = root.at("values");
  for (std::size_t i = 0; i < values.size(); ++i) {
    const auto& name = values[i].at("name").get_ref<const std::string&>();
    if (!names.insert(name).second) {
      faults.error(Pointer("/values") / i / "name",
                   "got \"" + name + "\", which stands in the list already");
    }
  }
  for (const char* field : {"taken_at", "valid_until"}) {
    if (!utc_from_text(root.at(field).get_ref<const std::string&>())) {
      faults.error(Pointer("/") / field, "got a day that does not exist");
    }
  }
  if (!root.contains("covariance")) return;
  const json& of = root.at("covariance").at("of");
  const json& matrix = root.at("covariance").at("matrix");
  for (std::size_t i = 0; i < of.size(); ++i) {
    if (!names.contains(of[i].get<std::string>())) {
      faults.error(Pointer("/covariance/of") / i, "got " + of[i].dump() + ", which is no value");
    }
  }
  const bool square = matrix.size() == of.size() &&
                      std::all_of(matrix.begin(), matrix.end(),
                                  [&](const json& row) { return row.size() == of.size(); });
  if (!square) {
    faults.error(Pointer("/covariance/matrix"),
                 "must have as many rows and columns as covariance.of has names");
  }
}

CalibrationValue read_value(const json& from) {
  return {from.at("name"),  from.at("unit"),     from.at("value"),
          from.at("sigma"), from.at("rests_on"), from.value("note", "")};
}

Calibration read(const json& root, std::string_view origin) {
  Calibration made;
  made.kind = root.at("kind");
  made.rig = root.at("rig");
  made.devices = root.at("devices");
  made.taken_utc_ns = utc_from_text(root.at("taken_at").get<std::string>()).value_or(0);
  made.valid_until_utc_ns = utc_from_text(root.at("valid_until").get<std::string>()).value_or(0);
  made.holds_for = root.at("holds_for");
  made.conditions = root.at("conditions");
  made.method = root.at("method");
  made.source = root.at("source");
  made.edge_table = root.value("edge_table", "");
  for (const json& value : root.at("values")) made.values.push_back(read_value(value));
  if (root.contains("covariance")) {
    made.covariance_of = root.at("covariance").at("of").get<std::vector<std::string>>();
    made.covariance = root.at("covariance").at("matrix").get<std::vector<std::vector<double>>>();
  }
  for (const json& session : root.at("sessions")) {
    made.sessions.push_back(
        {session.at("name"),
         session.at("frames").get<std::vector<std::pair<std::uint64_t, std::uint64_t>>>()});
  }
  made.remarks = root.value("remarks", std::vector<std::string>{});
  made.program = root.at("program");
  made.origin = origin;
  return made;
}

}  // namespace

const CalibrationValue* Calibration::find(std::string_view name) const {
  const auto at = std::find_if(values.begin(), values.end(),
                               [name](const CalibrationValue& one) { return one.name == name; });
  return at == values.end() ? nullptr : &*at;
}

Result<Calibration> parse_calibration(std::string_view text, std::string_view origin) {
  static const documents::SchemaCheck schema(calibration_schema());
  auto document = Document::parse(text, documents::kDocumentLimits, origin);
  if (!document.ok()) return document.error();
  Faults faults(*document, origin);
  if (schema.check(*document, faults)) check_meaning(document->value, faults);
  if (faults.any()) return faults.as_error();
  return read(document->value, origin);
}

json to_json(const Calibration& calibration) {
  json made = {{"creel_calibration", 0},
               {"kind", calibration.kind},
               {"rig", calibration.rig},
               {"devices", calibration.devices},
               {"taken_at", utc_text(calibration.taken_utc_ns)},
               {"valid_until", utc_text(calibration.valid_until_utc_ns)},
               {"holds_for", calibration.holds_for},
               {"conditions", calibration.conditions},
               {"method", calibration.method},
               {"source", calibration.source},
               {"values", json::array()},
               {"sessions", json::array()},
               {"remarks", calibration.remarks},
               {"program", calibration.program}};
  if (!calibration.edge_table.empty()) made["edge_table"] = calibration.edge_table;
  for (const CalibrationValue& one : calibration.values) {
    json value = {{"name", one.name},
                  {"unit", one.unit},
                  {"value", one.value},
                  {"sigma", one.sigma},
                  {"rests_on", one.rests_on}};
    if (!one.note.empty()) value["note"] = one.note;
    made["values"].push_back(std::move(value));
  }
  if (!calibration.covariance_of.empty()) {
    made["covariance"] = {{"of", calibration.covariance_of}, {"matrix", calibration.covariance}};
  }
  for (const CalibrationSession& session : calibration.sessions) {
    made["sessions"].push_back({{"name", session.name}, {"frames", session.frames}});
  }
  return made;
}

std::string does_not_hold(const Calibration& calibration, const json& series_document) {
  const json microscope = series_document.is_object()
                              ? series_document.value("microscope", json::object())
                              : json::object();
  for (const auto& [name, then] : calibration.holds_for.items()) {
    const json now = microscope.value(name, json("unknown"));
    if (then != "unknown" && now != "unknown" && then != now) {
      return name + " was " + then.dump() + " then and is " + now.dump() + " now";
    }
  }
  return "";
}

const CalibrationKind* find_calibration_kind(std::string_view name) {
  const auto at = std::find_if(kCalibrationKinds.begin(), kCalibrationKinds.end(),
                               [name](const CalibrationKind& kind) { return kind.name == name; });
  return at == kCalibrationKinds.end() ? nullptr : &*at;
}

}  // namespace creel
