#include "daemon/series/engine.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "protocol/base/text.h"

namespace creel {

using nlohmann::json;
using session::Record;

namespace {

constexpr std::uint32_t kMostFailuresInARow = 3;
constexpr Duration kCloseRetry = seconds(1);
/// Readings this young need not be taken again: those after one exposure serve the next.
constexpr Duration kReadingsFresh = seconds(1);
constexpr const char* kVacuum = "vacuum";  // no Area::key(), which has a '/'
constexpr Duration kMoreIntent =
    seconds(60);  ///< covered by one further intent while a shutter does not close

const Error* failed(const Outcome& outcome) {
  return std::get_if<Error>(&outcome);
}

}  // namespace

std::string_view command_name(const Command& command) {
  static constexpr std::string_view kNames[] = {
      "apply",         "move",   "read gauges", "intend",        "arm",          "open",
      "close",         "start",  "wait",        "take",          "stream",       "drain",
      "stop detector", "charge", "keep",        "await devices", "await person", "finish"};
  return kNames[command.index()];
}

Engine::Engine(const Series& series, const Rig& rig, std::vector<std::unique_ptr<Guard>> guards,
               EngineStart start)
    : series_(series),
      shutter_(*rig.find(series.shutter)),
      plan_(series),
      guards_(std::move(guards)),
      balances_(std::move(start.balances)),
      series_dose_(std::move(start.series_dose)),
      index_(start.first_exposure),
      attempt_(start.first_attempt),
      age_before_(start.session_age),
      axis_offset_ev_(start.axis_offset_ev),
      end_outcome_(std::move(start.ended_outcome)),
      end_reason_(std::move(start.ended_reason)) {
  for (const GuardPast& one : start.past) {
    if (one.what == GuardPast::What::measured) {
      measured(one.measures);
      continue;
    }
    for (const auto& rule : guards_) {
      one.what == GuardPast::What::went_on ? rule->went_on() : rule->recentred();
    }
  }
}

Command Engine::ask(Command command, Step then) {
  then_ = then;
  return command;
}

Command Engine::begin(WorldTime now) {
  now_ = began_ = now;
  dose_counted_to_ = now;
  if (!end_outcome_.empty()) {  // it had ended before the daemon did
    return ask(command::Finish{end_outcome_, end_reason_}, &Engine::on_finished);
  }
  return secure();
}

Command Engine::next(const Outcome& outcome, WorldTime now) {
  now_ = now;
  return (this->*then_)(outcome);
}

// --- Before the first exposure, and after every trouble
// -------------------------------------------------

Command Engine::secure() {
  doing_ = "making sure that the shutter is closed";
  return ask(command::Close{series_.shutter}, &Engine::on_secured);
}

Command Engine::on_secured(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    note("shutter_not_secured",
         "shutter " + series_.shutter + " could not be shown to be closed: " + error->text);
    return recover();
  }
  return let_beam_in();
}

Command Engine::let_beam_in() {
  if (fallback_closed_ && shutter_.fallback != series_.cathode_shutter) {
    fallback_closed_ = false;
    return ask(command::Open{shutter_.fallback, {}}, &Engine::on_beam_let_in);
  }
  fallback_closed_ = false;
  if (!series_.cathode_shutter.empty() && series_.cathode_shutter != series_.shutter && !beam_in_) {
    beam_in_ = true;
    cathode_opened_ = true;  // from here on it may be open, whatever the answer
    lit_since_.reset();
    return ask(command::Open{series_.cathode_shutter, {}}, &Engine::on_beam_let_in);
  }
  return choose();
}

Command Engine::on_beam_let_in(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    beam_in_ = false;
    note("beam_not_let_in", "the beam could not be let in: " + error->text);
    return recover();
  }
  if (beam_in_ && !lit_since_) {
    lit(outcome);
  }
  return let_beam_in();
}

void Engine::lit(const Outcome& opened) {
  const auto* at = std::get_if<outcome::ShutterAt>(&opened);
  lit_since_ = at != nullptr && at->measured ? std::min(at->opened, now_) : now_;
}

std::optional<Duration> Engine::lit_for(WorldTime at) const {
  return lit_since_ ? std::optional<Duration>(at - *lit_since_) : std::nullopt;
}

// --- Choosing and preparing the next exposure
// ------------------------------------------------------------

Command Engine::choose() {
  forget_exposure();
  count_entered();
  if (stop_requested_) {
    return wind_up("stopped", *stop_requested_);
  }
  if (forced_) {
    forced_ = false;
    hold_requested_.reset();
    return hold("all shutters were closed over the series' head");
  }
  if (hold_requested_) {
    return hold(*std::exchange(hold_requested_, std::nullopt));
  }
  if (index_ == plan_.size()) {
    return wind_up("complete", "all " + std::to_string(plan_.size()) + " exposures are taken");
  }
  if (beam_kept_out()) {
    return await_devices();
  }
  exposure_ = plan_.at(index_);
  return prepare();
}

