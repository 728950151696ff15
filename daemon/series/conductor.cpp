#include "daemon/series/conductor.h"

#include <algorithm>
#include <cmath>
#include <cstring>
#include <map>
#include <utility>

#include "daemon/guards/guards_for.h"
#include "protocol/base/text.h"
#include "protocol/driver/creel_driver.h"

namespace creel {

using nlohmann::json;
using session::Record;

/// One running session.
struct Conductor::Run {
  Series series;
  std::unique_ptr<store::Session> session;
  std::unique_ptr<Engine> engine;
  std::unique_ptr<FrameQueue> queue;
  store::FrameShape shape;
  std::deque<FrameBlock> arrived;  ///< taken from the ring, not yet asked for by the engine
  bool waiting_for_frame = false;
  TimerId frame_timer = 0;
  TimerId wait_timer = 0;
  bool waiting_for_store = false;  ///< Keep is answered once the queue is short enough
  bool waiting_for_person = false;
  std::vector<std::string> waiting_for_devices;
  TimerId devices_timer = 0;
  std::optional<command::Finish> finish;
  FrameBlock taken;                     ///< what Take brought, until Keep
  std::uint64_t acquisition_first = 0;  ///< next frame index that the detector should give
  std::uint64_t durable = 0;
  json summary = json::object();
};

/// What is gathered before a session can be laid out.
struct Conductor::Preparation {
  Series series;
  Reply done;
  std::vector<std::string> devices;
  json described = json::object();
  bool resuming = false;
  std::string session_name;
};

namespace {

constexpr Duration kTakeUpRetry = milliseconds(500);

std::vector<std::string> devices_of(const Series& series) {
  std::vector<std::string> names{series.detector, series.shutter};
  if (!series.cathode_shutter.empty() && series.cathode_shutter != series.shutter) {
    names.push_back(series.cathode_shutter);
  }
  if (!series.stage.empty()) {
    names.push_back(series.stage);
  }
  names.insert(names.end(), series.gauges.begin(), series.gauges.end());
  return names;
}

Result<store::FrameShape> shape_from(const json& armed) {
  store::FrameShape shape;
  shape.rows = armed.value("rows", 0U);
  shape.columns = armed.value("columns", 0U);
  const std::string pixel_text = armed.value("pixel", "");
  const auto pixel = store::pixel_from(pixel_text);
  constexpr std::uint32_t kMost = 1U << 16;
  if (!pixel || shape.rows == 0 || shape.columns == 0 || shape.rows > kMost ||
      shape.columns > kMost) {
    return Error{ErrorCode::invalid_request,
                 "the detector gives an impossible frame shape: " + armed.dump() +
                     "; rows and columns must be 1 to 65536"};
  }
  shape.pixel = *pixel;
  return shape;
}

std::string session_name(const Series& series, std::int64_t utc_ns) {
  std::string stamp = utc_text(utc_ns).substr(0, 19);  // 2026-11-25T03:10:07
  stamp.erase(
      std::remove_if(stamp.begin(), stamp.end(), [](char c) { return c == '-' || c == ':'; }),
      stamp.end());
  return series.name + "-" + stamp;
}

/// Adds the valid readings of one gauge, each under the name of its channel.
void add_readings(const DeviceHost& gauge, const json& readings, std::vector<Reading>& into) {
  const json channels = gauge.description().value("/describe/channels"_json_pointer, json::array());
  for (std::size_t i = 0; i < std::min(channels.size(), readings.size()); ++i) {
    const json& one = readings[i];
    if (one.is_object() && one.value("valid", false) && one.contains("value") &&
        one["value"].is_number()) {
      into.push_back({gauge.device().name, channels[i].value("name", ""), one["value"]});
    }
  }
}

template <class T>
double sum_as(std::span<const std::byte> bytes) {
  double sum = 0;
  for (std::size_t at = 0; at + sizeof(T) <= bytes.size(); at += sizeof(T)) {
    T value;
    std::memcpy(&value, bytes.data() + at, sizeof(T));
    sum += static_cast<double>(value);
  }
  return sum;
}

/// Sum over all pixels of one frame.
double counts_of(const store::FrameShape& shape, std::span<const std::byte> bytes) {
  switch (shape.pixel) {
    case store::Pixel::u8:
      return sum_as<std::uint8_t>(bytes);
    case store::Pixel::u16:
      return sum_as<std::uint16_t>(bytes);
    case store::Pixel::u32:
      return sum_as<std::uint32_t>(bytes);
    case store::Pixel::f32:
      return sum_as<float>(bytes);
  }
  return 0;
}

bool same_shape(const store::FrameShape& a, const store::FrameShape& b) {
  return a.rows == b.rows && a.columns == b.columns && a.pixel == b.pixel;
}

}  // namespace

Conductor::Conductor(Parts parts, const Rig& rig, Options options)
    : parts_(parts), rig_(rig), options_(std::move(options)) {}

Conductor::~Conductor() {
  *alive_ = false;
}

DeviceHost& Conductor::device(const std::string& name) {
  DeviceHost* found = parts_.supervisor.find(name);
  CREEL_INVARIANT(found != nullptr,
                  "a series that was checked against the rig names a device it lacks");
  return *found;
}

// --- At the daemon's start
// --------------------------------------------------------------------------------

void Conductor::take_up(Reply done) {
  preparing_ = true;
  parts_.supervisor.close_all([this,
                               done = std::move(done)](std::vector<Supervisor::Closed> closed) {
    std::string open;
    for (const auto& one : closed) {
      if (!one.state.ok() || !is_closed(*one.state)) {
        open += (open.empty() ? "" : ", ") + one.shutter;
      }
    }
    if (!open.empty()) {  // the intents stay unsettled and count in full until this succeeds
      not_closed_ = open;
      parts_.scheduler.at(parts_.clock.safety_now() + kTakeUpRetry, [this, done, alive = alive_] {
        if (*alive) {
          take_up(done);
        }
      });
      return;
    }
    not_closed_.clear();
    if (auto settled = settle_open_intents(); !settled.ok()) {
      preparing_ = false;
      done(settled.error());
      return;
    }
    resume(done);
  });
}

// An intent without a charge: that daemon ended between the two. Every shutter is now shown closed,
// so the whole bound is charged; where in 0..bound the truth lies is not known (variance of a
// uniform: bound^2/12).
Result<void> Conductor::settle_open_intents() {
  auto open = parts_.ledger.open_intents();
  if (!open.ok()) {
    return open.error();
  }
  for (const OpenIntent& intent : *open) {
    const Dose bound = intent.request.bound;
    CREEL_TRY(
        parts_.ledger.charge(intent.id, bound, Dose{bound.value / std::sqrt(12.0)},
                             "the daemon ended before it could charge; the bound is charged"));
  }
  return {};
}

/// An unfinished session as the store found it.
struct Conductor::Unfinished {
  std::string name;  ///< "" = there is none
  store::SessionStart start;
};

// HDF5 stays on the store's thread.
void Conductor::resume(Reply done) {
  parts_.store_worker.run([this, done = std::move(done), alive = alive_,
                           directory = options_.sessions, &disk = parts_.disk,
                           &scheduler = parts_.scheduler] {
    auto found = std::make_shared<Result<Unfinished>>(find_unfinished(disk, directory));
    scheduler.post([this, done, alive, found] {
      if (*alive) {
        resume(*found, done);
      }
    });
  });
}

Result<Conductor::Unfinished> Conductor::find_unfinished(Disk& disk, const std::string& directory) {
  auto names = store::unfinished_sessions(disk, directory);
  if (!names.ok()) {
    return names.error();
  }
  if (names->empty()) {
    return Unfinished{};
  }
  auto start = store::read_session_start(disk, directory, names->back());
  if (!start.ok()) {
    return start.error().during("session " + names->back() + " cannot be taken up");
  }
  return Unfinished{names->back(), std::move(*start)};
}

void Conductor::resume(const Result<Unfinished>& found, const Reply& done) {
  preparing_ = false;
  if (!found.ok()) {
    done(found.error());
    return;
  }
  const std::string name = found->name;
  if (name.empty()) {
    done(json{{"resumed", nullptr}});
    return;
  }
  auto series = parse_series(found->start.series_text, name + " (its series document)");
  if (!series.ok()) {
    done(series.error());
    return;
  }
  if (auto fits = check_against_rig(*series, rig_); !fits.ok()) {
    done(fits.error().during("session " + name + " was taken on another rig"));
    return;
  }
  auto preparation = std::make_shared<Preparation>();
  preparation->series = std::move(*series);
  preparation->resuming = true;
  preparation->session_name = name;
  preparation->done = [done, name](const Result<json>& result) {
    done(result.ok() ? Result<json>(json{{"resumed", name}}) : result);
  };
  preparing_ = true;
  open_session(preparation, found->start);
}

// --- Preparing a series
// -------------------------------------------------------------------------------------

void Conductor::start(Series series, Reply done) {
  if (running()) {
    done(Error{
        ErrorCode::refused,
        not_closed_.empty()
            ? "a series is running already; stop it first, or wait for its end"
            : "nothing is started until these shutters are shown to be closed: " + not_closed_});
    return;
  }
  if (auto fits = check_against_rig(series, rig_); !fits.ok()) {
    done(fits.error());
    return;
  }
  const std::vector<std::string> devices = devices_of(series);
  for (const std::string& name : devices) {
    if (!parts_.supervisor.ready({name})) {
      done(Error{ErrorCode::refused, "device " + name +
                                         " is not ready: " + device(name).status().dump() +
                                         ". Nothing was opened. See 'creel devices'"});
      return;
    }
  }
  auto preparation = std::make_shared<Preparation>();
  preparation->session_name = session_name(series, parts_.clock.utc_now_ns());
  preparation->series = std::move(series);
  preparation->done = std::move(done);
  preparation->devices = devices;
  preparing_ = true;
  read_settings(preparation, 0);
}

void Conductor::give_up(const std::shared_ptr<Preparation>& preparation, const Error& error) {
  preparing_ = false;
  preparation->done(error);
}

void Conductor::read_settings(const std::shared_ptr<Preparation>& preparation, std::size_t next) {
  if (next == preparation->devices.size()) {
    learn_shape(preparation);
    return;
  }
  const std::string name = preparation->devices[next];
  device(name).call("settings", json::object(),
                    [this, preparation, next, name](const Result<json>& settings) {
                      if (!settings.ok()) {
                        give_up(preparation, settings.error());
                        return;
                      }
                      const DeviceHost& host = device(name);
                      json entry = host.description();
                      entry["kind"] = kind_name(host.device().kind);
                      entry["driver"] = host.device().driver;
                      entry["settings"] = *settings;
                      entry["settings_set"] = host.settings_asked();
                      preparation->described[name] = std::move(entry);
                      read_settings(preparation, next + 1);
                    });
}

void Conductor::learn_shape(const std::shared_ptr<Preparation>& preparation) {
  const Plan plan(preparation->series);
  const Duration exposure = plan.at(0).exposure;
  device(preparation->series.detector)
      .call("arm", {{"frames", 1}, {"exposure_ns", exposure.value}},
            [this, preparation](const Result<json>& armed) {
              if (!armed.ok()) {
                give_up(preparation, armed.error());
                return;
              }
              lay_out(preparation, *armed);
            });
}

void Conductor::lay_out(const std::shared_ptr<Preparation>& preparation, const json& armed) {
  auto shape = shape_from(armed);
  if (!shape.ok()) {
    give_up(preparation, shape.error());
    return;
  }
  const Series& series = preparation->series;
  store::SessionStart start;
  start.directory = options_.sessions;
  start.name = preparation->session_name;
  start.shape = *shape;
  start.frames_planned = Plan(series).size();
  start.start_utc_ns = parts_.clock.utc_now_ns();
  start.start_world_ns = parts_.clock.world_now().ns;
  start.series = series.document;
  start.series_text = series.text;
  start.rig = json::parse(rig_.text, nullptr, false);
  start.rig_text = rig_.text;
  start.devices = preparation->described;
  start.software = options_.software;
  for (const Area& area : series.areas) {
    auto balance = parts_.ledger.balance(area.key());
    if (!balance.ok()) {
      give_up(preparation, balance.error());
      return;
    }
    start.area_dose_before.push_back(balance->upper().value);
  }
  open_session(preparation, start);
}

void Conductor::open_session(const std::shared_ptr<Preparation>& preparation,
                             const store::SessionStart& start) {
  using Made = Result<std::unique_ptr<store::Session>>;
  parts_.store_worker.run([this, preparation, start, alive = alive_, &disk = parts_.disk,
                           &scheduler = parts_.scheduler] {
    auto made = std::make_shared<Made>(
        preparation->resuming ? store::resume_session(disk, start.directory, start.name)
                              : store::create_session(disk, start));
    scheduler.post([this, preparation, made, shape = start.shape, alive] {
      if (!*alive) {
        return;
      }
      if (!made->ok()) {
        give_up(preparation, made->error());
        return;
      }
      run_ = std::make_unique<Run>();
      run_->shape = shape;
      begin(preparation, std::move(**made));
    });
  });
}

Result<EngineStart> Conductor::engine_start(const Series& series, const store::Progress& progress) {
  EngineStart start;
  start.first_exposure = progress.exposures_done;
  if (progress.last && progress.last->exposure == start.first_exposure) {
    start.first_attempt = progress.last->attempt + 1;
  }
  for (const Area& area : series.areas) {
    auto balance = parts_.ledger.balance(area.key());
    if (!balance.ok()) {
      return balance.error();
    }
    start.balances[area.key()] = *balance;
    auto entries = parts_.ledger.entries(area.key());
    if (!entries.ok()) {
      return entries.error();
    }
    for (const json& entry : *entries) {
      if (entry.value("kind", "") == "charge" &&
          entry.value("session", "") == run_->session->name()) {
        start.series_dose[area.key()] += Dose{entry.value("dose_per_a2", 0.0)};
      }
    }
  }
  return start;
}

void Conductor::begin(const std::shared_ptr<Preparation>& preparation,
                      std::unique_ptr<store::Session> session) {
  run_->series = std::move(preparation->series);
  run_->session = std::move(session);
  auto start = engine_start(run_->series, run_->session->progress());
  if (!start.ok()) {
    run_.reset();
    give_up(preparation, start.error());
    return;
  }
  run_->durable = run_->session->progress().frames;
  run_->engine = std::make_unique<Engine>(run_->series, rig_, guards_for(run_->series.guards),
                                          std::move(*start));
  run_->queue = std::make_unique<FrameQueue>(*run_->session, parts_.store_worker, parts_.scheduler,
                                             [this](const StoredBatch& batch) { stored(batch); });
  preparing_ = false;
  record_event({{"event", preparation->resuming ? "resumed" : "started"},
                {"text", (preparation->resuming ? "took up session " : "started session ") +
                             run_->session->name()},
                {"exposures_done", run_->engine->exposures_done()}});
  if (preparation->resuming && run_->series.after_restart == AfterRestart::hold) {
    run_->engine->request_hold("the daemon was restarted, and this series says: hold for a person");
  }
  preparation->done(json{{"session", run_->session->name()},
                         {"path", run_->session->path()},
                         {"exposures", run_->engine->plan().size()}});
  perform(run_->engine->begin(parts_.clock.world_now()));
}

// --- Carrying out
// -------------------------------------------------------------------------------------------

void Conductor::perform(Command command) {
  publish_notes();
  std::visit([this](const auto& step) { run(step); }, command);
}

// Posted, so that a series of commands that are done at once does not grow the stack.
void Conductor::complete(Outcome outcome) {
  parts_.scheduler.post([this, outcome = std::move(outcome), alive = alive_] {
    if (*alive && run_ != nullptr && run_->engine != nullptr) {
      perform(run_->engine->next(outcome, parts_.clock.world_now()));
    }
  });
}

void Conductor::run(const command::Apply& step) {
  DeviceHost& host = device(step.device);
  host.set(step.name, step.value, [this, step](const Result<json>& answer) {
    if (!answer.ok()) {
      complete(answer.error().during("setting " + step.device + "." + step.name));
      return;
    }
    device(step.device)
        .call("settings", json::object(), [this, step](const Result<json>& settings) {
          record_event(
              {{"event", "setting"},
               {"text", "set " + step.device + "." + step.name + " to " + step.value.dump()},
               {"device", step.device},
               {"name", step.name},
               {"asked", step.value},
               {"settings", settings.ok() ? *settings : json(nullptr)}});
          complete(outcome::Done{});
        });
  });
}

void Conductor::run(const command::Move& step) {
  DeviceHost& host = device(step.device);
  const json axes = host.description().value("/describe/axes"_json_pointer, json::array());
  std::uint32_t index = 0;
  while (index < axes.size() && axes[index].value("name", "") != step.axis) {
    ++index;
  }
  if (index == axes.size()) {
    complete(Error{ErrorCode::invalid_request,
                   step.device + " has no axis '" + step.axis + "'; it has " + axes.dump()});
    return;
  }
  host.call("move", {{"axis", index}, {"position", step.position}},
            [this, step](const Result<json>& answer) {
              if (!answer.ok()) {
                complete(answer.error());
                return;
              }
              record_event({{"event", "moved"},
                            {"text", step.device + " " + step.axis + " moved to " +
                                         number(step.position, 9)},
                            {"device", step.device},
                            {"axis", step.axis},
                            {"asked", step.position},
                            {"position", answer->value("position", json(nullptr))}});
              complete(outcome::Done{});
            });
}

void Conductor::run(const command::ReadGauges&) {
  struct Gathering {
    json readings = json::object();
    outcome::GaugesRead read;
    std::size_t missing = 0;
    std::string trouble;
  };
  auto gathering = std::make_shared<Gathering>();
  gathering->missing = run_->series.gauges.size();
  if (gathering->missing == 0) {
    complete(outcome::Done{});
    return;
  }
  for (const std::string& name : run_->series.gauges) {
    device(name).call(
        "read", json::object(), seconds(2), [this, gathering, name](const Result<json>& answer) {
          if (answer.ok()) {
            gathering->readings[name] = answer->value("readings", json::array());
            add_readings(device(name), gathering->readings[name], gathering->read.readings);
          } else {
            gathering->readings[name] = nullptr;
            gathering->trouble += (gathering->trouble.empty() ? "" : "; ") + answer.error().text;
          }
          if (--gathering->missing > 0) {
            return;
          }
          record_event(
              {{"event", "gauges"}, {"text", "gauges read"}, {"readings", gathering->readings}});
          if (!gathering->trouble.empty()) {
            record_event({{"event", "gauges_not_read"}, {"text", gathering->trouble}});
          }
          complete(std::move(gathering->read));
        });
  }
}

void Conductor::run(const command::Intend& step) {
  IntentRequest request = step.request;
  request.session = run_->session->name();
  auto id = parts_.ledger.intend(request);
  complete(id.ok() ? Outcome{outcome::Intended{*id}} : Outcome{id.error()});
}

void Conductor::run(const command::Arm& step) {
  run_->arrived.clear();
  run_->acquisition_first = 0;
  device(run_->series.detector)
      .call("arm", {{"frames", 1}, {"exposure_ns", step.exposure.value}},
            [this](const Result<json>& answer) {
              if (!answer.ok()) {
                complete(answer.error());
                return;
              }
              armed(*answer);
            });
}

void Conductor::armed(const json& answer) {
  auto shape = shape_from(answer);
  if (!shape.ok()) {
    complete(shape.error());
    return;
  }
  if (!same_shape(*shape, run_->shape)) {
    complete(Error{ErrorCode::invalid_request,
                   "the detector changed its frame shape during the session: " + answer.dump()});
    return;
  }
  const outcome::Armed outcome{Duration{answer.value("exposure_ns", std::int64_t{0})},
                               Duration{answer.value("readout_ns", std::int64_t{0})}};
  DeviceHost& detector = device(run_->series.detector);
  if (detector.ring() != nullptr) {
    complete(outcome);
    return;
  }
  const auto block = std::max(1U, answer.value("frames_per_block", 1U));
  auto geometry = ring::geometry_for(run_->shape.bytes() * block);
  if (!geometry.ok()) {
    complete(geometry.error());
    return;
  }
  detector.give_ring(*geometry, [this, outcome](const Result<json>& given) {
    complete(given.ok() ? Outcome{outcome} : Outcome{given.error()});
  });
}

void Conductor::run(const command::Open& step) {
  device(step.shutter)
      .open_shutter(step.at_most, [this, shutter = step.shutter](const Result<json>& answer) {
        shutter_answered(shutter, true, answer);
      });
}

void Conductor::run(const command::Close& step) {
  device(step.shutter).close_shutter([this, shutter = step.shutter](const Result<json>& answer) {
    shutter_answered(shutter, false, answer);
  });
}

void Conductor::shutter_answered(const std::string& shutter, bool opening,
                                 const Result<json>& answer) {
  if (!answer.ok()) {
    complete(answer.error());
    return;
  }
  const std::string measured = answer->value("measured", "");
  if (opening && measured != "open" && measured != "not measured") {
    complete(Error{ErrorCode::device_lost,
                   "shutter " + shutter + " was asked to open and is measured " + measured});
    return;
  }
  if (!opening && !is_closed(*answer)) {
    complete(Error{ErrorCode::device_lost,
                   "shutter " + shutter + " was asked to close and is measured " + measured});
    return;
  }
  complete(outcome::ShutterAt{measured != "not measured",
                              WorldTime{answer->value("opened_ns", std::int64_t{0})},
                              WorldTime{answer->value("closed_ns", std::int64_t{0})}});
}

void Conductor::run(const command::Start&) {
  device(run_->series.detector).call("start", json::object(), [this](const Result<json>& answer) {
    if (!answer.ok()) {
      complete(answer.error());
      return;
    }
    complete(outcome::Started{WorldTime{answer->value("started_ns", parts_.clock.world_now().ns)}});
  });
}

void Conductor::run(const command::Wait& step) {
  run_->wait_timer = parts_.scheduler.at(step.until, [this, alive = alive_] {
    if (*alive && run_ != nullptr) {
      run_->wait_timer = 0;
      complete(outcome::Done{});
    }
  });
}

void Conductor::run(const command::Take& step) {
  run_->waiting_for_frame = true;
  if (!run_->arrived.empty()) {
    frame_here();
    return;
  }
  // On an accelerated rig the world moves by itself to where the frame is due; only real slack
  // counts.
  const Duration left =
      rig_.accelerated ? Duration{} : std::max(step.due - parts_.clock.world_now(), Duration{});
  run_->frame_timer = parts_.scheduler.at(
      parts_.clock.safety_now() + left + options_.frame_slack, [this, alive = alive_] {
        if (*alive && run_ != nullptr && run_->waiting_for_frame) {
          run_->waiting_for_frame = false;
          run_->frame_timer = 0;
          complete(Error{ErrorCode::timed_out, run_->series.detector + ": no frame within " +
                                                   time_span(in_seconds(options_.frame_slack)) +
                                                   " of when it was due"});
        }
      });
}

void Conductor::run(const command::StopDetector&) {
  run_->waiting_for_frame = false;
  device(run_->series.detector).call("stop", json::object(), [this](const Result<json>&) {
    run_->arrived.clear();
    complete(outcome::Done{});
  });
}

void Conductor::frames_arrived(const std::string& name) {
  DeviceHost* host = parts_.supervisor.find(name);
  if (run_ == nullptr || host == nullptr || name != run_->series.detector ||
      host->ring() == nullptr) {
    return;
  }
  while (true) {
    auto view = host->ring()->take();
    if (!view.ok()) {
      host->distrust("its frame ring holds nonsense: " + view.error().text);
      return;
    }
    if (!*view) {
      break;
    }
    FrameBlock block;
    block.info = (*view)->block;
    block.bytes.assign((*view)->payload.begin(), (*view)->payload.end());  // the one copy
    if (block.info.frames == 0 || block.bytes.size() != run_->shape.bytes() * block.info.frames) {
      host->distrust("a frame of " + std::to_string(block.bytes.size()) +
                     " bytes does not fit its own shape");
      return;
    }
    run_->arrived.push_back(std::move(block));
  }
  if (run_->waiting_for_frame && !run_->arrived.empty()) {
    frame_here();
  }
}

void Conductor::frame_here() {
  run_->waiting_for_frame = false;
  if (run_->frame_timer != 0) {
    parts_.scheduler.cancel(std::exchange(run_->frame_timer, 0));
  }
  run_->taken = std::move(run_->arrived.front());
  run_->arrived.pop_front();
  outcome::Taken taken;
  taken.lost_before = run_->taken.info.first > run_->acquisition_first
                          ? run_->taken.info.first - run_->acquisition_first
                          : 0;
  run_->acquisition_first = run_->taken.info.first + run_->taken.info.frames;
  taken.flags =
      ((run_->taken.info.flags & CREEL_FRAME_SATURATED) != 0 ? session::kSaturated : 0U) |
      ((run_->taken.info.flags & CREEL_FRAME_INCOMPLETE) != 0 ? session::kIncomplete : 0U);
  taken.counts = counts_of(run_->shape, run_->taken.bytes);
  complete(taken);
}

void Conductor::run(const command::Charge& step) {
  auto charged = parts_.ledger.charge(step.intent, step.given, step.sigma, step.reason);
  complete(charged.ok() ? Outcome{outcome::Done{}} : Outcome{charged.error()});
}

void Conductor::run(const command::Keep& step) {
  Record record = step.record;
  record.utc_ns = parts_.clock.utc_now_ns() -
                  (parts_.clock.world_now() - WorldTime{run_->taken.info.start_ns}).value;
  run_->queue->put(record, std::move(run_->taken));
  run_->taken = {};
  if (run_->queue->unstored() < options_.most_unstored) {
    complete(outcome::Done{});
  } else {
    run_->waiting_for_store = true;
  }
}

void Conductor::stored(const StoredBatch& batch) {
  for (const std::string& warning : batch.warnings) {
    record_event({{"event", "disk"}, {"text", warning}});
  }
  const Result<void>& result = batch.result;
  DeviceHost& detector = device(run_->series.detector);
  if (!result.ok()) {
    run_->engine->request_hold(
        "the disk does not keep what it is given, so nothing more is exposed: " +
        result.error().text);
    if (listener_) {  // the log is on the same disk: tell at least whoever listens
      listener_({{"event", "alarm"}, {"text", result.error().text}});
    }
    if (std::exchange(run_->waiting_for_store, false)) {
      complete(outcome::Done{});
    }
    return;
  }
  run_->durable = batch.durable;
  if (detector.ring() != nullptr) {
    // A restarted detector has a new ring: only what was taken from this one can go back to it.
    detector.ring()->release(
        std::min<std::uint64_t>(batch.blocks, detector.ring()->taken_not_released()));
    detector.ring_freed();
  }
  if (listener_) {
    listener_({{"event", "stored"},
               {"frames", batch.durable},
               {"text", std::to_string(batch.durable) + " frames safe"}});
  }
  if (run_->waiting_for_store && run_->queue->unstored() < options_.most_unstored) {
    run_->waiting_for_store = false;
    complete(outcome::Done{});
  }
  if (run_->finish && run_->queue->unstored() == 0) {
    fold();
  }
}

void Conductor::run(const command::AwaitDevices& step) {
  run_->waiting_for_devices = step.devices;
  if (parts_.supervisor.ready(step.devices)) {
    run_->waiting_for_devices.clear();
    complete(outcome::Done{});
    return;
  }
  run_->devices_timer = parts_.scheduler.at(
      parts_.clock.safety_now() + options_.devices_limit, [this, alive = alive_] {
        if (*alive && run_ != nullptr && !run_->waiting_for_devices.empty()) {
          run_->devices_timer = 0;
          run_->waiting_for_devices.clear();
          complete(Error{ErrorCode::device_lost,
                         "a device of the series does not come back; see 'creel devices'"});
        }
      });
}

void Conductor::device_changed(const std::string& name) {
  DeviceHost* host = parts_.supervisor.find(name);
  if (run_ == nullptr || host == nullptr) {
    return;
  }
  record_event({{"event", "device"},
                {"text", name + " is " + std::string(device_state_name(host->state()))},
                {"device", host->status()}});
  if (host->device().kind == DeviceKind::shutter && host->state() != DeviceState::ready) {
    run_->engine->shutter_lost(name, std::string(device_state_name(host->state())));
  }
  if (!run_->waiting_for_devices.empty() && parts_.supervisor.ready(run_->waiting_for_devices)) {
    run_->waiting_for_devices.clear();
    if (run_->devices_timer != 0) {
      parts_.scheduler.cancel(std::exchange(run_->devices_timer, 0));
    }
    complete(outcome::Done{});
  }
}

void Conductor::device_event(const std::string& name, const std::string& event, const json& body) {
  if (run_ == nullptr) {
    return;
  }
  if (event == "frames_ended" && run_->waiting_for_frame && name == run_->series.detector) {
    frames_arrived(name);  // the last frame may still be in the ring
    if (run_->waiting_for_frame && body.contains("error") && !body["error"].is_null()) {
      run_->waiting_for_frame = false;
      complete(Error{ErrorCode::device_lost,
                     name + ": " + body["error"].value("text", "the acquisition failed")});
    }
    return;
  }
  if (event ==
      "safe") {  // its host closed it by itself: the lease ended, or it was told to by a signal
    run_->engine->shutter_lost(name, body.value("why", "made safe"));
  }
  if (event != "frames_ended") {
    json entry = body;
    entry["event"] = "device_" + event;
    entry["device"] = name;
    entry["text"] = name + ": " + body.value("text", body.value("why", event));
    record_event(std::move(entry));
  }
}

void Conductor::run(const command::AwaitPerson&) {
  run_->waiting_for_person = true;
}

void Conductor::run(const command::Finish& step) {
  run_->finish = step;
  if (run_->queue->unstored() == 0) {
    fold();
  }
}

void Conductor::fold() {
  const command::Finish finish = *run_->finish;
  run_->finish.reset();
  record_event({{"event", "ended"},
                {"text", finish.outcome + ": " + finish.reason},
                {"outcome", finish.outcome}});
  json summary = run_->engine->status();
  summary["outcome"] = finish.outcome;
  summary["reason"] = finish.reason;
  summary["frames"] = run_->durable;
  summary["end_utc"] = utc_text(parts_.clock.utc_now_ns());
  run_->summary = summary;
  parts_.store_worker.run([this, summary, session = run_->session.get(), alive = alive_,
                           &scheduler = parts_.scheduler] {
    auto report = [this, alive, &scheduler](std::uint64_t done, std::uint64_t total) {
      scheduler.post([this, alive, done, total] {
        if (*alive && listener_) {
          listener_({{"event", "folding"}, {"done", done}, {"total", total}, {"text", "folding"}});
        }
      });
    };
    auto path = std::make_shared<Result<std::string>>(session->fold(summary, report));
    scheduler.post([this, path, alive] {
      if (!*alive) {
        return;
      }
      json end = run_->summary;
      end["event"] = "session_closed";
      end["session"] = run_->session->name();
      end["path"] = path->ok() ? **path : run_->session->path();
      end["text"] = path->ok()
                        ? "session closed: " + **path
                        : "the session stays a folder, whole and readable: " + path->error().text;
      last_ = end;
      run_.reset();
      if (listener_) {
        listener_(end);
      }
    });
  });
}

// --- What people ask
// -----------------------------------------------------------------------------------------

Result<void> Conductor::hold(const std::string& reason) {
  if (run_ == nullptr) {
    return Error{ErrorCode::refused, "no series is running"};
  }
  run_->engine->request_hold(reason);
  return {};
}

Result<void> Conductor::go_on() {
  if (run_ == nullptr || !run_->waiting_for_person) {
    return Error{ErrorCode::refused,
                 run_ == nullptr ? "no series is running" : "the series is not holding"};
  }
  if (auto reopened = mend_ledger(); !reopened.ok()) {
    return reopened.error().during("still holding");
  }
  run_->waiting_for_person = false;
  run_->queue->retry();
  complete(outcome::Done{});
  return {};
}

// A ledger that failed refuses everything until it is opened anew. The series holds, so the shutter
// is closed: an intent whose charge was lost can be settled in full.
Result<void> Conductor::mend_ledger() {
  if (parts_.ledger.open_intents().ok()) {
    return {};
  }
  CREEL_TRY(parts_.ledger.reopen());
  return settle_open_intents();
}

Result<void> Conductor::stop(const std::string& reason) {
  if (run_ == nullptr) {
    return Error{ErrorCode::refused, "no series is running"};
  }
  run_->engine->request_stop(reason);
  if (std::exchange(run_->waiting_for_person, false)) {
    if (auto reopened = mend_ledger(); !reopened.ok()) {
      record_event({{"event", "alarm"}, {"text", reopened.error().text}});
    }
    run_->queue->retry();
    complete(outcome::Done{});
  } else if (!run_->waiting_for_devices.empty()) {
    run_->waiting_for_devices.clear();
    complete(outcome::Done{});
  }
  return {};
}

void Conductor::shutters_forced(const std::string& reason) {
  if (run_ != nullptr) {
    run_->engine->shutters_forced(reason);
    publish_notes();
    if (run_->wait_timer != 0) {  // no use in waiting for the end of this exposure
      parts_.scheduler.cancel(std::exchange(run_->wait_timer, 0));
      complete(outcome::Done{});
    }
  }
}

bool Conductor::quiet() const {
  return run_ == nullptr || run_->engine == nullptr ||
         (run_->waiting_for_person && run_->queue->idle());
}

json Conductor::status() const {
  if (run_ == nullptr || run_->engine == nullptr) {
    return {{"running", false},
            {"preparing", preparing_},
            {"not_shown_closed", not_closed_},
            {"last", last_}};
  }
  json status = run_->engine->status();
  status["running"] = true;
  status["session"] = run_->session->name();
  status["path"] = run_->session->path();
  status["frames_safe"] = run_->durable;
  status["frames_unstored"] = run_->queue->unstored();
  status["holding"] = run_->waiting_for_person;
  status["folding"] = !run_->summary.empty();
  return status;
}

// --- Events
// --------------------------------------------------------------------------------------------------

void Conductor::publish_notes() {
  for (json& note : run_->engine->take_notes()) {
    record_event(std::move(note));
  }
}

void Conductor::record_event(json event) {
  event["utc"] = utc_text(parts_.clock.utc_now_ns());
  event["world_ns"] = parts_.clock.world_now().ns;
  event["session"] = run_->session->name();
  if (listener_) {
    listener_(event);
  }
  parts_.store_worker.run([event = std::move(event), session = run_->session.get(), alive = alive_,
                           this, &scheduler = parts_.scheduler] {
    if (auto kept = session->event(event); !kept.ok()) {
      scheduler.post([this, alive, error = kept.error()] {
        if (*alive && run_ != nullptr) {
          run_->engine->request_hold("the event log cannot be written: " + error.text);
        }
      });
    }
  });
}

}  // namespace creel
