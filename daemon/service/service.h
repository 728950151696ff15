// What creeld does when it is asked: the methods of the JSON-RPC interface
// (protocol/rpc/openrpc.json) over the conductor, the supervisor and the ledger. It owns those
// three and wires them together; everything that touches the real world comes in from outside.
// Control thread only.
//
// SAFETY: closing shutters from here is not a personnel-safety interlock; see
// protocol/driver/creel_driver.h.
#pragma once

#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "daemon/alerts/watch.h"
#include "daemon/grids/grid_map.h"
#include "daemon/grids/neighbours.h"
#include "daemon/ledger/ledger.h"
#include "daemon/rpc/dispatcher.h"
#include "daemon/seams/clock.h"
#include "daemon/seams/disk.h"
#include "daemon/seams/launcher.h"
#include "daemon/seams/random.h"
#include "daemon/seams/scheduler.h"
#include "daemon/series/conductor.h"
#include "daemon/setup/set_up.h"
#include "daemon/supervisor/supervisor.h"
#include "protocol/series/rig.h"

namespace creel {

/// Said wherever a person meets a shutter.
extern const char* const kShutterCaution;

class Service {
 public:
  struct Parts {
    Scheduler& scheduler;
    const Clock& clock;
    Random& random;
    Launcher& launcher;
    Disk& disk;
    Worker& store_worker;
    rpc::Dispatcher& dispatcher;
    store::Background background = {};  ///< threads that a session uses beside the store's
    AlertWatch* alerts = nullptr;       ///< told of everything; null = nobody is alerted
  };
  struct Options {
    std::string state;                            ///< directory; holds sessions/ and ledger.db
    std::string plugins;                          ///< directory of the drivers
    std::string rig_file;                         ///< for people
    std::string socket;                           ///< for people
    nlohmann::json software;                      ///< what wrote the sessions
    session::Codec codec;                         ///< how new sessions are packed
    std::function<void(const std::string&)> log;  ///< one line for the daemon's log
    std::function<void()> shutdown_asked;         ///< daemon.shutdown was called
  };

  /// Opens the ledger and serves every method. refused or corrupt when the ledger cannot be had.
  static Result<std::unique_ptr<Service>> make(const Parts& parts, Rig rig, Options options);
  ~Service();

  /// Starts the devices and takes up what an earlier daemon left. `ready` once nothing is left to
  /// take up.
  void start(std::function<void(const Result<nlohmann::json>&)> ready);
  /// Closes every shutter, then stops the devices; the running session stays as it is, to be taken
  /// up at the next start. `why` for people.
  void shut_down(const std::string& why, std::function<void()> done);

 private:
  Service(const Parts& parts, Rig rig, Options options, std::unique_ptr<Ledger> ledger);
  void wire();
  void tell_state();
  void serve();
  void serve_set_up();
  Result<void> make_set_up();
  void serve_grids();
  Result<void> make_grid_map();
  void settle_neighbours();
  void add_map_warnings(const Series& series, const std::map<std::string, Dose>& planned,
                        std::vector<std::string>& warnings) const;
  [[nodiscard]] nlohmann::json status() const;
  Result<nlohmann::json> check(const std::string& text, const std::string& origin);
  Result<nlohmann::json> check(const Series& series);
  void start_series(const std::string& text, const std::string& origin, const rpc::Reply& reply);
  Result<nlohmann::json> sessions();
  Result<nlohmann::json> balances(const std::string& area);
  Result<nlohmann::json> entries(const nlohmann::json& asked);
  void close_all(const rpc::Reply& reply);
  void stop_when_quiet(SafetyTime latest, const std::function<void()>& done);

  Parts parts_;
  Rig rig_;
  Options options_;
  std::unique_ptr<Ledger> ledger_;
  std::unique_ptr<Supervisor> supervisor_;
  std::unique_ptr<Conductor> conductor_;
  std::unique_ptr<SetUp> set_up_;
  std::unique_ptr<GridMap> grid_map_;
  std::unique_ptr<Neighbours> neighbours_;
  SafetyTime started_;
  bool telling_ = false;  ///< a tell_state() is on its way
};

}  // namespace creel
