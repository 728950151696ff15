// The conductor at the daemon's start, and before the first exposure of a series: everything until
// the engine takes over.

#include <algorithm>
#include <cmath>
#include <utility>

#include "daemon/guards/guards_for.h"
#include "daemon/series/conductor_state.h"
#include "daemon/series/from_devices.h"
#include "daemon/series/unfinished.h"
#include "protocol/base/text.h"

namespace creel {

using nlohmann::json;

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

std::string session_name(const Series& series, std::int64_t utc_ns) {
  std::string stamp = utc_text(utc_ns).substr(0, 19);  // 2026-11-25T03:10:07
  stamp.erase(
      std::remove_if(stamp.begin(), stamp.end(), [](char c) { return c == '-' || c == ':'; }),
      stamp.end());
  return series.name + "-" + stamp;
}

// What the ledger says when a session begins or is taken up: then charges of exposures whose frames
// were lost are in it, and `verify` finds them so.
json dose_in_ledger(const Series& series, const EngineStart& start) {
  json areas = json::array();
  for (const Area& area : series.areas) {
    const auto given = start.series_dose.find(area.key());
    areas.push_back(
        {{"area", area.key()},
         {"series_e_per_a2", given == start.series_dose.end() ? 0.0 : given->second.value},
         {"area_e_per_a2", start.balances.at(area.key()).charged.value},
         {"area_sigma_e_per_a2", std::sqrt(start.balances.at(area.key()).variance)},
         {"by_hand_e_per_a2", start.balances.at(area.key()).by_hand.value},
         {"by_hand_sigma_e_per_a2", std::sqrt(start.balances.at(area.key()).variance_by_hand)}});
  }
  return areas;
}

}  // namespace

// --- At the daemon's start
// --------------------------------------------------------------------------------

