#include "drivers/replay/recording.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <string_view>
#include <utility>

namespace creel::replay {
namespace {

using nlohmann::json;
using session::Record;

constexpr std::uint16_t kNoArea = 0xFFFF;

bool letter(char c) {
  return std::isalnum(static_cast<unsigned char>(c)) != 0 || c == '_';
}

bool has_word(std::string_view text, std::string_view word) {
  for (auto at = text.find(word); at != std::string_view::npos; at = text.find(word, at + 1)) {
    const auto end = at + word.size();
    if ((at == 0 || !letter(text[at - 1])) && (end == text.size() || !letter(text[end]))) {
      return true;
    }
  }
  return false;
}

bool has_any_word(std::string_view text, std::initializer_list<std::string_view> words) {
  return std::any_of(words.begin(), words.end(),
                     [text](std::string_view word) { return has_word(text, word); });
}

bool begins(std::string_view text, std::string_view with) {
  return text.substr(0, with.size()) == with;
}

/// Which record stands in which life of the daemon: world time begins anew with each.
std::vector<std::size_t> lives_of(std::span<const Record> records,
                                  const std::vector<json>& events) {
  std::vector<std::size_t> lives(records.size(), 0);
  for (const json& event : events) {
    if (event.value("event", "") != "resumed") {
      continue;
    }
    const auto done = event.value("exposures_done", std::uint64_t{0});
    std::size_t first = 0;
    while (first < records.size() && records[first].exposure < done) {
      ++first;
    }
    // Broken frames of that exposure may still be of the life before: then time goes back after.
    for (std::size_t i = std::max<std::size_t>(first, 1);
         i < records.size() && records[i].exposure == done; ++i) {
      if (records[i].start_ns < records[i - 1].start_ns) {
        first = i;
      }
    }
    for (std::size_t i = first; i < records.size(); ++i) {
      ++lives[i];
    }
  }
  return lives;
}

/// Goes through events and frames together, in the order of what happened.
class Script {
 public:
  Script(const session::Reader& reader, const std::vector<json>& events, std::string device,
         Recording& made)
      : documents_(reader.documents()),
        records_(reader.records()),
        events_(events),
        lives_(lives_of(records_, events)),
        device_(std::move(device)),
        made_(made) {}

  void write() {
    read_documents();
    for (std::size_t i = 0; i < records_.size(); ++i) {
      of_exposure_[records_[i].exposure] = i;
    }
    std::size_t life = 0;
    for (const json& event : events_) {
      const std::string what = event.value("event", "");
      life += what == "resumed" ? 1 : 0;
      take_frames(life, event.value("world_ns", std::int64_t{0}));
      take_event(what, event);
    }
    take_frames(SIZE_MAX, 0);
    measure_streams();
  }

 private:
  void read_documents() {
    made_.session = documents_.name;
    made_.shape = documents_.shape;
    series_ = json::parse(documents_.series_text);
    const json& devices = series_.at("devices");
    made_.detector = devices.at("detector");
    made_.shutter = devices.at("shutter");
    made_.cathode_shutter = devices.value("cathode_shutter", "");
    made_.shutter_gates = series_.value("/gating/by"_json_pointer, "detector") == "shutter";
    const json shutter = documents_.devices.value(made_.shutter, json::object());
    made_.shutter_travel_ns = travel_of(made_.shutter);
    made_.cathode_travel_ns = travel_of(made_.cathode_shutter);
    made_.shutter_measures = shutter.value("/describe/measures"_json_pointer, true);
    const json rig = json::parse(documents_.rig_text);
    for (const json& one : rig.at("devices")) {
      if (one.at("name") == made_.shutter) {
        made_.fallback = one.value("fallback", "");
        made_.fallback_travel_ns = travel_of(made_.fallback);
      }
    }
    made_.device = documents_.devices.value(device_, json::object());
    made_.described = made_.device.value("describe", json::object());
    made_.settings = made_.device.value("settings", json::object());
    settings_ = made_.settings;
  }

  [[nodiscard]] std::int64_t travel_of(const std::string& shutter) const {
    return documents_.devices.value(shutter, json::object())
        .value("/describe/travel_ns"_json_pointer, std::int64_t{0});
  }

