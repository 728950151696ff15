// Live set-up outside any series: a person aligns and watches numbers while short exposures go on.
// The exposures are run by the same engine and conductor as a series', on a series that is made up
// for it (set_up_series.h), so intents, charges, leases and limits are the same code. No frame is
// kept; of the numbers only the last minutes, and a summary.
//
// It begins only when a person asks, with the area named. It ends, shutters closed, when its time
// or its dose is over, when anybody says stop, when whoever asked for it goes away, when a device
// fails, and at close-all. It never holds, and after a crash it is not taken up again: the bound of
// the intent that was open is charged, as for a series.
//
// Its log (directory/events.log, lines as in a session's) has one entry "set_up_began" and one
// "set_up_ended" with the summary for each; one that a crash cut short gets its end at the next
// start.
//
// SAFETY: shutters moved from here are not a personnel-safety interlock; see
// protocol/driver/creel_driver.h.
#pragma once

#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "daemon/ledger/ledger.h"
#include "daemon/seams/clock.h"
#include "daemon/seams/disk.h"
#include "daemon/seams/scheduler.h"
#include "daemon/series/conductor.h"
#include "daemon/setup/live_view.h"
#include "daemon/setup/set_up_series.h"
#include "daemon/store/event_file.h"
#include "daemon/supervisor/supervisor.h"
#include "protocol/series/rig.h"

namespace creel {

/// Control thread only.
class SetUp {
 public:
  struct Parts {
    Scheduler& scheduler;
    const Clock& clock;
    Supervisor& supervisor;
    Ledger& ledger;
    Conductor& conductor;
    Disk& disk;
  };
  using Reply = Conductor::Reply;
  /// Whether whoever asked is still there.
  using Watched = std::function<bool()>;

  /// Opens its log in `directory`, which is made if need be. `tell` gets status() while it runs,
  /// some times a second, and once after its end. `rig` must outlive it.
  static Result<std::unique_ptr<SetUp>> make(const Parts& parts, const Rig& rig,
                                             const std::string& directory,
                                             std::function<void(const nlohmann::json&)> tell);
  ~SetUp();

  /// Replies once the first exposure is due, or with why not; nothing was opened then. refused:
  /// something else runs, a device is not ready, or the area is at its limit.
  void start(const Series& series, const SetUpOrder& order, Watched watched, Reply done);
  /// After the exposure that is running. refused when none runs.
  Result<void> stop(const std::string& why);
  /// To be told every event of the conductor.
  void event(const nlohmann::json& event);
  [[nodiscard]] bool running() const { return !name_.empty(); }
  /// {running, name, area, doing, left_s, dose, live (LiveView), gauges, rate_unit, notes, last};
  /// see openrpc.json.
  [[nodiscard]] nlohmann::json status() const;

 private:
  SetUp(const Parts& parts, const Rig& rig, std::string directory,
        std::function<void(const nlohmann::json&)> tell);
  Result<void> read_log();
  Result<void> check_room(const Series& series);
  LiveFrames::Setup live_setup(const Series& series);
  void keep_ready_gauges(Series& series);
  void take_readings(const nlohmann::json& readings);
  Conductor::MakeSession unkept(const LiveFrames::Setup& setup);
  void began(const nlohmann::json& started, const Reply& done);
  void seen(const std::vector<LiveFrame>& frames, const std::string& trouble);
  void end_soon(const std::string& why, bool failed);
  void ended(const nlohmann::json& event);
  void close_books(nlohmann::json summary);
  void tell_now();
  [[nodiscard]] nlohmann::json dose() const;

  Parts parts_;
  const Rig& rig_;
  std::string directory_;
  std::function<void(const nlohmann::json&)> tell_;
  std::unique_ptr<store::EventFile> log_;
  std::string name_;  ///< of the one that runs; "" = none
  std::string area_;  ///< key in the ledger
  std::vector<std::string> devices_;
  std::vector<std::string> notes_;  ///< what cannot be told and why, for people
  nlohmann::json gauges_;           ///< what they read last
  std::string rate_unit_;
  Duration limit_;
  WorldTime began_;
  std::int64_t began_utc_ns_ = 0;
  Watched watched_;
  LiveView view_;
  bool failed_ = false;  ///< a device did
  std::string ending_;   ///< why it is about to end; "" = it is not
  SafetyTime told_;
  nlohmann::json last_;  ///< summary of the last one
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);
};

}  // namespace creel