Command Engine::hold(const std::string& reason) {
  doing_ = "holding: " + reason;
  note("hold", reason, {{"shutter", "closed"}});
  return ask(command::AwaitPerson{reason}, &Engine::on_person);
}

Command Engine::on_person(const Outcome&) {
  if (!wanted_place_.empty()) {
    place_ = std::exchange(wanted_place_, {});
  }
  for (const auto& rule : guards_) {
    rule->went_on();
  }
  failures_ = 0;
  if (!stop_requested_) {
    note("continue", "a person said continue");
  }
  return await_devices();  // much may have happened meanwhile: closure is established anew
}

Command Engine::prepare() {
  preparations_.clear();
  const bool vacuum = exposure_.where == Where::vacuum;
  const Area* to = vacuum ? nullptr : area();
  const std::string place = vacuum ? kVacuum : (to == nullptr ? "" : to->key());
  if (exposure_.kind != ExposureKind::dark && !place.empty() && place != place_) {
    const Position& position = to == nullptr ? series_.vacuum : to->position;
    if (position.empty() && !place_.empty()) {
      wanted_place_ = place;
      return hold(vacuum ? "move the specimen out of the beam (vacuum), then continue"
                         : "move the specimen so that the beam falls on area " + exposure_.area +
                               ", then continue");
    }
    // Without a position, whoever started the series has the beam there.
    place_ = place;
    placed_by_stage_ = !position.empty();
    for (const auto& [axis, value] : position) {
      preparations_.emplace_back(command::Move{series_.stage, axis, value});
    }
  }
  if (exposure_.vary_value && vary_prepared_ != exposure_.vary_value) {
    vary_prepared_ = exposure_.vary_value;
    const Vary& vary = *series_.blocks[exposure_.block].vary;
    preparations_.emplace_back(command::Move{vary.device, vary.axis, *exposure_.vary_value});
    varied_[vary.device + " " + vary.axis] = *exposure_.vary_value;
  }
  for (const Setting& planned : settings_for(series_, exposure_)) {
    Setting wanted = moved(planned);
    const auto set = std::find_if(set_.begin(), set_.end(),
                                  [&](const Setting& one) { return one.is_same(wanted); });
    if (set != set_.end() && set->value == wanted.value) {
      continue;
    }
    preparations_.emplace_back(command::Apply{wanted.device, wanted.name, wanted.value});
    if (set != set_.end()) {
      *set = std::move(wanted);
    } else {
      set_.push_back(std::move(wanted));
    }
  }
  std::reverse(preparations_.begin(), preparations_.end());
  return prepared();
}

Setting Engine::moved(Setting wanted) const {
  const auto& drift = series_.guards.zero_loss_drift;
  const bool moves = drift && wanted.device == drift->device && wanted.name == drift->setting;
  if (moves && axis_offset_ev_ != 0 && wanted.value.is_number()) {
    wanted.value = wanted.value.get<double>() + axis_offset_ev_;
  }
  return wanted;
}

Command Engine::on_prepared(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);  // recover() forgets what was set: all of it is set again
  }
  return prepared();
}

Command Engine::prepared() {
  if (!preparations_.empty()) {
    doing_ = "setting up block " + series_.blocks[exposure_.block].name;
    Command step = std::move(preparations_.back());
    preparations_.pop_back();
    return ask(std::move(step), &Engine::on_prepared);
  }
  if (readings_at_ && now_ - *readings_at_ < kReadingsFresh) {
    return guard();
  }
  doing_ = "reading gauges";
  return ask(command::ReadGauges{}, &Engine::on_gauges);
}

Command Engine::on_gauges(const Outcome& outcome) {
  take_readings(outcome);
  return guard();
}

/// Gauges that did not answer are missing among the readings; what that means is the guards'
/// business.
void Engine::take_readings(const Outcome& outcome) {
  readings_.clear();
  if (const Error* error = failed(outcome)) {
    note("gauges_not_read", error->text);
  } else if (const auto* read = std::get_if<outcome::GaugesRead>(&outcome)) {
    readings_ = read->readings;
  }
  readings_at_ = now_;
}

BeforeExposure Engine::before_exposure() {
  BeforeExposure view;
  view.exposure = exposure_;
  view.now = now_;
  view.bound = bound_;
  if (const Area* where = area()) {
    view.series_on_area = series_dose_[where->key()];
    view.area_total = balances_[where->key()].upper();
    view.area_limit = where->dose_limit;
  }
  view.readings = readings_;
  view.answer = answer_;
  view.room = room_;
  view.utc_ns = utc_ns_;
  view.session_age = age_before_ + (now_ - began_);
  view.takes = exposure_.whole() + integrates_longer();
  view.offset_ev = axis_offset_ev_;
  view.lit_for = lit_for(now_);
  return view;
}