void Conductor::take_up(Reply done) {
  preparing_ = true;
  parts_.supervisor.close_all([this, done = std::move(done)](
                                  const std::vector<Supervisor::Closed>& closed) {
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
    const Dose sigma{bound.value / std::sqrt(12.0)};
    CREEL_TRY(parts_.ledger.charge(
        intent.id, bound, sigma, "the daemon ended before it could charge; the bound is charged"));
    AfterCrash& sum = after_crash_[intent.request.session][intent.request.area];
    sum.dose += bound;
    sum.sigma += sigma;
  }
  return {};
}

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

void Conductor::resume(const Result<Unfinished>& found, const Reply& done) {
  preparing_ = false;
  if (!found.ok()) {
    done(found.error());
    return;
  }
  left_ = found->others;
  if (!found->latest) {
    done(json{{"resumed", nullptr}});
    return;
  }
  const UnfinishedSession& session = *found->latest;
  const Reply told = [this, done, name = session.name](const Result<json>& result) {
    if (!result.ok()) {
      left_.push_back(left_as_it_is(options_.sessions, name, result.error().text));
    }
    done(result.ok() ? Result<json>(json{{"resumed", name}}) : result);
  };
  auto series = parse_series(session.start.series_text, session.name + " (its series document)");
  if (!series.ok()) {
    told(series.error());
    return;
  }
  if (auto fits = check_against_rig(*series, rig_); !fits.ok()) {
    told(fits.error().during("session " + session.name + " was taken on another rig"));
    return;
  }
  auto preparation = std::make_shared<Preparation>();
  preparation->series = std::move(*series);
  preparation->resuming = true;
  preparation->ended = session.ended;
  preparation->session_name = session.name;
  preparation->done = told;
  preparing_ = true;
  open_session(preparation, session.start);
}

// --- Preparing a series
// -------------------------------------------------------------------------------------

void Conductor::start(Series series, Reply done, MakeSession unkept) {
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
  // A set-up that the ledger ended left nobody to mend it.
  if (!unbooked_.empty() || !parts_.ledger.open_intents().ok()) {
    if (auto mended = mend_ledger(); !mended.ok()) {
      done(mended.error().during("nothing was opened"));
      return;
    }
  }
  auto preparation = std::make_shared<Preparation>();
  preparation->unkept = std::move(unkept);
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
  start.codec = options_.codec;
  start.frames_planned = Plan(series).frames();
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
  parts_.store_worker.run([this, preparation, start, alive = alive_, &disk = parts_.disk,
                           background = parts_.background, &scheduler = parts_.scheduler] {
    auto made = preparation->resuming
                    ? store::resume_session(disk, start.directory, start.name, background)
                : preparation->unkept ? preparation->unkept(start)
                                      : store::create_session(disk, start, background);
    auto opened = std::make_shared<Result<Opened>>(
        made.ok() ? Result<Opened>(Opened{std::move(*made), std::nullopt, {}}) : made.error());
    if (opened->ok()) {
      if (auto room = (*opened)->session->headroom(); room.ok()) {
        (*opened)->room = *room;
      }
      if (preparation->resuming && preparation->series.guards.look_at_frames()) {
        (*opened)->earlier = look_back(disk, start.directory, start.name);
      }
    }
    scheduler.post(
        [this, preparation, opened, shape = start.shape, start_utc_ns = start.start_utc_ns, alive] {
          if (!*alive) {
            return;
          }
          if (!opened->ok()) {
            give_up(preparation, opened->error());
            return;
          }
          run_ = std::make_unique<Run>();
          run_->shape = shape;
          run_->set_up = static_cast<bool>(preparation->unkept);
          preparation->start_utc_ns = start_utc_ns;
          begin(preparation, std::move(**opened));
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
    auto given = parts_.ledger.charged_in(area.key(), run_->session->name());
    if (!given.ok()) {
      return given.error();
    }
    start.series_dose[area.key()] = *given;
  }
  return start;
}

void Conductor::begin(const std::shared_ptr<Preparation>& preparation, Opened opened) {
  run_->series = std::move(preparation->series);
  run_->session = std::move(opened.session);
  run_->room = opened.room;
  for (const Block& block : run_->series.blocks) {
    run_->most_frames = std::max<std::uint64_t>(run_->most_frames, block.frames);
    for (const Interleave& between : block.interleave) {
      run_->most_frames = std::max<std::uint64_t>(run_->most_frames, between.frames);
    }
  }
  auto start = engine_start(run_->series, run_->session->progress());
  if (!start.ok()) {
    run_.reset();
    give_up(preparation, start.error());
    return;
  }
  if (preparation->ended) {
    start->ended_outcome = preparation->ended->outcome;
    start->ended_reason = preparation->ended->reason;
  }
  start->session_age =
      std::max(Duration{}, Duration{parts_.clock.utc_now_ns() - preparation->start_utc_ns});
  start->past = std::move(opened.earlier.past);
  start->axis_offset_ev = opened.earlier.axis_offset_ev;
  json event = {{"event", preparation->resuming ? "resumed" : "started"},
                {"text", (preparation->resuming ? "took up session " : "started session ") +
                             run_->session->name()},
                {"exposures_done", start->first_exposure}};
  if (preparation->resuming) {
    const auto progress = run_->session->progress();
    event["next_sequence"] = progress.last ? progress.last->sequence + 1 : 0;
    const auto all_charged = std::exchange(after_crash_, {});
    const auto ours = all_charged.find(run_->session->name());
    for (const auto& [area, charged] :
         ours == all_charged.end() ? std::map<std::string, AfterCrash>() : ours->second) {
      event["charged_after_crash"].push_back({{"area", area},
                                              {"dose_e_per_a2", charged.dose.value},
                                              {"sigma_e_per_a2", charged.sigma.value}});
    }
  }
  event["areas"] = dose_in_ledger(run_->series, *start);
  run_->durable = run_->session->progress().frames;
  run_->engine =
      std::make_unique<Engine>(run_->series, rig_, guards_for(run_->series), std::move(*start));
  auto live = LiveAnswer::make(
      run_->series, run_->session->name(), run_->shape,
      device(run_->series.detector).description().value("/describe"_json_pointer, json::object()));
  run_->queue = std::make_unique<FrameQueue>(*run_->session, std::move(live), parts_.store_worker,
                                             parts_.scheduler,
                                             [this](const StoredBatch& batch) { stored(batch); });
  if (preparation->resuming && !preparation->ended) {
    run_->queue->look_back([&disk = parts_.disk, directory = options_.sessions,
                            name = run_->session->name()](LiveAnswer& before) {
      return each_frame_of(
          disk, directory, name,
          [&before](const session::Record& record, std::span<const std::byte> frame) {
            before.remember(record, frame);
          });
    });
  }
  preparing_ = false;
  record_event(std::move(event));
  if (const auto& room = run_->room; room && room->free < room->rest + room->to_fold) {
    record_event({{"event", "disk_short"},
                  {"text", bytes_text(static_cast<double>(room->free)) +
                               " are free on the disk; the frames still to come need up to " +
                               bytes_text(static_cast<double>(room->rest)) +
                               ", and folding the session at its end up to " +
                               bytes_text(static_cast<double>(room->to_fold)) +
                               ". The series waits before a frame could be lost"},
                  {"free_bytes", room->free},
                  {"frames_bytes", room->rest},
                  {"folding_bytes", room->to_fold}});
  }
  if (preparation->resuming && run_->series.after_restart == AfterRestart::hold) {
    run_->engine->request_hold("the daemon was restarted, and this series says: hold for a person");
  }
  preparation->done(json{{"session", run_->session->name()},
                         {"path", run_->session->path()},
                         {"exposures", run_->engine->plan().size()}});
  perform(run_->engine->begin(parts_.clock.world_now()));
}

}  // namespace creel
