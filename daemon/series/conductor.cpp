#include "daemon/series/conductor.h"

#include <algorithm>
#include <utility>

#include "daemon/series/conductor_state.h"
#include "daemon/series/from_devices.h"
#include "protocol/base/text.h"
#include "protocol/driver/creel_driver.h"

namespace creel {

using nlohmann::json;
using session::Record;

Conductor::Conductor(Parts parts, const Rig& rig, Options options)
    : parts_(std::move(parts)), rig_(rig), options_(std::move(options)) {}

Conductor::~Conductor() {
  *alive_ = false;
}

DeviceHost& Conductor::device(const std::string& name) {
  DeviceHost* found = parts_.supervisor.find(name);
  CREEL_INVARIANT(found != nullptr,
                  "a series that was checked against the rig names a device it lacks");
  return *found;
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
      look_at_disk();
      run_->engine->utc_now(parts_.clock.utc_now_ns());
      perform(run_->engine->next(outcome, parts_.clock.world_now()));
    }
  });
}

/// How much the disk still takes, for the guard: at the price of one question to the system.
void Conductor::look_at_disk() {
  if (auto free = parts_.disk.free_bytes(options_.sessions); free.ok() && run_->room) {
    const auto unstored = run_->queue->unstored_bytes() / run_->shape.bytes();
    run_->engine->room_now({*free, run_->room->needed_for(run_->most_frames + unstored)});
  }
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
  request.cause = run_->set_up ? "set_up" : request.cause;
  auto id = parts_.ledger.intend(request);
  complete(id.ok() ? Outcome{outcome::Intended{*id}} : Outcome{id.error()});
}

void Conductor::run(const command::Arm& step) {
  discard_frames();
  run_->acquisition_first = 0;
  run_->frames_asked = step.frames;
  device(run_->series.detector)
      .call("arm", {{"frames", step.frames}, {"exposure_ns", step.exposure.value}},
            [this](const Result<json>& answer) {
              if (!answer.ok()) {
                complete(answer.error());
                return;
              }
              // Only now: the end of the acquisition before this one may be told until its host
              // arms, and must not end this one.
              run_->acquisition_error.reset();
              run_->frames_ended = false;
              armed(*answer);
            });
}