void Engine::measured(const FrameMeasures& measures) {
  for (const Measure& one : measures.measures) {
    newest_[one.kind] = one;
  }
  for (const auto& rule : guards_) {
    rule->measured(measures);
  }
}

Command Engine::guard() {
  bound_ = bound();
  const BeforeExposure view = before_exposure();
  for (const auto& rule : guards_) {
    const Verdict verdict = rule->before(view);
    if (verdict.what == Verdict::What::note) {
      note_verdict(std::string(rule->name()), verdict);
    } else if (verdict.what != Verdict::What::go) {
      return obey(*rule, verdict);
    }
  }
  if (!waiting_for_.empty()) {
    note("guard_satisfied", waiting_for_ + " guard: going on", {{"guard", waiting_for_}});
    waiting_for_.clear();
  }
  return arm();
}

void Engine::note_verdict(const std::string& guard, const Verdict& verdict) {
  static constexpr std::string_view kWhat[] = {"go", "wait", "hold", "end", "note", "recentre"};
  json numbers = verdict.numbers;
  numbers["guard"] = guard;
  numbers["decision"] = kWhat[static_cast<std::size_t>(verdict.what)];
  if (verdict.what == Verdict::What::recentre) {
    numbers["axis_offset_ev"] = verdict.offset_ev;
  }
  note("guard", verdict.reason, numbers);
}

Command Engine::obey(const Guard& rule, const Verdict& verdict) {
  const std::string name(rule.name());
  // A wait that goes on is recorded once: a night of it would fill the log.
  if (verdict.what != Verdict::What::wait || waiting_for_ != name) {
    note_verdict(name, verdict);
  }
  if (verdict.what == Verdict::What::recentre) {
    axis_offset_ev_ = verdict.offset_ev;
    return choose();  // prepares the exposure anew, with the axis moved
  }
  if (verdict.what == Verdict::What::end) {
    return wind_up(name, verdict.reason);
  }
  if (verdict.what == Verdict::What::hold) {
    waiting_for_.clear();
    return hold(verdict.reason);
  }
  waiting_for_ = name;
  doing_ = "waiting with the shutter closed: " + verdict.reason;
  return ask(command::Wait{now_ + verdict.again}, &Engine::on_guard_waited);
}

// Anything may have been asked for meanwhile, so the exposure is chosen anew.
Command Engine::on_guard_waited(const Outcome&) {
  readings_at_.reset();
  return choose();
}

Command Engine::on_intended(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return hold("the ledger cannot be written, so nothing is opened: " + error->text);
  }
  intent_ = std::get<outcome::Intended>(outcome).id;
  balances_[area()->key()].intended += bound_;
  return ready();
}

/// Before the intent: how long an exposure of many frames lasts follows from the detector's answer.
/// Arming moves nothing.
Command Engine::arm() {
  return ask(command::Arm{exposure_.exposure + integrates_longer(), exposure_.frames},
             &Engine::on_armed);
}

Command Engine::on_armed(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);
  }
  const auto& armed = std::get<outcome::Armed>(outcome);
  exposure_armed_ = armed.exposure;
  readout_ = armed.readout;
  return intend();
}

Command Engine::intend() {
  bound_ = bound();
  if (exposure_.gives_dose()) {
    doing_ = "committing the intent";
    return ask(
        command::Intend{intent_request(bound_, std::string(exposure_kind_name(exposure_.kind)))},
        &Engine::on_intended);
  }
  return ready();
}

Command Engine::ready() {
  doing_ = "exposing";
  if (exposure_.kind == ExposureKind::background) {
    cathode_blocked_ = true;
    return ask(command::Close{series_.cathode_shutter}, &Engine::on_cathode_blocked);
  }
  return expose();
}

// --- The exposure
// ----------------------------------------------------------------------------------------

Command Engine::on_cathode_blocked(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);
  }
  return expose();
}

Command Engine::expose() {
  return opens() && series_.gating == Gating::detector ? open_shutter() : start_detector();
}

Command Engine::start_detector() {
  return ask(command::Start{}, &Engine::on_started);
}

