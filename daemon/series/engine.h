// The engine: what happens next in a series. A state machine without I/O, clock or thread of its
// own.
//
// It hands out ONE command at a time (next()); whoever executes it (the conductor) reports the
// outcome with the world time, and gets the next command. The cycle of an exposure that gives dose
// is
//
//   guards -> Arm -> Intend -> Open -> Start -> Wait -> Close -> Take -> Charge -> Keep  (detector
//   gating) guards -> Arm -> Intend -> Start -> Open -> Wait -> Close -> Take -> Charge -> Keep
//   (shutter gating)
//
// A dark is Arm -> Start -> Take -> Keep: the shutter stays closed. An exposure of many frames
// hands them to the store as they come (Stream instead of Wait, Drain instead of Take and Keep):
// they would not fit in memory. The frame is read after the shutter closed, so that no electron is
// spent on a readout. Where the series has bands for gauges they are read once more before Keep:
// what happened during the exposure marks its frame.
//
// Two rules hold whatever fails: the shutter is never opened without a committed intent, and after
// every opening - good, failed or unknown - closure is established and the dose charged before
// anything else happens.
//
// SAFETY: closing a shutter from here is not a personnel-safety interlock; see
// protocol/driver/creel_driver.h.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "daemon/guards/guard.h"
#include "daemon/ledger/ledger.h"
#include "protocol/base/result.h"
#include "protocol/base/units.h"
#include "protocol/series/series.h"
#include "protocol/session/layout.h"

namespace creel {

/// What the engine wants done.
namespace command {
struct Apply {  ///< change one setting of a device
  std::string device, name;
  nlohmann::json value;
};
struct Move {
  std::string device, axis;
  double position = 0;
};
struct ReadGauges {};
struct Intend {
  IntentRequest request;
};
struct Arm {
  Duration exposure;  ///< of each frame
  std::uint32_t frames = 1;
};
struct Open {
  std::string shutter;
  /// Its host closes it by itself after this, whatever the daemon does; zero = as long as the lease
  /// is renewed.
  Duration at_most;
};
struct Close {
  std::string shutter;
};
struct Start {};
struct Wait {
  WorldTime until;
};
/// Until `until`: every frame that comes is stored as `record` says, its area_dose grown by
/// `dose_a_frame` for each frame before it and itself.
struct Stream {
  WorldTime until;
  session::Record record;
  Dose dose_a_frame;
};
struct Drain {  ///< the frames still to come after Stream, the last expected about `due`
  WorldTime due;
};
struct Take {  ///< one frame from the detector, expected about `due`
  WorldTime due;
};
struct StopDetector {};
struct Charge {
  IntentId intent = 0;
  Dose given, sigma;
  std::string reason;
};
struct Keep {  ///< store the frame that Take brought; the conductor fills in what it knows of the
               ///< frame
  session::Record record;
};
struct AwaitDevices {  ///< until every device of the series is ready
  std::vector<std::string> devices;
};
struct AwaitPerson {  ///< hold: until a person says continue
  std::string reason;
};
struct Finish {
  std::string outcome;  ///< "complete", "dose", "stopped"
  std::string reason;
};
}  // namespace command

using Command =
    std::variant<command::Apply, command::Move, command::ReadGauges, command::Intend, command::Arm,
                 command::Open, command::Close, command::Start, command::Wait, command::Take,
                 command::Stream, command::Drain, command::StopDetector, command::Charge,
                 command::Keep, command::AwaitDevices, command::AwaitPerson, command::Finish>;
/// "open", "close", ...: for logs.
std::string_view command_name(const Command& command);

/// What became of it.
namespace outcome {
struct Done {};
struct Intended {
  IntentId id = 0;
};
struct Armed {
  Duration exposure;  ///< as the detector rounded it
  Duration readout;
};
struct Started {
  WorldTime at;
};
struct ShutterAt {
  bool measured = false;  ///< the device measured it; otherwise opened/closed are bounds
  WorldTime opened, closed;
};
struct Taken {
  std::uint32_t flags = 0;  ///< RecordFlag
  std::uint64_t lost_before = 0;
  double counts = 0;  ///< sum over all pixels; 0 where the series has no guard that looks at it
};
struct GaugesRead {
  std::vector<Reading> readings;  ///< of the gauges that answered
};
}  // namespace outcome
using Outcome = std::variant<outcome::Done, outcome::Intended, outcome::Armed, outcome::Started,
                             outcome::ShutterAt, outcome::Taken, outcome::GaugesRead, Error>;

/// Where a series starts or goes on.
struct EngineStart {
  std::uint64_t first_exposure = 0;
  std::uint64_t first_attempt = 0;
  std::map<std::string, Balance> balances;  ///< per Area::key(), all sessions, this one included
  std::map<std::string, Dose>
      series_dose;  ///< per Area::key(), upper value given by this series before
  /// The series ended in an earlier life of the daemon, which did not get to close its session:
  /// nothing is exposed any more. "" = it goes on.
  std::string ended_outcome, ended_reason;
  Duration session_age;         ///< since the session began, in earlier lives of the daemon
  std::vector<GuardPast> past;  ///< of the guards, in those lives
  double axis_offset_ev = 0;    ///< by which the energy axis had been moved
};

class Engine {
 public:
  /// `series` and `rig` must outlive the engine and fit each other (check_against_rig).
  Engine(const Series& series, const Rig& rig, std::vector<std::unique_ptr<Guard>> guards,
         EngineStart start);

