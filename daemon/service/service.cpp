#include "daemon/service/service.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "protocol/base/text.h"
#include "protocol/series/estimate.h"

namespace creel {

using nlohmann::json;

namespace {
constexpr Duration kQuietLimit = seconds(5);
constexpr Duration kTellState = milliseconds(500);
constexpr std::size_t kMostEntries = 500;  ///< of the ledger in one answer; openrpc.json says so

/// "user 1000" of "pid 4711, user 1000".
std::string user_of(const std::string& peer) {
  const auto at = peer.find("user ");
  return at == std::string::npos ? peer : peer.substr(at);
}

/// Of one frame, by the detector's own description; 0 where it does not say.
std::uint64_t frame_bytes(const json& described) {
  const json shape = described.value("shape", json::object());
  const auto pixel = store::pixel_from(described.value("pixel", "u16"));
  if (pixel == store::Pixel::event) {
    return described.value("/events/most"_json_pointer, std::uint64_t{0}) *
           store::pixel_bytes(*pixel);
  }
  return shape.value("rows", std::uint64_t{0}) * shape.value("columns", std::uint64_t{0}) *
         (pixel ? store::pixel_bytes(*pixel) : 2);
}

}  // namespace

const char* const kShutterCaution =
    "Software shutter control is not a personnel-safety interlock: rely on hard-wired interlocks, "
    "eyewear, your "
    "laser safety officer and local rules (IEC 60825-1, ANSI Z136.1).";

Result<std::unique_ptr<Service>> Service::make(const Parts& parts, Rig rig, Options options) {
  const std::string sessions = options.state + "/sessions";
  CREEL_TRY(parts.disk.create_directories(sessions));
  auto ledger = open_ledger(parts.disk, parts.clock, options.state + "/ledger.db");
  if (!ledger.ok()) {
    return ledger.error();
  }
  std::unique_ptr<Service> service(
      new Service(parts, std::move(rig), std::move(options), std::move(*ledger)));
  CREEL_TRY(service->make_set_up());
  CREEL_TRY(service->make_grid_map());
  return service;
}

Service::Service(const Parts& parts, Rig rig, Options options, std::unique_ptr<Ledger> ledger)
    : parts_(parts),
      rig_(std::move(rig)),
      options_(std::move(options)),
      ledger_(std::move(ledger)),
      started_(parts.clock.safety_now()) {
  supervisor_ = std::make_unique<Supervisor>(
      rig_, options_.plugins,
      DeviceHost::Parts{parts_.launcher, parts_.scheduler, parts_.clock, parts_.random});
  conductor_ = std::make_unique<Conductor>(
      Conductor::Parts{parts_.scheduler, parts_.clock, *supervisor_, *ledger_, parts_.disk,
                       parts_.store_worker, parts_.background},
      rig_, Conductor::Options{options_.state + "/sessions", options_.software, options_.codec});
  wire();
  serve();
  serve_set_up();
  serve_grids();
}

Service::~Service() = default;

void Service::wire() {
  Supervisor::Listener listener;
  listener.on_frames = [this](const std::string& device) { conductor_->frames_arrived(device); };
  listener.on_state = [this](const std::string& device, DeviceState state) {
    options_.log("device " + device + " is " + std::string(device_state_name(state)));
    conductor_->device_changed(device);
    if (parts_.alerts != nullptr) {
      parts_.alerts->device(device, std::string(device_state_name(state)),
                            supervisor_->find(device)->status().value("last_trouble", ""));
    }
  };
  listener.on_event = [this](const std::string& device, const std::string& name, const json& body) {
    if (name != "frames_ended") {
      options_.log("device " + device + ": " + name + " " + body.dump());
    }
    conductor_->device_event(device, name, body);
  };
  supervisor_->listen(std::move(listener));
  conductor_->listen([this](const json& event) {
    const std::string what = event.value("event", "");
    if (what != "stored" && what != "gauges" && what != "folding") {
      options_.log(what + ": " + event.value("text", ""));
    }
    parts_.dispatcher.publish("event", event);
    const bool person_is_there = set_up_ != nullptr && set_up_->running() && what != "alarm";
    if (set_up_ != nullptr) {
      set_up_->event(event);
    }
    // Before another area is lit, and at the end: then its dose counts what the one before gave it.
    if (what == "moved" || what == "hold" || what == "session_closed") {
      settle_neighbours();
    }
    if (parts_.alerts != nullptr && !person_is_there) {
      parts_.alerts->event(event);
    }
    tell_state();
  });
  if (parts_.alerts != nullptr) {
    parts_.alerts->record([this](json event) { conductor_->record(std::move(event)); });
  }
}

// Not at once: a state that changes many times a second is told once.
void Service::tell_state() {
  if (parts_.alerts == nullptr || parts_.alerts->silent() || std::exchange(telling_, true)) {
    return;
  }
  parts_.scheduler.at(parts_.clock.safety_now() + kTellState, [this] {
    telling_ = false;
    parts_.alerts->state(conductor_->status());
  });
}

void Service::start(std::function<void(const Result<json>&)> ready) {
  if (parts_.alerts != nullptr) {
    parts_.alerts->starting();
  }
  tell_state();
  supervisor_->start();
  conductor_->take_up([this, ready = std::move(ready)](const Result<json>& taken) {
    options_.log(!taken.ok() ? "not taken up: " + taken.error().text
                 : (*taken)["resumed"].is_null()
                     ? "nothing to take up"
                     : "took up session " + (*taken)["resumed"].get<std::string>());
    settle_neighbours();  // also what an earlier daemon could not any more
    const json series = conductor_->status();
    for (const json& left : series["unfinished"]) {
      options_.log(left["text"].get<std::string>());
    }
    if (parts_.alerts != nullptr) {
      parts_.alerts->started(taken.ok() ? "" : taken.error().text);
    }
    tell_state();
    ready(taken);
  });
}

void Service::shut_down(const std::string& why, std::function<void()> done) {
  if (parts_.alerts != nullptr) {
    parts_.alerts->ending(why);
  }
  conductor_->shutters_forced("the daemon is ending");
  supervisor_->close_all(
      [this, done = std::move(done)](const std::vector<Supervisor::Closed>& closed) {
        for (const auto& one : closed) {
          options_.log(
              "shutter " + one.shutter +
              (one.state.ok() && is_closed(*one.state) ? " is closed" : " was NOT shown to close"));
        }
        stop_when_quiet(parts_.clock.safety_now() + kQuietLimit, done);
      });
}

// The broken exposure is charged and its frame stored before the devices go; not for ever.
void Service::stop_when_quiet(SafetyTime latest, const std::function<void()>& done) {
  if (conductor_->quiet() || parts_.clock.safety_now() >= latest) {
    supervisor_->stop();
    done();
    return;
  }
  parts_.scheduler.at(parts_.clock.safety_now() + milliseconds(20),
                      [this, latest, done] { stop_when_quiet(latest, done); });
}

void Service::serve() {
  rpc::Dispatcher& rpc = parts_.dispatcher;
  const auto nothing = [](const Result<void>& result) {
    return result.ok() ? Result<json>(json::object()) : Result<json>(result.error());
  };
  rpc.add_prompt("daemon.status", [this](const rpc::Call&) { return Result<json>(status()); });
  rpc.add_prompt("daemon.shutdown", [this](const rpc::Call&) {
    parts_.scheduler.post(options_.shutdown_asked);
    return Result<json>(json::object());
  });
  rpc.add_prompt("series.check", [this](const rpc::Call& call) {
    return check(call.params["text"], call.params["origin"]);
  });
  rpc.add("series.start", [this](const rpc::Call& call, const rpc::Reply& reply) {
    start_series(call.params["text"], call.params["origin"], reply);
  });
  rpc.add_prompt("series.hold", [this, nothing](const rpc::Call& call) {
    return nothing(conductor_->hold(call.params.value("reason", "a person asked")));
  });
  rpc.add_prompt("series.continue",
                 [this, nothing](const rpc::Call&) { return nothing(conductor_->go_on()); });
  rpc.add_prompt("series.stop", [this, nothing](const rpc::Call&) {
    return nothing(conductor_->stop("a person asked"));
  });
  rpc.add_prompt("session.list", [this](const rpc::Call&) { return sessions(); });
  rpc.add_prompt("devices.list", [this](const rpc::Call&) {
    return Result<json>(json{{"safety", kShutterCaution}, {"devices", supervisor_->status()}});
  });
  rpc.add("shutters.close_all",
          [this](const rpc::Call&, const rpc::Reply& reply) { close_all(reply); });
  rpc.add("events.follow", [this](const rpc::Call& call, const rpc::Reply& reply) {
    call.connection->subscribe("event");
    reply(json{{"status", status()}});
  });
  rpc.add_prompt("ledger.balance",
                 [this](const rpc::Call& call) { return balances(call.params.value("area", "")); });
  rpc.add_prompt("ledger.entries", [this](const rpc::Call& call) { return entries(call.params); });
  rpc.add_prompt("ledger.enter", [this, nothing](const rpc::Call& call) {
    const std::string area = call.params["area"];
    const std::string reason = call.params["reason"];
    const Dose dose{call.params["dose_e_per_a2"].get<double>()};
    const Dose sigma{call.params["sigma_e_per_a2"].get<double>()};
    const auto entered =
        ledger_->enter_by_hand(area, dose, sigma, reason, user_of(call.connection->peer()));
    if (entered.ok()) {
      conductor_->dose_entered(area, dose, sigma, reason);
    }
    return nothing(entered);
  });
}

json Service::status() const {
  return {{"version", options_.software.value("version", "unknown")},
          {"rig", rig_.name},
          {"rig_file", options_.rig_file},
          {"accelerated", rig_.accelerated},
          {"uptime_s", in_seconds(parts_.clock.safety_now() - started_)},
          {"sessions", options_.state + "/sessions"},
          {"socket", options_.socket},
          {"safety", kShutterCaution},
          {"series", conductor_->status()}};
}

Result<json> Service::check(const std::string& text, const std::string& origin) {
  auto series = parse_series(text, origin);
  if (!series.ok()) {
    return series.error();
  }
  return check(*series);
}

Result<json> Service::check(const Series& series) {
  auto fits = check_against_rig(series, rig_);
  if (!fits.ok()) {
    return fits.error();
  }
  std::vector<std::string> warnings = series.warnings;
  warnings.insert(warnings.end(), fits->begin(), fits->end());
  const json described =
      supervisor_->find(series.detector)->description().value("describe", json::object());
  const Estimate sum = estimate(series);
  json areas = json::array();
  for (const Area& area : series.areas) {
    auto balance = ledger_->balance(area.key());
    if (!balance.ok()) {
      return balance.error();
    }
    const double had = balance->upper().value;
    const double planned = sum.planned.at(area.key()).value;
    if (had + planned > area.dose_limit.value) {
      warnings.push_back("area " + area.key() + " has had " + number(had) +
                         " e/A^2 of its limit of " + number(area.dose_limit.value) +
                         "; the planned " + number(planned) +
                         " would pass it, and the dose guard will end the series before that");
    }
    areas.push_back({{"area", area.key()},
                     {"planned_e_per_a2", planned},
                     {"had_e_per_a2", had},
                     {"limit_e_per_a2", area.dose_limit.value}});
  }
  add_map_warnings(series, sum.planned, warnings);
  const auto frames = static_cast<double>(sum.frames);
  return json{{"name", series.name},
              {"exposures", sum.exposures},
              {"duration_s", sum.exposed_s + frames * described.value("readout_ns", 0.0) * 1e-9},
              {"bytes", frame_bytes(described) * sum.frames},
              {"warnings", warnings},
              {"areas", areas}};
}

void Service::start_series(const std::string& text, const std::string& origin,
                           const rpc::Reply& reply) {
  if (set_up_->running()) {
    reply(Error{ErrorCode::refused,
                "a set-up is running; nothing was started. End it first: creel setup --stop"});
    return;
  }
  auto series = parse_series(text, origin);
  if (!series.ok()) {
    reply(series.error());
    return;
  }
  auto checked = check(*series);
  if (!checked.ok()) {
    reply(checked.error());
    return;
  }
  for (const json& area : (*checked)["areas"]) {
    if (area["had_e_per_a2"].get<double>() >= area["limit_e_per_a2"].get<double>()) {
      reply(Error{ErrorCode::refused, "area " + area["area"].get<std::string>() + " has had " +
                                          number(area["had_e_per_a2"]) + " e/A^2 of its limit of " +
                                          number(area["limit_e_per_a2"]) +
                                          ": nothing was opened. Choose a fresh area"});
      return;
    }
  }
  conductor_->start(std::move(*series),
                    [reply, warnings = (*checked)["warnings"]](Result<json> started) {
                      if (started.ok()) {
                        (*started)["warnings"] = warnings;
                      }
                      reply(std::move(started));
                    });
}

Result<json> Service::sessions() {
  const std::string directory = options_.state + "/sessions";
  auto names = parts_.disk.list(directory);
  if (!names.ok()) {
    return names.error();
  }
  const std::string running = conductor_->status().value("session", "");
  json all = json::array();
  for (const std::string& name : *names) {
    std::string path = directory;
    path.append("/").append(name);
    const bool file = name.size() > 3 && name.ends_with(".h5");
    if (!file && !parts_.disk.exists(path + "/whole.h5")) {
      continue;
    }
    const std::string session = file ? name.substr(0, name.size() - 3) : name;
    json one = {{"name", session},
                {"path", path},
                {"state", session == running ? "running" : (file ? "closed" : "unfinished")}};
    if (file) {
      auto opened = parts_.disk.open(path, OpenMode::read);
      const auto bytes = opened.ok() ? (*opened)->size() : Result<std::uint64_t>(opened.error());
      one["bytes"] = bytes.ok() ? json(*bytes) : json(nullptr);
    }
    all.push_back(std::move(one));
  }
  return json{{"directory", directory}, {"sessions", all}};
}

Result<json> Service::balances(const std::string& area) {
  std::vector<std::string> names{area};
  if (area.empty()) {
    auto all = ledger_->areas();
    if (!all.ok()) {
      return all.error();
    }
    names = *all;
  }
  json result = json::array();
  for (const std::string& name : names) {
    auto balance = ledger_->balance(name);
    if (!balance.ok()) {
      return balance.error();
    }
    auto causes = ledger_->causes(name);
    if (!causes.ok()) {
      return causes.error();
    }
    json parts = json::array();
    for (const auto& [cause, dose] : *causes) {
      parts.push_back({{"cause", cause}, {"dose_e_per_a2", dose.value}});
    }
    result.push_back({{"area", name},
                      {"causes", parts},
                      {"charged_e_per_a2", balance->charged.value},
                      {"sigma_e_per_a2", std::sqrt(balance->variance)},
                      {"intended_e_per_a2", balance->intended.value},
                      {"upper_e_per_a2", balance->upper().value}});
  }
  return json{{"areas", result}};
}

Result<json> Service::entries(const json& asked) {
  const auto most = asked.value("most", std::size_t{kMostEntries});
  auto part = ledger_->entries_after(asked.value("after", std::int64_t{0}), asked.value("area", ""),
                                     most + 1);
  if (!part.ok()) {
    return part.error();
  }
  const bool more = part->size() > most;
  part->resize(std::min(part->size(), most));
  for (json& entry : *part) {
    entry["dose_e_per_a2"] = std::move(entry["dose_per_a2"]);
    entry["sigma_e_per_a2"] = std::move(entry["sigma_per_a2"]);
    entry.erase("dose_per_a2");
    entry.erase("sigma_per_a2");
  }
  return json{{"entries", *part}, {"more", more}};
}

void Service::close_all(const rpc::Reply& reply) {
  conductor_->shutters_forced("a person ordered close-all");
  supervisor_->close_all([reply](const std::vector<Supervisor::Closed>& closed) {
    json all = json::array();
    for (const auto& one : closed) {
      const bool shown = one.state.ok() && is_closed(*one.state);
      all.push_back({{"name", one.shutter},
                     {"closed", shown},
                     {"text", !one.state.ok() ? one.state.error().text
                              : shown         ? "closed (" + one.state->value("measured", "") + ")"
                                      : "still " + one.state->value("measured", "unknown")}});
    }
    reply(json{{"shutters", all}, {"safety", kShutterCaution}});
  });
}

}  // namespace creel