Command Engine::on_started(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);
  }
  started_ = std::get<outcome::Started>(outcome).at;
  if (streams()) {
    closed_ = started_ + integration();  // until it is measured
    const Dose each = opens() ? open_rate() * (exposure_armed_ + readout_) : Dose{};
    given_ = opens() ? open_rate() * integration() : Dose{};
    given_sigma_ = Dose{given_.value * series_.beam.relative_uncertainty};
    return ask(command::Stream{closed_, record(), each}, &Engine::on_waited);
  }
  if (!opens()) {
    return take();
  }
  if (series_.gating == Gating::shutter) {
    return open_shutter();
  }
  return ask(command::Wait{started_ + exposure_armed_}, &Engine::on_waited);
}

Command Engine::open_shutter() {
  if (beam_kept_out() && !cathode_blocked_) {
    return broken(
        Error{ErrorCode::device_lost, "shutter " + series_.cathode_shutter +
                                          " closed by itself while this exposure was prepared"});
  }
  CREEL_INVARIANT(!exposure_.gives_dose() || intent_ != 0,
                  "a shutter is never opened without an intent");
  maybe_open_ = true;
  open_asked_ = now_;
  opened_ = now_;  // until the device says better
  return ask(command::Open{series_.shutter, longest_opening() - shutter_.closing_time},
             &Engine::on_opened);
}

Command Engine::on_opened(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);
  }
  const auto& at = std::get<outcome::ShutterAt>(outcome);
  shutter_measured_ = at.measured;
  if (at.measured) {
    opened_ = at.opened;
  }
  if (series_.gating == Gating::detector) {
    return start_detector();
  }
  return ask(command::Wait{now_ + exposure_.exposure}, &Engine::on_waited);
}

Command Engine::on_waited(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);
  }
  if (trouble_) {  // the shutters were forced meanwhile
    return broken(*trouble_);
  }
  return opens() ? close_shutter() : take();
}

Command Engine::close_shutter() {
  return ask(command::Close{series_.shutter}, &Engine::on_closed);
}

Command Engine::on_closed(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    note("alarm",
         "shutter " + series_.shutter + " was not shown to close: " + error->text +
             (shutter_.fallback.empty() ? ". No fall-back is named in the rig; trying again"
                                        : ". Closing " + shutter_.fallback + " instead"),
         {{"alarm", "shutter"}});
    if (!trouble_) {
      trouble_ = *error;
    }
    if (shutter_.fallback.empty()) {
      return not_closed(*error);
    }
    return ask(command::Close{shutter_.fallback}, &Engine::on_fallback_closed);
  }
  const auto& at = std::get<outcome::ShutterAt>(outcome);
  shutter_measured_ = shutter_measured_ && at.measured;
  // A measured time before this opening is that of an older closing: the device was restarted
  // meanwhile.
  closed_ = at.measured && at.closed >= opened_ ? at.closed : now_;
  if (series_.gating == Gating::shutter && !trouble_ && closed_ > started_ + exposure_armed_) {
    trouble_ = Error{ErrorCode::timed_out,
                     "the shutter closed after the detector's integration had ended"};
  }
  return after_closed();
}

Command Engine::on_fallback_closed(const Outcome& outcome) {
  // It was told to close, so it may close at any time, whatever it answers: the beam is let in
  // anew.
  fallback_closed_ = true;
  if (shutter_.fallback == series_.cathode_shutter) {
    beam_in_ = false;
  }
  if (const Error* error = failed(outcome)) {
    note("alarm",
         "the fall-back " + shutter_.fallback + " was not shown to close either: " + error->text,
         {{"alarm", "shutter"}});
    return not_closed(*error);
  }
  shutter_measured_ = false;
  closed_ = now_;
  return after_closed();
}

// The dose goes on. It keeps being covered by intents, a minute at a time, until something is shown
// to close.
Command Engine::not_closed(const Error&) {
  doing_ = "ALARM: a shutter does not close; the dose goes on and is being counted";
  const Dose soon = open_rate() * ((now_ - opened_) + kCloseRetry + kCloseRetry);
  if (intent_ != 0 && soon > covered()) {
    const Dose bound = open_rate() * kMoreIntent + (soon - covered());
    more_intents_.emplace_back(0, bound);
    return ask(command::Intend{intent_request(bound, "shutter not closed")},
               &Engine::on_more_intended);
  }
  return ask(command::Wait{now_ + kCloseRetry}, &Engine::on_not_closed_waited);
}

Command Engine::on_more_intended(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    more_intents_.pop_back();
    if (!std::exchange(uncovered_, true)) {  // once, not every second
      note("alarm",
           "the ledger could not take the intent for a shutter that does not close, so what it "
           "gives "
           "from here on is charged when it is closed: " +
               error->text);
    }
  } else {
    more_intents_.back().first = std::get<outcome::Intended>(outcome).id;
    balances_[area()->key()].intended += more_intents_.back().second;
  }
  return ask(command::Wait{now_ + kCloseRetry}, &Engine::on_not_closed_waited);
}

Command Engine::on_not_closed_waited(const Outcome&) {
  return close_shutter();
}

