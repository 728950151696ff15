#include "daemon/setup/set_up.h"

#include <algorithm>
#include <utility>

#include "daemon/setup/unkept_session.h"
#include "protocol/base/text.h"
#include "protocol/session/layout.h"
#include "protocol/session/reader.h"

namespace creel {

using nlohmann::json;

namespace {

constexpr Duration kTellEvery = milliseconds(200);

double number_at(const json& object, const char* pointer) {
  const json::json_pointer at(pointer);
  return object.contains(at) && object.at(at).is_number() ? object.at(at).get<double>() : kNotKnown;
}

std::vector<std::string> devices_of(const Series& series) {
  std::vector<std::string> names{series.detector, series.shutter, series.cathode_shutter,
                                 series.stage};
  names.erase(std::remove(names.begin(), names.end(), ""), names.end());
  return names;
}

}  // namespace

SetUp::SetUp(const Parts& parts, const Rig& rig, std::string directory,
             std::function<void(const json&)> tell)
    : parts_(parts), rig_(rig), directory_(std::move(directory)), tell_(std::move(tell)) {}

SetUp::~SetUp() {
  *alive_ = false;
}

Result<std::unique_ptr<SetUp>> SetUp::make(const Parts& parts, const Rig& rig,
                                           const std::string& directory,
                                           std::function<void(const json&)> tell) {
  std::unique_ptr<SetUp> made(new SetUp(parts, rig, directory, std::move(tell)));
  CREEL_TRY(parts.disk.create_directories(directory));
  auto log = store::EventFile::open(parts.disk, directory);
  if (!log.ok()) {
    return log.error().during("the log of the set-ups");
  }
  made->log_ = std::move(*log);
  CREEL_TRY(parts.disk.sync_directory(directory));  // the names outlive a power cut, too
  CREEL_TRY(parts.disk.sync_directory(directory.substr(0, directory.rfind('/'))));
  CREEL_TRY(made->read_log());
  return made;
}

/// How the last one ended; one that has no end was cut short by a crash, and gets it now.
Result<void> SetUp::read_log() {
  auto text = read_all(parts_.disk, directory_ + "/" + session::kEventsName);
  if (!text.ok()) {
    return text.error();
  }
  const auto events = session::parse_event_log(*text).events;
  if (events.empty()) {
    return {};
  }
  last_ = events.back();
  if (last_.value("event", "") == "set_up_began") {
    last_["event"] = "set_up_ended";
    last_["outcome"] = "cut short";
    last_["reason"] =
        "creeld ended during it; nothing is taken up again, and what the beam may have given is "
        "charged to the area";
    return log_->append(last_);
  }
  return {};
}

// --- Begin
// --------------------------------------------------------------------------------------------

void SetUp::start(const Series& series, const SetUpOrder& order, Watched watched, Reply done) {
  if (running() || parts_.conductor.running()) {
    done(Error{ErrorCode::refused,
               running() ? "a set-up is running already; end it first: creel setup --stop"
                         : "a series is running; a set-up begins only after its end: creel stop"});
    return;
  }
  auto made = set_up_series(series, order);
  if (!made.ok()) {
    done(made.error());
    return;
  }
  if (auto fits = check_against_rig(*made, rig_); !fits.ok()) {
    done(fits.error());
    return;
  }
  if (auto room = check_room(*made); !room.ok()) {
    done(room.error());
    return;
  }
  const LiveFrames::Setup setup = live_setup(*made);
  keep_ready_gauges(*made);
  area_ = made->areas[0].key();
  devices_ = devices_of(*made);
  limit_ = order.limit;
  began_ = parts_.clock.world_now();
  began_utc_ns_ = parts_.clock.utc_now_ns();
  watched_ = std::move(watched);
  view_ = LiveView();
  failed_ = false;
  ending_.clear();
  name_ = "set-up at " + utc_text(began_utc_ns_);
  const json entry = {{"event", "set_up_began"},
                      {"name", name_},
                      {"area", area_},
                      {"began_utc", utc_text(began_utc_ns_)},
                      {"limit_s", in_seconds(limit_)},
                      {"dose_rate_e_per_a2_s", made->beam.dose_rate.value}};
  if (auto kept = log_->append(entry); !kept.ok()) {
    name_.clear();
    done(kept.error().during("the log of the set-ups cannot be written, so nothing is opened"));
    return;
  }
  parts_.conductor.start(
      std::move(*made),
      [this, done = std::move(done), alive = alive_](const Result<json>& started) {
        if (!*alive) {
          return;
        }
        if (!started.ok()) {
          close_books({{"outcome", "not begun"}, {"reason", started.error().text}});
          done(started.error());
          return;
        }
        began(*started, done);
      },
      unkept(setup));
}

/// The dose guard would end it before its first exposure; a person hears it at once and in words.
Result<void> SetUp::check_room(const Series& series) {
  const Area& area = series.areas[0];
  auto balance = parts_.ledger.balance(area.key());
  if (!balance.ok()) {
    return balance.error();
  }
  const Dose bound = bound_of_opening(series, rig_);
  if (balance->upper() + bound > area.dose_limit) {
    return Error{ErrorCode::refused,
                 "area " + area.key() + " has had " + number(balance->upper().value) +
                     " e/A^2 of its limit of " + number(area.dose_limit.value) +
                     ", and one opening of a set-up could give " + number(bound.value) +
                     ". Nothing was opened. Set up on another area, at best a sacrificial one"};
  }
  if (bound > series.guards.dose) {
    return Error{ErrorCode::refused, "this set-up may give " + number(series.guards.dose.value) +
                                         " e/A^2, and one opening alone could give " +
                                         number(bound.value) + ". Nothing was opened"};
  }
  return {};
}

/// What the numbers rest on, and what cannot be told.
LiveFrames::Setup SetUp::live_setup(const Series& series) {
  const DeviceHost* detector = parts_.supervisor.find(series.detector);
  LiveFrames::Setup setup;
  setup.dispersion_ev = series.dispersion_ev.value_or(kNotKnown);
  setup.counts_per_electron =
      number_at(detector->description(), "/describe/gain/counts_per_electron");
  setup.pulses_per_s = 1e3 * number_at(series.document, "/laser/repetition_rate_khz");
  rate_unit_ = setup.counts_per_electron > 0 ? "electrons" : "counts";
  notes_.clear();
  if (rate_unit_ == "counts") {
    notes_.emplace_back("the detector states no gain, so its counts are shown, not electrons");
  } else if (!(setup.pulses_per_s > 0)) {
    notes_.emplace_back("no electrons per pulse: the series states no repetition rate");
  } else {
    notes_.emplace_back(
        "electrons per pulse are those that reach the detector: through a specimen a lower bound");
  }
  if (!series.dispersion_ev || !series.energy_offset_ev) {
    notes_.emplace_back("no zero loss: the series states no dispersion or no energy offset");
  }
  return setup;
}

/// Gauges are only shown: one that does not answer is no reason not to align.
void SetUp::keep_ready_gauges(Series& series) {
  gauges_ = json::array();
  std::erase_if(series.gauges, [this](const std::string& name) {
    if (parts_.supervisor.ready({name})) {
      return false;
    }
    notes_.push_back("gauge " + name + " is not ready, so it is not shown");
    return true;
  });
}

Conductor::MakeSession SetUp::unkept(const LiveFrames::Setup& setup) {
  return [this, setup, alive = alive_, name = name_, path = directory_,
          &scheduler = parts_.scheduler](const store::SessionStart& start) {
    LiveFrames::Setup with_shape = setup;
    with_shape.shape = start.shape;
    auto told = [this, alive, &scheduler](std::vector<LiveFrame> frames, std::string trouble) {
      scheduler.post([this, alive, frames = std::move(frames), trouble = std::move(trouble)] {
        if (*alive) {
          seen(frames, trouble);
        }
      });
    };
    return Result<std::unique_ptr<store::Session>>(
        make_unkept_session(name, path, with_shape, std::move(told)));
  };
}

void SetUp::began(const json& started, const Reply& done) {
  began_ = parts_.clock.world_now();  // the engine's time begins here, too
  json answer = status();
  answer["exposures"] = started.value("exposures", std::uint64_t{0});
  done(std::move(answer));
}

// --- While it runs
// ------------------------------------------------------------------------------------

void SetUp::seen(const std::vector<LiveFrame>& frames, const std::string& trouble) {
  if (!running()) {
    return;
  }
  for (const LiveFrame& frame : frames) {
    view_.add(frame);
  }
  if (!trouble.empty()) {
    end_soon("its frames cannot be read: " + trouble, true);
  }
  if (watched_ && !watched_()) {
    end_soon("whoever asked for it went away", false);
  }
  if (parts_.clock.safety_now() - told_ >= kTellEvery) {
    tell_now();
  }
}

void SetUp::event(const json& event) {
  if (!running() || event.value("session", "") != name_) {
    return;
  }
  const std::string what = event.value("event", "");
  const std::string text = event.value("text", "");
  if (what == "session_closed") {
    ended(event);
  } else if (what == "gauges") {
    take_readings(event.value("readings", json::object()));
  } else if (what == "close_all") {
    end_soon(text, false);
  } else if (what == "exposure_broken" || what == "shutter_not_secured" ||
             what == "beam_not_let_in" || what == "alarm") {
    end_soon(text, true);
  } else if (what == "device" && event.value("/device/state"_json_pointer, "") != "ready") {
    const std::string device = event.value("/device/name"_json_pointer, "");
    if (std::find(devices_.begin(), devices_.end(), device) != devices_.end()) {
      end_soon(text, true);
    }
  }
}

/// A channel that gave no valid number has the value null.
void SetUp::take_readings(const json& readings) {
  gauges_ = json::array();
  for (const auto& [name, list] : readings.items()) {
    const DeviceHost* gauge = parts_.supervisor.find(name);
    const json channels = gauge == nullptr ? json::array()
                                           : gauge->description().value(
                                                 "/describe/channels"_json_pointer, json::array());
    for (std::size_t i = 0; i < channels.size(); ++i) {
      const json read = list.is_array() && i < list.size() ? list[i] : json();
      const bool valid = read.is_object() && read.value("valid", false) && read.contains("value") &&
                         read["value"].is_number();
      gauges_.push_back({{"gauge", name},
                         {"channel", channels[i].value("name", "")},
                         {"value", valid ? read["value"] : json()},
                         {"unit", channels[i].value("unit", "")}});
    }
  }
}

// Posted: events come from within the conductor, which may be about to wait for that device.
void SetUp::end_soon(const std::string& why, bool failed) {
  if (!ending_.empty()) {
    return;
  }
  ending_ = why;
  failed_ = failed;
  parts_.scheduler.post([this, why, alive = alive_] {
    if (*alive && running()) {
      (void)parts_.conductor.stop(why);
    }
  });
}

Result<void> SetUp::stop(const std::string& why) {
  if (!running()) {
    return Error{ErrorCode::refused, "no set-up is running"};
  }
  end_soon(why, false);
  return {};
}

// --- The end
// ------------------------------------------------------------------------------------------

void SetUp::ended(const json& event) {
  json summary = {
      {"outcome", failed_ ? "failed" : event.value("outcome", "unknown")},
      {"reason", event.value("outcome", "") == "clock"
                     ? "its time of " + time_span(in_seconds(limit_)) + " is over"
                     : event.value("reason", "")},
      {"dose", event.value("/dose"_json_pointer, json::object()).value(area_, json::object())},
      {"rate_unit", rate_unit_},
      {"gauges", gauges_},
      {"live", view_.to_json()}};
  summary["live"].erase("history");
  close_books(std::move(summary));
}

void SetUp::close_books(json summary) {
  summary["event"] = "set_up_ended";
  summary["name"] = std::exchange(name_, {});
  summary["area"] = area_;
  summary["began_utc"] = utc_text(began_utc_ns_);
  summary["ended_utc"] = utc_text(parts_.clock.utc_now_ns());
  if (auto kept = log_->append(summary); !kept.ok()) {
    summary["not_kept"] = kept.error().text;
  }
  last_ = std::move(summary);
  watched_ = {};
  tell_now();
}

void SetUp::tell_now() {
  told_ = parts_.clock.safety_now();
  tell_(status());
}

json SetUp::dose() const {
  const json doses = parts_.conductor.status().value("dose", json::object());
  return doses.value(area_, json::object());
}

json SetUp::status() const {
  if (!running()) {
    return {{"running", false}, {"last", last_}};
  }
  const Duration passed = parts_.clock.world_now() - began_;
  return {{"running", true},
          {"name", name_},
          {"area", area_},
          {"doing", !ending_.empty()     ? "ending: " + ending_
                    : view_.frames() > 0 ? "exposing"
                                         : "taking darks, shutter closed"},
          {"began_utc", utc_text(began_utc_ns_)},
          {"limit_s", in_seconds(limit_)},
          {"left_s", std::max(0.0, in_seconds(limit_ - passed))},
          {"dose", dose()},
          {"rate_unit", rate_unit_},
          {"notes", notes_},
          {"gauges", gauges_},
          {"live", view_.to_json()},
          {"last", last_}};
}

}  // namespace creel