  /// Frames that were begun before `world_ns` in this life of the daemon, and all of earlier ones.
  void take_frames(std::size_t life, std::int64_t world_ns) {
    while (next_ < records_.size() &&
           (lives_[next_] < life || (lives_[next_] == life && begin_of(next_) < world_ns))) {
      take_exposure();
    }
  }

  [[nodiscard]] std::int64_t begin_of(std::size_t i) const {
    const Record& record = records_[i];
    return record.opened_ns != 0 ? std::min(record.opened_ns, record.start_ns) : record.start_ns;
  }

  /// The next frame, and those that came of the same acquisition.
  void take_exposure() {
    const Record& record = records_[next_];
    Attempt attempt;
    attempt.first_frame = next_;
    while (next_ < records_.size() && goes_on(attempt)) {
      ++next_;
      ++attempt.frames;
    }
    attempt.frames_asked = asked(next_ - 1);
    attempt.exposure = record.exposure;
    attempt.attempt = record.attempt;
    attempt.kind = record.kind;
    attempt.timed = true;
    attempt.start_ns = record.start_ns;
    attempt.opened_ns = record.opened_ns;
    attempt.exposure_ns = record.exposure_ns;
    attempt.exposure_set_ns = record.exposure_set_ns;
    if (record.opened_ns != 0) {
      attempt.open_for_ns = record.closed_ns - record.opened_ns;
    }
    attempt.settings = settings_;
    made_.attempts.push_back(std::move(attempt));
  }

  [[nodiscard]] bool goes_on(const Attempt& attempt) const {
    if (attempt.frames == 0) {
      return true;
    }
    const Record& last = records_[next_ - 1];
    const Record& record = records_[next_];
    return (last.flags & session::kMoreToCome) != 0 && record.exposure == last.exposure &&
           record.attempt == last.attempt && record.device_index > last.device_index;
  }

  /// How many frames were asked for, from the last one that came; 0 = the last ones are lost.
  [[nodiscard]] std::uint64_t asked(std::size_t last) const {
    const Record& record = records_[last];
    if ((record.flags & session::kMoreToCome) != 0) {
      return 0;
    }
    const bool stream = last > 0 && (records_[last - 1].flags & session::kMoreToCome) != 0 &&
                        records_[last - 1].exposure == record.exposure;
    return stream ? record.device_index + 1 : 1;
  }

  /// Frames of one long acquisition are stored before its shutter has closed, so their records do
  /// not tell how long it was open: the area's dose before and after tells.
  void measure_streams() {
    for (std::size_t i = 0; i < made_.attempts.size(); ++i) {
      Attempt& stream = made_.attempts[i];
      if (stream.frames < 2 || stream.opened_ns == 0) {
        continue;
      }
      double between = 0;
      for (std::size_t j = i + 1; j < made_.attempts.size(); ++j) {
        const Attempt& later = made_.attempts[j];
        if (later.frames == 0) {
          between += later.open_for_ns ? dose_of(later) : 0;
        } else if (records_[later.first_frame].area == records_[stream.first_frame].area) {
          const double dose = dose_before(later) - dose_before(stream) - between;
          const auto open_ns = std::llround(dose / rate_of(stream.kind) * 1e9);
          const bool believable = open_ns > 0 && open_ns < 2 * *stream.open_for_ns;
          stream.open_for_ns = believable ? open_ns : *stream.open_for_ns;
          break;
        }
      }
    }
  }

  [[nodiscard]] double dose_of(const Attempt& attempt) const {
    return rate_of(attempt.kind) * static_cast<double>(*attempt.open_for_ns) * 1e-9;
  }
  /// Of the area, all exposures before this one.
  [[nodiscard]] double dose_before(const Attempt& attempt) const {
    const Record& first = records_[attempt.first_frame];
    const double each = first.dose;
    return attempt.frames < 2
               ? first.area_dose - each
               : first.area_dose - each_of(attempt) * static_cast<double>(first.device_index + 1);
  }
  /// What one frame of a stream adds to the area's dose in its records.
  [[nodiscard]] double each_of(const Attempt& stream) const {
    const Record& first = records_[stream.first_frame];
    const Record& last = records_[stream.first_frame + stream.frames - 1];
    return (last.area_dose - first.area_dose) /
           static_cast<double>(last.device_index - first.device_index);
  }
  [[nodiscard]] double rate_of(std::uint8_t kind) const {
    const json residual = series_.value("/beam/residual_e_per_a2_s"_json_pointer, json());
    return kind == kBackground && residual.is_number()
               ? residual.get<double>()
               : series_.value("/beam/dose_rate_e_per_a2_s"_json_pointer, 0.0);
  }

