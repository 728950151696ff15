#include "drivers/replay/replayed.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace creel::replay {
namespace {

using nlohmann::json;

std::unique_ptr<session::Reader> open_session(session::FileSource& source,
                                              const std::string& path) {
  if (path.empty() || path.front() != '/') {
    throw kit::Failure(CREEL_E_INVALID, "config field session: given \"" + path +
                                            "\"; must be the absolute path of a session");
  }
  auto reader = session::Reader::open(source, path);
  if (!reader.ok()) {
    throw kit::Failure(CREEL_E_INVALID, reader.error().text +
                                            " (it must also be among sandbox.read_paths of this "
                                            "device in the rig)");
  }
  return std::move(*reader);
}

Recording read_script(session::Reader& reader, const std::string& device) {
  auto script = read_recording(reader, device);
  if (!script.ok()) {
    throw kit::Failure(CREEL_E_INVALID, script.error().text);
  }
  return std::move(*script);
}

bool fits(const json& setting, const json& value) {
  const std::string type = setting.value("type", "");
  if (type == "text") {
    return value.is_string();
  }
  if (type == "flag") {
    return value.is_boolean();
  }
  if (!value.is_number() || (type == "integer" && !value.is_number_integer())) {
    return false;
  }
  const double number = value.get<double>();
  return number >= setting.value("min", -HUGE_VAL) && number <= setting.value("max", HUGE_VAL);
}

}  // namespace

kit::Failure as_recorded(std::int32_t code, const Failure& failure) {
  return {code, "as recorded: " + failure.text};
}

Replayed::Replayed(const json& config, kit::Services services)
    : Replayed(
          [&config] {
            kit::Config fields(config);
            Settings read;
            const std::string name = fields.text("name", "");
            read.session = fields.text("session", "");
            read.device = fields.text("device", name);
            read.longest_wait_s = fields.number("longest_wait_s", 1, 0, 1e7);
            read.free = fields.flag("free", false);
            fields.done();
            return read;
          }(),
          services) {}

Replayed::Replayed(const Settings& from, kit::Services services)
    : services_(services),
      device_(from.device),
      longest_wait_ns_(std::llround(from.longest_wait_s * 1e9)),
      free_(from.free),
      source_(session::native_source()),
      reader_(open_session(*source_, from.session)),
      script_(read_script(*reader_, from.device)),
      place_(services, script_.session),
      settings_(script_.settings) {}

json Replayed::description() const {
  json made = script_.described;
  json identity = made.value("identity", json::object());
  for (const char* field : {"maker", "model", "serial", "firmware"}) {
    if (!identity.contains(field) || !identity[field].is_string() || identity[field] == "") {
      identity[field] = "unknown";
    }
  }
  made["identity"] = std::move(identity);
  if (!made.contains("settings") || !made["settings"].is_object()) {
    made["settings"] = json::object();
  }
  made["replay"] = {{"session", script_.session}, {"device", device_}};
  made.erase("axes");
  made.erase("channels");
  return made;
}

json Replayed::known_values(const std::string& name) const {
  json values = json::array();
  const auto add = [&values](const json& value) {
    if (std::find(values.begin(), values.end(), value) == values.end()) {
      values.push_back(value);
    }
  };
  if (script_.settings.contains(name)) {
    add(script_.settings[name]);
  }
  for (const SettingChange& change : script_.changes) {
    if (change.name == name) {
      add(change.asked);
    }
  }
  return values;
}

void Replayed::set(const std::string& name, const json& value) {
  const json offered = script_.described.value("settings", json::object());
  if (!offered.contains(name)) {
    throw kit::Failure(CREEL_E_INVALID, "setting " + name + " is not known; known: " +
                                            (offered.empty() ? "none" : offered.dump()));
  }
  if (!fits(offered[name], value)) {
    throw kit::Failure(CREEL_E_INVALID, "setting " + name + ": given " + value.dump() +
                                            "; allowed: " + offered[name].dump());
  }
  if (free_) {
    settings_[name] = value;
    return;
  }
  break_before_begin(Step::set);
  const auto change = std::find_if(
      script_.changes.begin(), script_.changes.end(),
      [&](const SettingChange& one) { return one.name == name && one.asked == value; });
  if (change != script_.changes.end() && change->settings.is_object() &&
      change->settings.contains(name)) {
    settings_[name] = change->settings[name];  // as the device rounded it
    return;
  }
  const json known = known_values(name);
  if (std::find(known.begin(), known.end(), value) == known.end()) {
    throw kit::Failure(CREEL_E_INVALID, "setting " + name + ": asked for " + value.dump() +
                                            ", recorded with " + known.dump() +
                                            ": this is not the series that was recorded");
  }
  settings_[name] = value;
}

const Attempt* Replayed::attempt(std::uint64_t number) const {
  return number < script_.attempts.size() ? &script_.attempts[number] : nullptr;
}

kit::Failure Replayed::at_the_end() const {
  return {CREEL_E_REFUSED, "the recording ends here: all " +
                               std::to_string(script_.attempts.size()) + " exposures of session " +
                               script_.session +
                               " were replayed. To replay it again start creeld again, with "
                               "another state directory"};
}

void Replayed::break_before_begin(Step step) {
  const std::uint64_t number = place_.begun();
  const Attempt* next = attempt(number);
  if (next == nullptr || next->frames > 0 || !next->failure || next->failure->device != device_ ||
      next->failure->step != step || !place_.act(number)) {
    return;
  }
  place_.begin();
  if (place_.timed()) {  // a call that was not answered took its time
    std::ignore = wait_until_due(next->failure->world_ns);
  }
  throw as_recorded(CREEL_E_REFUSED, *next->failure);
}

std::int64_t Replayed::due(std::int64_t recorded_ns) {
  return place_.due(recorded_ns, services_.now_ns(), longest_wait_ns_);
}

}  // namespace creel::replay