Command Engine::after_closed() {
  maybe_open_ = false;
  if (!trouble_) {
    return take();
  }
  // What the detector still has is of a broken exposure, and must not be taken for the next one's.
  return detector_stopped_ ? charge() : ask(command::StopDetector{}, &Engine::on_detector_stopped);
}

Command Engine::take() {
  const WorldTime due = started_ + integration() + readout_;
  return streams() ? ask(command::Drain{due}, &Engine::on_drained)
                   : ask(command::Take{due}, &Engine::on_taken);
}

Command Engine::on_drained(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);
  }
  frame_taken_ = true;
  return charge();
}

Command Engine::on_taken(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return broken(*error);
  }
  frame_taken_ = true;
  taken_ = std::get<outcome::Taken>(outcome);
  if ((taken_.flags & session::kIncomplete) != 0) {
    trouble_ = Error{ErrorCode::corrupt, "the detector lost part of the frame"};
  }
  return charge();
}

Command Engine::charge() {
  if (intent_ == 0) {
    return after_charged();
  }
  given_ = given();
  given_sigma_ = Dose{given_.value * series_.beam.relative_uncertainty};
  std::string reason = trouble_ ? "broken: " + trouble_->text
                                : (shutter_measured_ ? "measured opening" : "opening by commands");
  if (uncovered_) {
    reason += "; beyond the " + number(covered().value) +
              " e/A^2 intended, because the ledger could not take more while a shutter stayed open";
  }
  if (const Dose residual = residual_due(); residual > Dose{}) {
    reason += "; " + number(residual.value) + " e/A^2 of it residual beam since the one before";
  }
  return ask(command::Charge{intent_, given_, given_sigma_, reason}, &Engine::on_charged);
}

// No more than the intents cover: however late an order to open was carried out or answered, the
// shutter's host closes it by itself after the longest opening, and a shutter that does not close
// is covered by further intents. Where the ledger took none of those, all that was given counts.
Dose Engine::given() const {
  const bool was_opened = open_asked_ != WorldTime{};
  const Dose all = (was_opened ? open_rate() * (closed_ - opened_) : Dose{}) + residual_due();
  return uncovered_ ? all : std::min(all, covered());
}

Command Engine::on_charged(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    // Nothing is exposed before the charge could be booked after all. Should the daemon end sooner,
    // the intent counts in full: the ledger over-states, never under-states.
    hold_requested_ =
        "the ledger could not take a charge (until it can, the intent counts in "
        "full): " +
        error->text;
  }
  Balance& balance = balances_[area()->key()];
  balance.charged += given_;
  balance.intended.value = std::max(0.0, balance.intended.value - bound_.value);
  if (open_asked_ != WorldTime{}) {
    dose_counted_to_ = closed_;
  }
  series_dose_[area()->key()] += given_;
  return settle_more();
}

// Further intents were covered by the one charge: they are settled with nothing.
Command Engine::settle_more() {
  if (more_intents_.empty()) {
    return after_charged();
  }
  const auto [id, bound] = more_intents_.back();
  more_intents_.pop_back();
  Balance& balance = balances_[area()->key()];
  balance.intended.value = std::max(0.0, balance.intended.value - bound.value);
  return ask(command::Charge{id, Dose{}, Dose{}, "counted with the first intent of this opening"},
             &Engine::on_more_charged);
}

Command Engine::on_more_charged(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    hold_requested_ = "the ledger could not take a charge: " + error->text;
  }
  return settle_more();
}

Command Engine::after_charged() {
  if (cathode_blocked_) {
    cathode_blocked_ = false;
    return ask(command::Open{series_.cathode_shutter, {}}, &Engine::on_cathode_opened);
  }
  return after_exposure();
}

Command Engine::on_cathode_opened(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    beam_in_ = false;
    if (!trouble_) {
      trouble_ = *error;
    }
  } else {
    lit(outcome);
  }
  return after_exposure();
}

Command Engine::after_exposure() {
  if (!frame_taken_) {
    return recover();
  }
  if (reads_after()) {
    return ask(command::ReadGauges{}, &Engine::on_gauges_after);
  }
  return keep();
}

Command Engine::on_gauges_after(const Outcome& outcome) {
  take_readings(outcome);
  return keep();
}