void Conductor::armed(const json& answer) {
  auto shape = shape_from(answer);
  if (!shape.ok()) {
    complete(shape.error());
    return;
  }
  if (*shape != run_->shape) {
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

void ShutterTimes::add(double seconds) {
  least_s = count == 0 ? seconds : std::min(least_s, seconds);
  most_s = count == 0 ? seconds : std::max(most_s, seconds);
  ++count;
  sum_s += seconds;
  squares_s2 += seconds * seconds;
}

json ShutterTimes::to_json() const {
  return {{"count", count},
          {"sum_s", sum_s},
          {"squares_s2", squares_s2},
          {"least_s", least_s},
          {"most_s", most_s}};
}

void Conductor::run(const command::Open& step) {
  device(step.shutter)
      .open_shutter(step.at_most, [this, shutter = step.shutter,
                                   ordered = parts_.clock.world_now()](const Result<json>& answer) {
        note_shutter_time(shutter, true, ordered, answer);
        shutter_answered(shutter, true, answer);
      });
}

void Conductor::run(const command::Close& step) {
  device(step.shutter)
      .close_shutter([this, shutter = step.shutter,
                      ordered = parts_.clock.world_now()](const Result<json>& answer) {
        note_shutter_time(shutter, false, ordered, answer);
        shutter_answered(shutter, false, answer);
      });
}

/// A measured time before the order is that of an older movement: the shutter stood there already.
void Conductor::note_shutter_time(const std::string& shutter, bool opening, WorldTime ordered,
                                  const Result<json>& answer) {
  if (run_ == nullptr || shutter != run_->series.shutter || !answer.ok() ||
      answer->value("measured", "") != (opening ? "open" : "closed")) {
    return;
  }
  const auto ns = [&](const char* name) { return answer->value(name, std::int64_t{0}); };
  MovementTimes& times = opening ? run_->openings : run_->closings;
  const std::int64_t passed = ns(opening ? "opened_ns" : "closed_ns");
  if (passed < ordered.ns) {
    return;
  }
  times.to_beam.add(1e-9 * static_cast<double>(passed - ordered.ns));
  const std::int64_t began = ns(opening ? "opening_began_ns" : "closing_began_ns");
  const std::int64_t ended = ns(opening ? "opening_ended_ns" : "closing_ended_ns");
  if (began >= ordered.ns && ended >= began) {
    times.delay.add(1e-9 * static_cast<double>(began - ordered.ns));
    times.travel.add(1e-9 * static_cast<double>(ended - began));
  }
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
  if (run_->engine->awaits_frame() && ended_early()) {
    return;
  }
  run_->wait_timer = parts_.scheduler.at(step.until, [this, alive = alive_] {
    if (*alive && run_ != nullptr) {
      run_->wait_timer = 0;
      complete(outcome::Done{});
    }
  });
}

/// Frames of an exposure that broke: out of the ring and away, their slots free again.
void Conductor::discard_frames() {
  DeviceHost& detector = device(run_->series.detector);
  std::uint64_t slots = run_->arrived.size();
  run_->arrived.clear();
  ring::Consumer* ring = detector.ring();
  if (ring == nullptr) {
    return;
  }
  while (ring->more()) {
    auto view = ring->take();
    if (!view.ok() || !*view) {
      break;  // nonsense in it shows when the next frame is asked for
    }
    ++slots;
  }
  if (slots > 0) {
    ring->release(std::min(slots, ring->taken_not_released()));
    detector.ring_freed();
  }
}

void Conductor::run(const command::Take& step) {
  frames_arrived(run_->series.detector);
  if (run_->arrived.empty() && ended_early()) {
    return;
  }
  run_->waiting_for_frame = true;
  if (!run_->arrived.empty()) {
    frame_here();
    return;
  }
  expect_by(step.due);
}

/// Answers with an error when what is waited for is not there some real time after it was due.
void Conductor::expect_by(WorldTime due) {
  // On an accelerated rig the world moves by itself to where the frame is due; only real slack
  // counts.
  const Duration left =
      rig_.accelerated ? Duration{} : std::max(due - parts_.clock.world_now(), Duration{});
  run_->frame_timer = parts_.scheduler.at(
      parts_.clock.safety_now() + left + options_.frame_slack, [this, alive = alive_] {
        if (*alive && run_ != nullptr && run_->draining && disk_is_late()) {
          expect_by(parts_.clock.world_now());
          return;
        }
        if (*alive && run_ != nullptr && (run_->waiting_for_frame || run_->draining)) {
          run_->waiting_for_frame = run_->draining = false;
          run_->frame_timer = 0;
          complete(Error{ErrorCode::timed_out, run_->series.detector + ": no frame within " +
                                                   time_span(in_seconds(options_.frame_slack)) +
                                                   " of when it was due"});
        }
      });
}

/// Whether frames of a stream are here and only the disk does not take them. One that refused is
/// asked again a few times: these frames have cost dose.
bool Conductor::disk_is_late() {
  constexpr int kAskAgain = 6;
  if (run_->arrived.empty() && !left_in_ring()) {
    return false;
  }
  if (run_->queue->idle()) {
    if (++run_->refused_in_drain > kAskAgain) {
      return false;
    }
    run_->queue->retry();
  }
  return true;
}

void Conductor::run(const command::Stream& step) {
  run_->streaming = step;
  if (ended_early()) {
    return;
  }
  run_->wait_timer = parts_.scheduler.at(step.until, [this, alive = alive_] {
    if (*alive && run_ != nullptr) {
      run_->wait_timer = 0;
      complete(outcome::Done{});
    }
  });
  take_streamed();
}

/// Hands what came to the store, as long as the disk keeps up; the rest stays in the ring, and a
/// full ring makes the detector pause or say what it lost.
void Conductor::take_streamed() {
  bool came = false;
  while (!run_->arrived.empty() && run_->queue->unstored_bytes() < options_.most_unstored_bytes) {
    FrameBlock block = std::move(run_->arrived.front());
    run_->arrived.pop_front();
    const auto& [until, pattern, each] = *run_->streaming;
    const outcome::Taken taken = receive(block.info);
    Record record = pattern;
    record.lost_before = taken.lost_before;
    record.flags |= taken.flags | (taken.lost_before > 0 ? session::kGapBefore : 0U);
    record.area_dose += each.value * static_cast<double>(block.info.first + 1);
    record.utc_ns = utc_of(block.info.start_ns);
    run_->queue->put(record, std::move(block), {each, run_->frames_asked});
    came = true;
  }
  const bool all = run_->acquisition_first >= run_->frames_asked;
  // What was lost at the end never comes: the gap shows in the indices.
  const bool ended = run_->frames_ended && run_->arrived.empty() && !left_in_ring();
  if (run_->draining && (all || ended)) {
    drained();
  } else if (run_->draining && came) {  // late because the disk is: the wait begins anew
    parts_.scheduler.cancel(run_->frame_timer);
    expect_by(parts_.clock.world_now());
  }
}

bool Conductor::left_in_ring() {
  const auto* ring = device(run_->series.detector).ring();
  return ring != nullptr && ring->more();
}

void Conductor::run(const command::Drain& step) {
  if (ended_early()) {
    return;
  }
  run_->draining = true;
  run_->refused_in_drain = 0;
  expect_by(step.due);
  take_streamed();
}

void Conductor::drained() {
  stop_expecting();
  run_->streaming.reset();
  complete(outcome::Done{});
}

/// Nothing is waited for any more; a timer that was set for it must not end a later wait.
void Conductor::stop_expecting() {
  run_->waiting_for_frame = run_->draining = false;
  if (run_->frame_timer != 0) {
    parts_.scheduler.cancel(std::exchange(run_->frame_timer, 0));
  }
}

/// The detector has no more frames for this acquisition. Its error answers whoever waits for frames
/// (for the last ones, for one, or while they stream), or whoever asks for them next.
void Conductor::frames_ended(const json& error) {
  const std::string& detector = run_->series.detector;
  frames_arrived(detector);  // the last frame may still be in the ring
  if (error.is_null()) {
    run_->frames_ended = true;
    if (run_->streaming) {
      take_streamed();
    }
    return;
  }
  acquisition_failed(detector + ": " + error.value("text", "the acquisition failed"));
}

/// No frame comes any more. An exposure that waits for its end ends now, its shutter closes: what
/// it gave from here on would be dose for nothing.
void Conductor::acquisition_failed(const std::string& why) {
  run_->acquisition_error = Error{ErrorCode::device_lost, why};
  const bool exposes = run_->wait_timer != 0 && run_->engine->awaits_frame() &&
                       (run_->streaming || run_->arrived.empty());
  if (exposes) {
    parts_.scheduler.cancel(std::exchange(run_->wait_timer, 0));
  }
  if (exposes || run_->waiting_for_frame || run_->draining) {
    ended_early();
  }
}

/// Answers with the detector's error, if there is one.
bool Conductor::ended_early() {
  if (!run_->acquisition_error) {
    return false;
  }
  stop_expecting();
  complete(*std::exchange(run_->acquisition_error, std::nullopt));
  return true;
}

void Conductor::run(const command::StopDetector&) {
  stop_expecting();
  run_->streaming.reset();
  device(run_->series.detector).call("stop", json::object(), [this](const Result<json>&) {
    discard_frames();
    complete(outcome::Done{});
  });
}

void Conductor::frames_arrived(const std::string& name) {
  DeviceHost* host = parts_.supervisor.find(name);
  if (run_ == nullptr || host == nullptr || name != run_->series.detector ||
      host->ring() == nullptr) {
    return;
  }
  const auto room = [this] {
    return !run_->streaming || run_->queue->unstored_bytes() < options_.most_unstored_bytes;
  };
  while (room()) {
    auto view = host->ring()->take();
    if (!view.ok()) {
      host->distrust("its frame ring holds nonsense: " + view.error().text);
      return;
    }
    if (!*view) {
      break;
    }
    FrameBlock block{(*view)->block, run_->queue->spare_buffer()};
    block.bytes.assign((*view)->payload.begin(), (*view)->payload.end());  // the one copy
    if (const auto fault = fault_of(run_->shape, block)) {
      host->distrust(*fault);
      return;
    }
    run_->arrived.push_back(std::move(block));
    if (run_->streaming) {
      take_streamed();
    }
  }
  if (run_->waiting_for_frame && !run_->arrived.empty()) {
    frame_here();
  }
}

void Conductor::frame_here() {
  stop_expecting();
  run_->taken = std::move(run_->arrived.front());
  run_->arrived.pop_front();
  outcome::Taken taken = receive(run_->taken.info);
  if (run_->series.guards.low_counts) {  // a pass over all pixels, on the control thread
    taken.counts = counts_of(run_->shape, run_->taken);
  }
  complete(taken);
}

/// Counts a block as received, and says what the detector said of it.
outcome::Taken Conductor::receive(const ring::Block& block) {
  outcome::Taken taken;
  taken.lost_before =
      block.first > run_->acquisition_first ? block.first - run_->acquisition_first : 0;
  run_->acquisition_first = block.first + block.frames;
  // A list without room for more is full as a pixel is: to repeat the exposure would not help.
  const bool saturated = (block.flags & CREEL_FRAME_SATURATED) != 0 || block.events_lost > 0;
  taken.flags = (saturated ? session::kSaturated : 0U) |
                ((block.flags & CREEL_FRAME_INCOMPLETE) != 0 ? session::kIncomplete : 0U);
  return taken;
}

std::int64_t Conductor::utc_of(std::int64_t world_ns) const {
  return parts_.clock.utc_now_ns() - (parts_.clock.world_now() - WorldTime{world_ns}).value;
}

void Conductor::run(const command::Charge& step) {
  auto charged = parts_.ledger.charge(step.intent, step.given, step.sigma, step.reason);
  if (!charged.ok()) {
    unbooked_.push_back(step);
  }
  complete(charged.ok() ? Outcome{outcome::Done{}} : Outcome{charged.error()});
}

void Conductor::run(const command::Keep& step) {
  Record record = step.record;
  record.utc_ns = utc_of(run_->taken.info.start_ns);
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
    if (run_->finish) {
      store_again_later();
    }
    return;
  }
  run_->durable = batch.durable;
  run_->sealed = batch.sealed;
  if (batch.room) {
    run_->room = batch.room;
  }
  if (batch.answer) {
    run_->engine->answer_now(*batch.answer);
    if (listener_) {  // for who watches; the log need not repeat what the frames say
      listener_({{"event", "answer"},
                 {"white_line_ratio", batch.answer->ratio},
                 {"white_line_ratio_sigma", batch.answer->sigma},
                 {"frames", batch.answer->frames},
                 {"text", "white-line ratio " + number(batch.answer->ratio, 3) + " +- " +
                              number(batch.answer->sigma, 2)}});
    }
  }
  for (const FrameMeasures& one : batch.measures) {
    run_->engine->measured(one);
    json event = measures_to_json(one);
    event["event"] = "measures";
    event["text"] = "measured on exposure " + std::to_string(one.exposure);
    record_event(std::move(event));
  }
  if (!batch.no_answer.empty()) {
    record_event({{"event", "no_answer"}, {"text", batch.no_answer}});
  }
  if (detector.ring() != nullptr) {
    // A restarted detector has a new ring: only what was taken from this one can go back to it.
    detector.ring()->release(
        std::min<std::uint64_t>(batch.blocks, detector.ring()->taken_not_released()));
    detector.ring_freed();
  }
  if (listener_ && !run_->set_up) {
    listener_({{"event", "stored"},
               {"frames", batch.durable},
               {"text", std::to_string(batch.durable) + " frames safe"}});
  }
  if (run_->streaming) {
    frames_arrived(run_->series.detector);  // those that waited in the ring for the disk
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
    shutter_lost(name, std::string(device_state_name(host->state())));
  }
  if (name == run_->series.detector && host->state() == DeviceState::waiting) {
    acquisition_failed(name + ": its process is gone (" + host->last_trouble() + ")");
  }
  if (!run_->waiting_for_devices.empty() && parts_.supervisor.ready(run_->waiting_for_devices)) {
    run_->waiting_for_devices.clear();
    if (run_->devices_timer != 0) {
      parts_.scheduler.cancel(std::exchange(run_->devices_timer, 0));
    }
    complete(outcome::Done{});
  }
}

/// A stream that is broken already does not wait for its end: what comes from here on may be
/// without beam, and is not kept. (A single frame is not kept anyway, and a lost shutter is closed
/// by its host or its lease.)
void Conductor::shutter_lost(const std::string& name, const std::string& how) {
  run_->engine->shutter_lost(name, how);
  if (run_->streaming && run_->engine->exposure_is_broken()) {
    run_->streaming.reset();
    end_wait();
  }
}

/// Of Wait or Stream, now instead of when it was planned.
void Conductor::end_wait() {
  if (run_->wait_timer != 0) {
    parts_.scheduler.cancel(std::exchange(run_->wait_timer, 0));
    complete(outcome::Done{});
  }
}

void Conductor::device_event(const std::string& name, const std::string& event, const json& body) {
  if (run_ == nullptr) {
    return;
  }
  if (event == "frames_ended") {
    if (name == run_->series.detector) {
      frames_ended(body.value("error", json()));
    }
    return;
  }
  if (event ==
      "safe") {  // its host closed it by itself: the lease ended, or it was told to by a signal
    shutter_lost(name, body.value("why", "made safe"));
  }
  json entry = body;
  entry["event"] = "device_" + event;
  entry["device"] = name;
  entry["text"] = name + ": " + body.value("text", body.value("why", event));
  record_event(std::move(entry));
}

void Conductor::run(const command::AwaitPerson& step) {
  run_->waiting_for_person = true;
  if (run_->set_up) {
    (void)stop(step.reason);
  }
}

void Conductor::store_again_later() {
  parts_.scheduler.at(parts_.clock.safety_now() + seconds(10), [this, alive = alive_] {
    if (*alive && run_ != nullptr && run_->finish) {
      run_->queue->retry();
    }
  });
}

void Conductor::run(const command::Finish& step) {
  run_->finish = step;
  if (run_->queue->unstored() > 0 && run_->queue->idle()) {
    store_again_later();  // the disk refused them, and no hold comes any more to ask a person
  }
  if (run_->queue->unstored() == 0) {
    fold();
  }
}

void Conductor::fold() {
  const command::Finish finish = *run_->finish;
  run_->finish.reset();
  const MovementTimes &openings = run_->openings, &closings = run_->closings;
  if (openings.to_beam.count > 0 || closings.to_beam.count > 0) {
    json event = {{"event", "shutter_times"},
                  {"text", "times from order to measured movement of " + run_->series.shutter},
                  {"shutter", run_->series.shutter},
                  {"opening", openings.to_beam.to_json()},
                  {"closing", closings.to_beam.to_json()}};
    if (openings.travel.count > 0 || closings.travel.count > 0) {
      event["opening_delay"] = openings.delay.to_json();
      event["opening_travel"] = openings.travel.to_json();
      event["closing_delay"] = closings.delay.to_json();
      event["closing_travel"] = closings.travel.to_json();
    }
    record_event(std::move(event));
  }
  record_event({{"event", "ended"},
                {"text", finish.outcome + ": " + finish.reason},
                {"outcome", finish.outcome},
                {"reason", finish.reason}});
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
      end["text"] = run_->set_up ? "set-up closed"
                    : path->ok()
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
// is closed: what could not be charged is charged now, with what is known of it.
Result<void> Conductor::mend_ledger() {
  if (!parts_.ledger.open_intents().ok()) {
    CREEL_TRY(parts_.ledger.reopen());
  }
  auto open = parts_.ledger.open_intents();
  if (!open.ok()) {
    return open.error();
  }
  while (!unbooked_.empty()) {
    const command::Charge& charge = unbooked_.back();
    const bool missing = std::any_of(open->begin(), open->end(), [&](const OpenIntent& intent) {
      return intent.id == charge.intent;  // or the entry of the failed call is there after all
    });
    if (missing) {
      CREEL_TRY(parts_.ledger.charge(charge.intent, charge.given, charge.sigma, charge.reason));
    }
    unbooked_.pop_back();
  }
  return settle_unused_intents();
}

// The ledger said no to these intents, and has them all the same: nothing was opened on them.
Result<void> Conductor::settle_unused_intents() {
  auto open = parts_.ledger.open_intents();
  if (!open.ok()) {
    return open.error();
  }
  for (const OpenIntent& intent : *open) {
    CREEL_TRY(parts_.ledger.charge(
        intent.id, Dose{}, Dose{},
        "the ledger failed when this was intended, and nothing was opened on it"));
  }
  return {};
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
    if (run_->engine->exposure_is_broken()) {
      run_->streaming.reset();
    }
    end_wait();  // no use in waiting for the end of this exposure
  }
}

void Conductor::dose_entered(const std::string& area, Dose dose, Dose sigma,
                             const std::string& reason, bool tail) {
  if (run_ != nullptr && run_->engine != nullptr) {
    run_->engine->dose_entered(area, dose, sigma, reason, tail);
  }
}

void Conductor::record(json event) {
  if (run_ != nullptr && run_->session != nullptr && run_->summary.empty()) {
    record_event(std::move(event));
  }
}

bool Conductor::quiet() const {
  return run_ == nullptr || run_->engine == nullptr ||
         (run_->waiting_for_person && run_->queue->idle());
}

json Conductor::left_sessions() const {
  json all = json::array();
  for (const LeftSession& one : left_) {
    if (parts_.disk.exists(one.path + "/" +
                           session::kWholeName)) {  // else it was recovered meanwhile
      all.push_back({{"name", one.name}, {"path", one.path}, {"text", one.text}});
    }
  }
  return all;
}

json Conductor::status() const {
  if (run_ == nullptr || run_->engine == nullptr) {
    return {{"running", false},
            {"preparing", preparing_},
            {"not_shown_closed", not_closed_},
            {"unfinished", left_sessions()},
            {"last", last_}};
  }
  json status = run_->engine->status();
  status["running"] = true;
  status["set_up"] = run_->set_up;
  status["session"] = run_->session->name();
  status["path"] = run_->session->path();
  status["frames_safe"] = run_->set_up ? 0 : run_->durable;  // a set-up keeps none
  status["frames_unstored"] = run_->queue->unstored();
  status["pieces"] = {{"full", run_->sealed.full}, {"sealed", run_->sealed.pieces}};
  status["holding"] = run_->waiting_for_person;
  status["folding"] = !run_->summary.empty();
  status["unfinished"] = left_sessions();
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
  // Queued for the disk before the listener hears of it: what that records in turn comes after.
  parts_.store_worker.run(
      [event, session = run_->session.get(), alive = alive_, this, &scheduler = parts_.scheduler] {
        if (auto kept = session->event(event); !kept.ok()) {
          scheduler.post([this, alive, error = kept.error()] {
            if (*alive && run_ != nullptr) {
              run_->engine->request_hold("the event log cannot be written: " + error.text);
            }
          });
        }
      });
  if (listener_) {
    listener_(event);
  }
}

}  // namespace creel