  void take_event(const std::string& what, const json& event) {
    if (what == "exposure_broken") {
      take_broken(event);
    } else if (what == "alarm") {
      const std::string text = event.value("text", "");
      if (begins(text, "shutter " + made_.shutter + " was not shown")) {
        alarms_ns_.push_back(event.value("world_ns", std::int64_t{0}));
      }
      fallback_alarms_ += begins(text, "the fall-back ") ? 1 : 0;
    } else if (what == "shutter_not_secured" && !made_.attempts.empty()) {
      ++made_.attempts.back().unsecured;
    } else if (what == "setting" && event.value("device", "") == device_) {
      take_setting(event);
    } else if (what == "moved" && event.value("device", "") == device_) {
      made_.moves.push_back({event.value("axis", ""), event.value("asked", 0.0),
                             event.contains("position") && event["position"].is_number()
                                 ? event["position"].get<double>()
                                 : event.value("asked", 0.0),
                             event.value("world_ns", std::int64_t{0})});
    } else if (event.contains("readings") && event["readings"].is_object() &&
               event["readings"].contains(device_)) {
      made_.reads.push_back({made_.attempts.size(), event["readings"][device_]});
    }
  }

  void take_setting(const json& event) {
    SettingChange change{event.value("name", ""), event.value("asked", json()),
                         event.value("settings", json())};
    if (change.settings.is_object()) {
      settings_ = change.settings;
    } else {
      settings_[change.name] = change.asked;
    }
    made_.changes.push_back(std::move(change));
  }

  void take_broken(const json& event) {
    const auto exposure = event.value("exposure", std::uint64_t{0});
    const auto number = event.value("attempt", std::uint64_t{0});
    std::vector<std::int64_t> alarms = std::exchange(alarms_ns_, {});
    for (std::int64_t& alarm : alarms) {
      alarm = event.value("world_ns", alarm) - alarm;
    }
    const std::uint64_t fallback_alarms = std::exchange(fallback_alarms_, 0);
    auto failure = failure_of(event, !alarms.empty());
    if (Attempt* begun = with_frames(exposure, number); begun != nullptr) {
      begun->alarms_before_end_ns = std::move(alarms);
      begun->fallback_alarms = fallback_alarms;
      // After a whole frame only letting the beam in again can have failed; long acquisitions
      // break in the middle.
      if (failure && (failure->step == Step::open || is_stream(*begun))) {
        begun->failure = std::move(failure);
      }
      return;
    }
    Attempt attempt;
    attempt.exposure = exposure;
    attempt.attempt = number;
    attempt.alarms_before_end_ns = std::move(alarms);
    attempt.fallback_alarms = fallback_alarms;
    attempt.failure = std::move(failure);
    attempt.settings = settings_;
    complete(attempt, event.value("dose_e_per_a2", 0.0));
    made_.attempts.push_back(std::move(attempt));
  }

  [[nodiscard]] bool is_stream(const Attempt& attempt) const {
    return attempt.frames > 1 || (attempt.frames == 1 && (records_[attempt.first_frame].flags &
                                                          session::kMoreToCome) != 0);
  }

  /// The attempt that broke although frames came of it, or nullptr. After a restart of the daemon
  /// the same numbers may stand for another attempt, whose frame is good.
  Attempt* with_frames(std::uint64_t exposure, std::uint64_t number) {
    for (auto at = made_.attempts.rbegin(); at != made_.attempts.rend(); ++at) {
      if (at->exposure == exposure && at->attempt == number && at->frames > 0 &&
          (is_stream(*at) || (records_[at->first_frame].flags & session::kBroken) != 0)) {
        return &*at;
      }
    }
    return nullptr;
  }

  /// What an exposure without a frame has in common with the frame that came of it later.
  void complete(Attempt& attempt, double dose) const {
    const auto found = of_exposure_.find(attempt.exposure);
    bool gives_dose = true;
    if (found != of_exposure_.end()) {
      const Record& record = records_[found->second];
      attempt.kind = record.kind;
      attempt.exposure_ns = record.exposure_ns;
      attempt.exposure_set_ns = record.exposure_set_ns;
      attempt.frames_asked = asked(found->second);
      gives_dose = record.area != kNoArea;
    }
    const double rate = rate_of(attempt.kind);
    if (gives_dose && rate > 0 && dose >= 0) {
      attempt.open_for_ns = std::llround(dose / rate * 1e9);
    }
  }