  /// The first command. Once.
  Command begin(WorldTime now);
  /// Reports the outcome of the command handed out last and gets the next one.
  Command next(const Outcome& outcome, WorldTime now);

  /// Asks for a hold, or for the end, after the exposure that is running.
  void request_hold(std::string reason) { hold_requested_ = std::move(reason); }
  void request_stop(std::string reason) { stop_requested_ = std::move(reason); }
  /// What the frames stored so far say; guards see it from the next exposure on.
  void answer_now(const RunningAnswer& answer) { answer_ = answer; }
  void measured(const FrameMeasures& measures);
  /// Nanoseconds since 1970-01-01T00:00:00Z, for the guard that ends by the clock.
  void utc_now(std::int64_t utc_ns) { utc_ns_ = utc_ns; }
  /// How much the disk still takes.
  void room_now(const Room& room) { room_ = room; }
  /// A person entered dose of an area in the ledger, or corrected it: it counts, and is recorded,
  /// from the next exposure on. An area that the series does not have is ignored. `tail`: not a
  /// person, but the tail of the beam on an area beside it (daemon/grids).
  void dose_entered(const std::string& area, Dose dose, Dose sigma, const std::string& reason,
                    bool tail = false);
  /// The shutters were closed over the engine's head (close-all): the running exposure is broken,
  /// and the series then holds.
  void shutters_forced(const std::string& reason);
  /// A shutter's process ended or closed it by itself: a running exposure is broken, and the beam
  /// is let in anew before the next one.
  void shutter_lost(const std::string& shutter, const std::string& how);

  /// Events to record and show since the last call: JSON objects with at least {event, text}.
  std::vector<nlohmann::json> take_notes();
  [[nodiscard]] const Plan& plan() const { return plan_; }
  [[nodiscard]] std::uint64_t exposures_done() const { return index_; }
  [[nodiscard]] bool open() const { return maybe_open_; }
  /// The detector integrates, or its frame is still to come: its loss breaks the exposure.
  [[nodiscard]] bool awaits_frame() const { return started_ != WorldTime{} && !frame_taken_; }
  /// Something happened to the running exposure that its frames cannot be used after.
  [[nodiscard]] bool exposure_is_broken() const { return maybe_open_ && trouble_.has_value(); }
  /// For people: what it is doing, progress, dose.
  [[nodiscard]] nlohmann::json status() const;

 private:
  using Step = Command (Engine::*)(const Outcome&);

  Command ask(Command command, Step then);
  // Before the first exposure, and after every trouble: closed is established, not assumed.
  Command secure();
  Command on_secured(const Outcome& outcome);
  Command let_beam_in();
  Command on_beam_let_in(const Outcome& outcome);
  // Choosing and preparing the next exposure.
  Command choose();
  Command hold(const std::string& reason);
  Command on_person(const Outcome& outcome);
  Command prepare();
  Command on_prepared(const Outcome& outcome);
  Command prepared();
  Command on_gauges(const Outcome& outcome);
  Command guard();
  Command obey(const Guard& rule, const Verdict& verdict);
  void note_verdict(const std::string& guard, const Verdict& verdict);
  Command on_guard_waited(const Outcome& outcome);
  Command on_intended(const Outcome& outcome);
  Command arm();
  Command on_armed(const Outcome& outcome);
  Command intend();
  Command ready();
  // The exposure.
  Command on_cathode_blocked(const Outcome& outcome);
  Command expose();
  Command start_detector();
  Command on_started(const Outcome& outcome);
  Command open_shutter();
  Command on_opened(const Outcome& outcome);
  Command on_waited(const Outcome& outcome);
  Command on_drained(const Outcome& outcome);
  Command close_shutter();
  Command on_closed(const Outcome& outcome);
  Command on_fallback_closed(const Outcome& outcome);
  Command not_closed(const Error& error);
  Command on_more_intended(const Outcome& outcome);
  Command on_not_closed_waited(const Outcome& outcome);
  Command after_closed();
  Command take();
  Command on_taken(const Outcome& outcome);
  Command charge();
  Command on_charged(const Outcome& outcome);
  Command settle_more();
  Command on_more_charged(const Outcome& outcome);
  Command after_charged();
  Command on_cathode_opened(const Outcome& outcome);
  Command after_exposure();
  Command on_gauges_after(const Outcome& outcome);
  Command keep();
  Command on_kept(const Outcome& outcome);
  Command finished();
  // Trouble and the end.
  Command broken(const Error& error);
  Command on_detector_stopped(const Outcome& outcome);
  Command recover();
  Command await_devices();
  Command on_devices(const Outcome& outcome);
  Command wind_up(std::string outcome, std::string reason);
  void note_left_varied();
  Command on_residual_intended(const Outcome& outcome);
  Command on_residual_charged(const Outcome& outcome);
  Command shut_beam_off();
  Command on_beam_off(const Outcome& outcome);
  Command on_finished(const Outcome& outcome);