Command Engine::keep() {
  if (streams()) {  // its frames are with the store already, with the dose that was planned
    if (!trouble_ && area() != nullptr) {
      note("charged",
           "exposure " + std::to_string(index_) + " gave " + number(given_.value) + " e/A^2",
           dose_note(exposure_kind_name(exposure_.kind)));
    }
    return finished();
  }
  if (!trouble_) {
    const AfterExposure view{exposure_, taken_.counts,
                             reads_after() ? readings_ : std::vector<Reading>{},
                             lit_for(series_.gating == Gating::shutter ? opened_ : started_)};
    for (const auto& rule : guards_) {
      const std::string why = rule->after(view);
      touched_ += (touched_.empty() || why.empty() ? "" : "; ") + why;
    }
  }
  if (!touched_.empty()) {
    note("frame_left_out",
         "exposure " + std::to_string(index_) + " is marked and stays out of sums: " + touched_,
         {{"exposure", index_}, {"attempt", attempt_}});
  }
  return ask(command::Keep{record()}, &Engine::on_kept);
}

Command Engine::on_kept(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    return hold("the frame could not be handed to the store: " + error->text);
  }
  return finished();
}

Command Engine::finished() {
  if (trouble_) {
    return recover();
  }
  ++index_;
  attempt_ = 0;
  failures_ = 0;
  return choose();
}

// --- Trouble and the end
// -----------------------------------------------------------------------------------

Command Engine::broken(const Error& error) {
  trouble_ = error;
  return ask(command::StopDetector{}, &Engine::on_detector_stopped);
}

Command Engine::on_detector_stopped(const Outcome&) {
  detector_stopped_ = true;
  return maybe_open_ ? close_shutter() : charge();
}

Command Engine::recover() {
  if (trouble_) {
    note("exposure_broken", "exposure " + std::to_string(index_) + " failed: " + trouble_->text,
         dose_note("broken"));
    ++attempt_;
  }
  forget_exposure();
  set_.clear();  // a restarted device is set up again
  vary_prepared_.reset();
  readings_at_.reset();
  if (placed_by_stage_) {
    place_.clear();
  }
  if (++failures_ >= kMostFailuresInARow) {
    return hold("the same trouble came " + std::to_string(failures_) +
                " times in a row; see the events, and continue when it is mended");
  }
  return await_devices();
}

Command Engine::await_devices() {
  if (stop_requested_) {
    return wind_up("stopped", *stop_requested_);
  }
  doing_ = "waiting for devices";
  return ask(command::AwaitDevices{devices()}, &Engine::on_devices);
}

Command Engine::on_devices(const Outcome& outcome) {
  if (stop_requested_) {
    return wind_up("stopped", *stop_requested_);
  }
  if (const Error* error = failed(outcome)) {
    return hold(error->text);
  }
  return secure();
}

Command Engine::wind_up(std::string outcome, std::string reason) {
  end_outcome_ = std::move(outcome);
  end_reason_ = std::move(reason);
  if (end_outcome_ != "complete") {
    note_left_varied();
  }
  const Dose residual = residual_due();
  if (residual > Dose{}) {
    bound_ = residual;
    return ask(command::Intend{intent_request(residual, "residual")},
               &Engine::on_residual_intended);
  }
  return shut_beam_off();
}

/// A series that ends before its plan leaves what it varied (the laser's attenuator, a delay) where
/// its last exposure had it. It is said, not moved back: whoever ended it may be at the instrument.
void Engine::note_left_varied() {
  for (const auto& [axis, value] : varied_) {
    note("left_varied",
         axis + " was left at " + number(value) +
             ", where the last exposure had it; set it back before the next series",
         {{"axis", axis}, {"position", value}});
  }
}

Command Engine::on_residual_intended(const Outcome& outcome) {
  if (failed(outcome) != nullptr) {
    note("alarm", "the residual dose could not be written to the ledger",
         {{"dose_e_per_a2", bound_.value}});
    return shut_beam_off();
  }
  return ask(command::Charge{std::get<outcome::Intended>(outcome).id, bound_,
                             Dose{bound_.value * series_.beam.relative_uncertainty},
                             "residual beam with the cathode laser blocked"},
             &Engine::on_residual_charged);
}

Command Engine::on_residual_charged(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    note("alarm",
         "the residual dose could not be charged (its intent counts in full): " + error->text,
         {{"dose_e_per_a2", bound_.value}});
  } else {
    given_ = bound_;
    given_sigma_ = Dose{bound_.value * series_.beam.relative_uncertainty};
    balances_[area()->key()].charged += given_;
    series_dose_[area()->key()] += given_;
    note("charged", "residual beam: " + number(given_.value) + " e/A^2", dose_note("residual"));
  }
  return shut_beam_off();
}

Command Engine::shut_beam_off() {
  doing_ = "ending";
  if (cathode_opened_) {
    cathode_opened_ = beam_in_ = false;
    return ask(command::Close{series_.cathode_shutter}, &Engine::on_beam_off);
  }
  return ask(command::Finish{end_outcome_, end_reason_}, &Engine::on_finished);
}