  /// What failed, from the sentence in which it was recorded. Sentences begin with the device's
  /// name and name the call; where they do not, the detector gives no frame: that breaks the
  /// exposure too.
  [[nodiscard]] std::optional<Failure> failure_of(const json& event, bool alarmed) const {
    std::string text = event.value("text", "");
    if (const auto at = text.find(" failed: "); at != std::string::npos) {
      text.erase(0, at + 9);
    }
    Failure failure{made_.detector, Step::read, text, event.value("world_ns", std::int64_t{0})};
    if (begins(text, "setting ")) {
      failure.device = text.substr(8, text.find('.') - 8);
      failure.step = Step::set;
    } else if (const auto stage = stage_in(text)) {
      failure.device = *stage;
      failure.step = Step::move;
    } else if (const auto shutter = shutter_in(text)) {
      failure.device = *shutter;
      failure.step = has_any_word(text, {"close", "close_shutter"}) ? Step::close : Step::open;
    } else if (!has_word(text, "read_frame") && text.find("no frame within") == text.npos) {
      const bool gone = begins(text, made_.detector + " is not ready") ||
                        begins(text, made_.detector + ": its process is gone");
      failure.step = has_any_word(text, {"arm", "ring"}) ? Step::arm
                     : gone || has_word(text, "start")   ? Step::start
                                                         : Step::read;
    }
    // The shutter of the dose did not close: the alarms tell how often. After one the daemon asks
    // for no frame.
    const bool closing = failure.device == made_.shutter && failure.step == Step::close;
    return closing || (alarmed && failure.step == Step::read) ? std::nullopt
                                                              : std::optional(failure);
  }

  [[nodiscard]] std::optional<std::string> stage_in(const std::string& text) const {
    for (const auto& [name, device] : documents_.devices.items()) {
      if (device.value("kind", "") == "stage" && begins(text, name)) {
        return name;
      }
    }
    return std::nullopt;
  }

  [[nodiscard]] std::optional<std::string> shutter_in(const std::string& text) const {
    for (const std::string& shutter : {made_.shutter, made_.cathode_shutter}) {
      if (!shutter.empty() && (begins(text, shutter + ":") || begins(text, shutter + " ") ||
                               begins(text, "shutter " + shutter + " was asked"))) {
        return shutter;
      }
    }
    const bool some = has_any_word(text, {"open_shutter", "close_shutter"});
    return some ? std::optional(made_.shutter) : std::nullopt;
  }

  const session::Documents& documents_;
  std::span<const Record> records_;
  const std::vector<json>& events_;
  std::vector<std::size_t> lives_;
  std::string device_;
  Recording& made_;
  json series_, settings_;
  std::size_t next_ = 0;
  std::vector<std::int64_t> alarms_ns_;
  std::uint64_t fallback_alarms_ = 0;
  std::map<std::uint64_t, std::size_t> of_exposure_;  ///< its last record
};

}  // namespace

Result<Recording> read_recording(session::Reader& reader, const std::string& device) {
  if (!reader.faults().empty()) {
    return Error{ErrorCode::corrupt, "the session is damaged (" + reader.faults().front().place +
                                         ": " + reader.faults().front().sentence +
                                         "); see 'creel verify'"};
  }
  auto events = reader.events();
  if (!events.ok()) {
    return events.error();
  }
  if (!events->bad_lines.empty()) {
    return Error{ErrorCode::corrupt, "the session is damaged (line " +
                                         std::to_string(events->bad_lines.front()) +
                                         " of its event log); see 'creel verify'"};
  }
  Recording made;
  try {
    Script(reader, events->events, device, made).write();
  } catch (const json::exception& fault) {
    return Error{
        ErrorCode::corrupt,
        std::string("the session's documents are not what creeld writes: ") + fault.what()};
  }
  if (made.attempts.empty()) {
    return Error{ErrorCode::invalid_request, "the session has no frames: nothing to replay"};
  }
  return made;
}

}  // namespace creel::replay