  void note(const std::string& event, const std::string& text,
            nlohmann::json more = nlohmann::json::object());
  void count_entered();
  void forget_exposure();
  void take_readings(const Outcome& outcome);
  [[nodiscard]] BeforeExposure before_exposure();
  /// A setting as it is wanted now: the one that moves the energy axis, by as much as it is moved.
  [[nodiscard]] Setting moved(Setting wanted) const;
  void lit(const Outcome& opened);
  [[nodiscard]] std::optional<Duration> lit_for(WorldTime at) const;
  [[nodiscard]] const Area* area() const;
  [[nodiscard]] bool streams() const { return exposure_.frames > 1; }
  /// From the beginning of the first integration to the end of the last.
  [[nodiscard]] Duration integration() const;
  /// The cathode shutter closed by itself since the beam was let in, or never opened.
  [[nodiscard]] bool beam_kept_out() const;
  /// Whether the gauges are read once more after the running exposure.
  [[nodiscard]] bool reads_after() const;
  [[nodiscard]] bool opens() const;  ///< whether the running exposure opens the dose shutter
  [[nodiscard]] Duration integrates_longer() const;
  [[nodiscard]] Duration longest_opening() const;
  [[nodiscard]] DoseRate open_rate() const;
  [[nodiscard]] Dose residual_due() const;
  [[nodiscard]] Dose bound() const;
  [[nodiscard]] Dose covered() const;
  /// What the opening gave, as it is charged.
  [[nodiscard]] Dose given() const;
  [[nodiscard]] IntentRequest intent_request(Dose bound, std::string cause) const;
  [[nodiscard]] session::Record record() const;
  [[nodiscard]] nlohmann::json dose_note(std::string_view cause) const;
  [[nodiscard]] std::vector<std::string> devices() const;

  const Series& series_;
  const RigDevice& shutter_;
  Plan plan_;
  std::vector<std::unique_ptr<Guard>> guards_;
  std::map<std::string, Balance> balances_;
  std::map<std::string, Dose> series_dose_;
  Step then_ = nullptr;
  WorldTime now_;

  std::uint64_t index_ = 0;
  std::uint64_t attempt_ = 0;
  std::uint32_t failures_ = 0;  ///< in a row
  PlannedExposure exposure_;
  std::vector<Setting> set_;  ///< what the devices were set to and still are
  std::optional<double> vary_prepared_;
  std::map<std::string, double> varied_;  ///< "DEVICE AXIS": where the series moved it last
  std::string place_, wanted_place_;      ///< where the beam falls: Area::key() or "vacuum"
  bool placed_by_stage_ = false;          ///< not by a person: a restarted stage is moved again
  std::vector<Command> preparations_;     ///< still to be done, the last one first
  std::vector<Reading> readings_;
  std::optional<WorldTime> readings_at_;
  std::string waiting_for_;  ///< name of the guard that made the series wait
  std::optional<RunningAnswer> answer_;
  std::optional<Room> room_;
  std::map<MeasureKind, Measure> newest_;  ///< for people
  std::int64_t utc_ns_ = 0;
  Duration age_before_;  ///< of the session, when this engine began
  WorldTime began_;
  double axis_offset_ev_ = 0;

  // The running exposure.
  IntentId intent_ = 0;
  Dose bound_;
  std::vector<std::pair<IntentId, Dose>> more_intents_;  ///< while a shutter does not close
  bool uncovered_ = false;  ///< the ledger did not take one of these: the dose went on all the same
  Duration exposure_armed_, readout_;
  WorldTime started_, open_asked_, opened_, closed_;
  bool maybe_open_ = false;  ///< an open was asked and closure is not established since
  bool shutter_measured_ = true;
  bool frame_taken_ = false;
  bool detector_stopped_ = false;  ///< in this exposure
  outcome::Taken taken_;
  std::string touched_;  ///< why the frame must stay out of sums
  Dose given_, given_sigma_;
  std::vector<nlohmann::json> entered_;  ///< by hand, not counted yet
  std::optional<Error> trouble_;

  // The beam as a whole.
  bool beam_in_ = false;                ///< the cathode laser is let in
  bool cathode_opened_ = false;         ///< ever: then it is closed at the end
  bool cathode_blocked_ = false;        ///< for a background exposure
  std::optional<WorldTime> lit_since_;  ///< the cathode, as far as this engine worked its shutter
  bool fallback_closed_ = false;        ///< the fall-back acted and must be opened again
  bool forced_ = false;
  WorldTime dose_counted_to_;  ///< the residual beam is charged up to here

  std::optional<std::string> hold_requested_, stop_requested_;
  std::string end_outcome_, end_reason_;
  std::string doing_ = "starting";
  std::vector<nlohmann::json> notes_;
};

}  // namespace creel