Command Engine::on_beam_off(const Outcome& outcome) {
  if (const Error* error = failed(outcome)) {
    note(
        "alarm",
        "shutter " + series_.cathode_shutter + " was not shown to close at the end: " + error->text,
        {{"alarm", "shutter"}});
  }
  return shut_beam_off();
}

Command Engine::on_finished(const Outcome&) {
  return command::Finish{end_outcome_, end_reason_};
}

void Engine::shutters_forced(const std::string& reason) {
  forced_ = true;
  beam_in_ = false;
  if (maybe_open_ && !trouble_) {
    trouble_ = Error{ErrorCode::cancelled, reason + " during this exposure"};
  }
  note("close_all", reason);
}

void Engine::dose_entered(const std::string& area, Dose dose, Dose sigma, const std::string& reason,
                          bool tail) {
  const auto found = std::find_if(series_.areas.begin(), series_.areas.end(),
                                  [&](const Area& one) { return one.key() == area; });
  if (found != series_.areas.end()) {
    entered_.push_back({{"area", found - series_.areas.begin()},
                        {"dose_e_per_a2", dose.value},
                        {"sigma_e_per_a2", sigma.value},
                        {"reason", reason}});
    if (tail) {
      entered_.back()["cause"] = "neighbour";
    }
  }
}

// Between two exposures, so that it is clear from which attempt on the area's total has it.
void Engine::count_entered() {
  for (json& entry : std::exchange(entered_, {})) {
    const Area& where = series_.areas[entry["area"].get<std::size_t>()];
    const double dose = entry["dose_e_per_a2"];
    Balance& balance = balances_[where.key()];
    balance.charged.value = std::max(0.0, balance.charged.value + dose);
    entry["exposure"] = index_;
    entry["attempt"] = attempt_;
    const bool tail = entry.contains("cause");
    const std::string text = (tail ? "charged to " : "entered by hand for ") + where.key() + ": " +
                             number(dose) + " e/A^2 (" + entry["reason"].get<std::string>() + ")";
    note("entered_by_hand", text, std::move(entry));
  }
}

void Engine::shutter_lost(const std::string& shutter, const std::string& how) {
  if (shutter != series_.shutter && shutter != series_.cathode_shutter) {
    return;
  }
  if (shutter == series_.cathode_shutter) {
    beam_in_ = false;
  }
  if (maybe_open_ && !trouble_) {
    trouble_ = Error{ErrorCode::device_lost,
                     "shutter " + shutter + " was lost during this exposure: " + how};
  }
}

// --- Small things
// ---------------------------------------------------------------------------------------------

void Engine::forget_exposure() {
  intent_ = 0;
  bound_ = given_ = given_sigma_ = Dose{};
  started_ = open_asked_ = opened_ = closed_ = WorldTime{};
  uncovered_ = false;
  shutter_measured_ = true;
  frame_taken_ = false;
  taken_ = {};
  touched_.clear();
  detector_stopped_ = false;
  trouble_.reset();
}

const Area* Engine::area() const {
  return exposure_.area.empty() ? nullptr : series_.find_area(exposure_.area);
}

bool Engine::beam_kept_out() const {
  return !series_.cathode_shutter.empty() && series_.cathode_shutter != series_.shutter &&
         !beam_in_;
}

bool Engine::reads_after() const {
  return exposure_.gives_dose() && !series_.guards.gauges.empty();
}

bool Engine::opens() const {
  return exposure_.kind != ExposureKind::dark;
}

/// Where the shutter defines the exposure the detector integrates a margin before and after it. Its
/// darks too: what it collects in the dark meanwhile is then subtracted whole.
Duration Engine::integrates_longer() const {
  return series_.gating == Gating::shutter ? series_.gating_margin + series_.gating_margin
                                           : Duration{};
}

Duration Engine::longest_opening() const {
  const Duration readouts{readout_.value * static_cast<std::int64_t>(exposure_.frames - 1)};
  return exposure_.whole() + readouts + series_.gating_margin + series_.gating_margin +
         shutter_.lease + shutter_.closing_time;
}

Duration Engine::integration() const {
  const auto more = static_cast<std::int64_t>(exposure_.frames - 1);
  return exposure_armed_ + Duration{(exposure_armed_ + readout_).value * more};
}

DoseRate Engine::open_rate() const {
  if (exposure_.kind == ExposureKind::background) {
    return series_.beam.residual.value_or(series_.beam.dose_rate);  // unknown: the upper bound
  }
  return series_.beam.dose_rate;
}

// With the cathode laser as the only gate, the residual beam reaches the specimen all the time.
Dose Engine::residual_due() const {
  if (shutter_.blocks != Blocks::cathode_laser || !series_.beam.residual || area() == nullptr) {
    return Dose{};
  }
  const WorldTime until = open_asked_ != WorldTime{} ? opened_ : now_;
  return until > dose_counted_to_ ? *series_.beam.residual * (until - dose_counted_to_) : Dose{};
}

