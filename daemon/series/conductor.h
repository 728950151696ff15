// The conductor carries out what the engine asks: it talks to the devices, the ledger and the
// store, and brings the outcomes back. One series at a time. Control thread only.
//
// SAFETY: shutters moved from here are not a personnel-safety interlock; see
// protocol/driver/creel_driver.h.
#pragma once

#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/ledger/ledger.h"
#include "daemon/seams/clock.h"
#include "daemon/seams/disk.h"
#include "daemon/seams/scheduler.h"
#include "daemon/series/engine.h"
#include "daemon/series/frame_queue.h"
#include "daemon/series/unfinished.h"
#include "daemon/store/session.h"
#include "daemon/supervisor/supervisor.h"
#include "protocol/series/rig.h"
#include "protocol/series/series.h"

namespace creel {

class Conductor {
 public:
  struct Parts {
    Scheduler& scheduler;
    const Clock& clock;
    Supervisor& supervisor;
    Ledger& ledger;
    Disk& disk;
    Worker& store_worker;
    store::Background background = {};  ///< threads that a session uses beside the store's
  };
  struct Options {
    std::string sessions;     ///< directory of the sessions
    nlohmann::json software;  ///< what wrote the sessions (store::SessionStart::software)
    session::Codec codec = session::Codec::deflate;  ///< how new sessions are packed
    Duration devices_limit =
        seconds(600);                    ///< AwaitDevices gives up and holds after this (real time)
    Duration frame_slack = seconds(10);  ///< a frame may be this late (real time)
    std::size_t most_unstored =
        8;  ///< blocks in memory before the next exposure waits for the disk
    std::size_t most_unstored_bytes =
        32U << 20U;  ///< while frames stream, before they are left in the detector's ring
  };
  using Reply = std::function<void(Result<nlohmann::json>)>;
  /// Makes a session that is not kept; on the store's thread.
  using MakeSession =
      std::function<Result<std::unique_ptr<store::Session>>(const store::SessionStart&)>;

  Conductor(Parts parts, const Rig& rig, Options options);
  ~Conductor();

  /// Every event of the running series, as it is recorded.
  void listen(std::function<void(const nlohmann::json&)> listener) {
    listener_ = std::move(listener);
  }

  /// At the daemon's start: closes every shutter (and keeps trying until all are shown closed),
  /// charges what an earlier daemon left open, and takes up the unfinished session that began last,
  /// if there is one: goes on with it, or, if its series had ended, only closes it. The others are
  /// in status().unfinished, with what to do. Nothing can be started before. Replies {resumed: name
  /// or null}.
  void take_up(Reply done);
  /// Starts a series; replies once its session is on disk and the first exposure is due, or with
  /// why not. With `unkept` it is a set-up (daemon/setup): frames and events go to what that makes,
  /// nothing is taken up after a crash, all of its dose is charged to the cause "set_up", and what
  /// would hold a series ends it, because whoever asked for it is there.
  void start(Series series, Reply done, MakeSession unkept = {});
  Result<void> hold(const std::string& reason);
  Result<void> go_on();
  Result<void> stop(const std::string& reason);
  /// A dose or correction was entered in the ledger: the running series counts it, too. `tail`: see
  /// Engine::dose_entered.
  void dose_entered(const std::string& area, Dose dose, Dose sigma, const std::string& reason,
                    bool tail = false);
  /// Records an event of the daemon's own (an alert) in the running session, if there is one.
  void record(nlohmann::json event);
  /// close-all was ordered: the running exposure is broken, the series then holds.
  void shutters_forced(const std::string& reason);
  /// Nothing is under way: no series, or one that holds with everything stored.
  [[nodiscard]] bool quiet() const;
  [[nodiscard]] bool running() const { return run_ != nullptr || preparing_; }
  [[nodiscard]] nlohmann::json status() const;

  /// To be wired to the supervisor's listener.
  void frames_arrived(const std::string& device);
  void device_changed(const std::string& device);
  void device_event(const std::string& device, const std::string& name, const nlohmann::json& body);

 private:
  struct Run;
  struct Preparation;
  struct Opened;
  /// What was charged because a daemon ended before it could.
  struct AfterCrash {
    Dose dose, sigma;
  };

  // Preparing.
  void read_settings(const std::shared_ptr<Preparation>& preparation, std::size_t next);
  void learn_shape(const std::shared_ptr<Preparation>& preparation);
  void lay_out(const std::shared_ptr<Preparation>& preparation, const nlohmann::json& armed);
  void open_session(const std::shared_ptr<Preparation>& preparation,
                    const store::SessionStart& start);
  void begin(const std::shared_ptr<Preparation>& preparation, Opened opened);
  void give_up(const std::shared_ptr<Preparation>& preparation, const Error& error);
  Result<void> settle_open_intents();
  Result<void> mend_ledger();
  Result<void> settle_unused_intents();
  void resume(Reply done);
  void resume(const Result<Unfinished>& found, const Reply& done);
  [[nodiscard]] Result<EngineStart> engine_start(const Series& series,
                                                 const store::Progress& progress);

  // Carrying out.
  void perform(Command command);
  void complete(Outcome outcome);
  void look_at_disk();
  void run(const command::Apply& step);
  void run(const command::Move& step);
  void run(const command::ReadGauges& step);
  void run(const command::Intend& step);
  void run(const command::Arm& step);
  void run(const command::Open& step);
  void run(const command::Close& step);
  void run(const command::Start& step);
  void run(const command::Wait& step);
  void run(const command::Take& step);
  void run(const command::Stream& step);
  void run(const command::Drain& step);
  bool disk_is_late();
  void take_streamed();
  void frames_ended(const nlohmann::json& error);
  void acquisition_failed(const std::string& why);
  void shutter_lost(const std::string& name, const std::string& how);
  void end_wait();
  bool ended_early();
  void stop_expecting();
  outcome::Taken receive(const ring::Block& block);
  [[nodiscard]] std::int64_t utc_of(std::int64_t world_ns) const;
  void drained();
  bool left_in_ring();
  void discard_frames();
  void expect_by(WorldTime due);
  void run(const command::StopDetector& step);
  void run(const command::Charge& step);
  void run(const command::Keep& step);
  void run(const command::AwaitDevices& step);
  void run(const command::AwaitPerson& step);
  void run(const command::Finish& step);
  void armed(const nlohmann::json& answer);
  void note_shutter_time(const std::string& shutter, bool opening, WorldTime ordered,
                         const Result<nlohmann::json>& answer);
  void shutter_answered(const std::string& shutter, bool opening,
                        const Result<nlohmann::json>& answer);
  void frame_here();
  void stored(const StoredBatch& batch);
  void store_again_later();
  void fold();
  void record_event(nlohmann::json event);
  void publish_notes();
  [[nodiscard]] nlohmann::json left_sessions() const;
  [[nodiscard]] DeviceHost& device(const std::string& name);

  Parts parts_;
  const Rig& rig_;
  Options options_;
  std::function<void(const nlohmann::json&)> listener_;
  std::unique_ptr<Run> run_;
  bool preparing_ = false;
  /// By session and area: charged at take_up().
  std::map<std::string, std::map<std::string, AfterCrash>> after_crash_;
  std::vector<command::Charge> unbooked_;  ///< that the ledger did not take; until it is mended
  std::string not_closed_;         ///< shutters that take_up could not show to be closed yet
  nlohmann::json last_ = nullptr;  ///< how the last series ended
  std::vector<LeftSession> left_;  ///< unfinished sessions that were not taken up
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);
};

}  // namespace creel