/// The most that the exposure can give.
Dose Engine::bound() const {
  return exposure_.gives_dose() ? open_rate() * longest_opening() + residual_due() : Dose{};
}

/// What the intents of this opening allow in all.
Dose Engine::covered() const {
  Dose sum = bound_;
  for (const auto& [id, dose] : more_intents_) {
    sum += dose;
  }
  return sum;
}

IntentRequest Engine::intent_request(Dose bound, std::string cause) const {
  IntentRequest request;
  request.area = area()->key();
  request.bound = bound;
  request.session = series_.name;
  request.exposure = index_;
  request.attempt = attempt_;
  request.cause = std::move(cause);
  return request;
}

Record Engine::record() const {
  Record record;
  record.exposure = index_;
  record.attempt = attempt_;
  record.flags = taken_.flags | (trouble_ ? session::kBroken : 0U) |
                 (touched_.empty() ? 0U : session::kTouchedByHold) |
                 (opens() && !shutter_measured_ ? session::kShutterNotMeasured : 0U) |
                 (taken_.lost_before > 0 ? session::kGapBefore : 0U);
  record.block = exposure_.block;
  record.kind = static_cast<std::uint8_t>(exposure_.kind);
  record.where = static_cast<std::uint8_t>(exposure_.where);
  record.exposure_set_ns = exposure_.exposure.value;
  record.opened_ns = opens() ? opened_.ns : 0;
  record.closed_ns = opens() ? closed_.ns : 0;
  record.dose = given_.value;
  record.dose_errors = given_sigma_.value;
  record.lost_before = taken_.lost_before;
  record.first_channel_ev =
      first_channel_ev(series_, exposure_).value_or(std::numeric_limits<double>::quiet_NaN()) +
      (opens() ? axis_offset_ev_ : 0);
  record.vary_value = exposure_.vary_value.value_or(std::numeric_limits<double>::quiet_NaN());
  if (const Area* where = area()) {
    record.area = static_cast<std::uint16_t>(where - series_.areas.data());
    record.area_dose = balances_.at(where->key()).charged.value;
  }
  return record;
}

/// What the ledger was told of the running attempt, for the session: `area` is an index as in a
/// record.
json Engine::dose_note(std::string_view cause) const {
  const Area* where = area();
  return {{"exposure", index_},
          {"attempt", attempt_},
          {"area", where == nullptr ? json(nullptr) : json(where - series_.areas.data())},
          {"cause", cause},
          {"dose_e_per_a2", given_.value},
          {"sigma_e_per_a2", given_sigma_.value}};
}

std::vector<std::string> Engine::devices() const {
  std::vector<std::string> names{series_.detector, series_.shutter};
  if (!series_.cathode_shutter.empty()) {
    names.push_back(series_.cathode_shutter);
  }
  if (!series_.stage.empty()) {
    names.push_back(series_.stage);
  }
  return names;
}

void Engine::note(const std::string& event, const std::string& text, json more) {
  more["event"] = event;
  more["text"] = text;
  notes_.push_back(std::move(more));
}

std::vector<json> Engine::take_notes() {
  return std::exchange(notes_, {});
}

json Engine::status() const {
  json dose = json::object();
  for (const Area& one : series_.areas) {
    const auto given = series_dose_.find(one.key());
    const auto balance = balances_.find(one.key());
    dose[one.key()] = {
        {"series_e_per_a2", given == series_dose_.end() ? 0.0 : given->second.value},
        {"area_e_per_a2", balance == balances_.end() ? 0.0 : balance->second.upper().value},
        {"series_limit_e_per_a2", series_.guards.dose.value},
        {"area_limit_e_per_a2", one.dose_limit.value}};
  }
  json measures = json::object();
  for (const auto& [kind, one] : newest_) {
    measures[std::string(measure_name(kind))] = {
        {"value", one.value},
        {"sigma", std::isfinite(one.sigma) ? json(one.sigma) : json(nullptr)}};
  }
  return {{"series", series_.name},
          {"doing", doing_},
          {"exposures_done", index_},
          {"exposures", plan_.size()},
          {"kind", index_ < plan_.size() ? exposure_kind_name(plan_.at(index_).kind) : "none"},
          {"shutter_may_be_open", maybe_open_},
          {"white_line_ratio", answer_ ? json(answer_->ratio) : json(nullptr)},
          {"white_line_ratio_sigma", answer_ ? json(answer_->sigma) : json(nullptr)},
          {"measures", measures},
          {"axis_offset_ev", axis_offset_ev_},
          {"dose", dose}};
}

}  // namespace creel
