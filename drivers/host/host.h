// The process around one driver: who may call it when, and what happens when something stops
// answering.
//
// Three threads, none of which waits for the daemon to read:
//   safety   (the one that calls run) the control socket, signals, the open lease; answers "ping",
//   "renew"
//            and "make_safe" itself and calls the driver's make_safe directly, even while a call
//            hangs
//   control  the driver's calls, one at a time, in order
//   frames   read_frame, during an acquisition (frames.h)
// and a watchdog that ends the process when make_safe itself hangs.
//
// SAFETY: software shutter control is NOT a personnel-safety interlock. A class 4 laser needs
// hard-wired interlocks, eyewear and a laser safety officer (IEC 60825-1, ANSI Z136.1, local
// rules).
//
// What makes the device safe by itself: the daemon hangs up (it died or wants this), SIGTERM or
// SIGINT, the open lease ends, opening fails, the driver crashes in another thread. Only SIGKILL of
// this very process and a hang inside make_safe leave it to the rig's fall-back. There is no
// parent-death signal on purpose: it would kill before make_safe.
#pragma once

#include <atomic>
#include <condition_variable>
#include <cstdint>
#include <deque>
#include <memory>
#include <mutex>
#include <string>
#include <vector>

#include "drivers/host/device.h"
#include "drivers/host/outbox.h"
#include "drivers/host/sandbox.h"
#include "drivers/host/services.h"
#include "drivers/host/watchdog.h"
#include "protocol/host/channel.h"
#include "protocol/host/messages.h"

namespace creel::host {

class Host {
 public:
  /// Takes over `socket` and blocks SIGTERM and SIGINT in this thread. Call while the process has
  /// one thread.
  /// `life_line`: hangs up when the daemon is gone; may be none.
  Host(Descriptor socket, Descriptor life_line);
  /// Runs until the process ends; never returns. Exit codes: 0 ended on order with the device safe,
  /// 2 the first message was not "open", 3 the device could not be made safe in time.
  [[noreturn]] void run();

 private:
  struct Job {
    Call call;
    std::vector<Descriptor> descriptors;
    std::uint64_t order = 0;       // counts the calls as they arrived
    std::uint64_t safe_count = 0;  // make_safes before it arrived
    bool internal = false;         // nobody waits for an answer
    bool begun = false;            // the driver was called
  };
  struct Opening {  // the checked arguments of "open"
    std::string plugin;
    std::uint32_t kind = 0;
    std::string device;
    nlohmann::json config;
    Grants grants;
  };
  struct Busy {
    std::string call;  // "" = idle
    std::int64_t since_ns = 0;
    std::uint64_t safe_count = 0;
  };
  struct Lease {
    std::int64_t until_ns = 0;  // 0 = none
    std::uint64_t order = 0;    // of the open_shutter that it belongs to
  };

  // Start.
  Job first_call();
  static Result<Opening> check_open(const nlohmann::json& arguments);
  void start(Job open);

  // Safety thread.
  void wait_and_serve();
  void receive();
  void accept(Received message);
  void enqueue(Call call, std::vector<Descriptor> descriptors);
  void answer_ping(std::uint64_t id);
  void answer_renew(const Call& call);
  void answer_make_safe(std::uint64_t id);
  void lease_timer_fired();
  void woken();
  Result<void> make_safe();
  Result<void> call_make_safe();
  void safe_by_itself(const std::string& why);
  void announce_safe(const std::string& why);
  bool overtaken() const;
  [[noreturn]] void end(const std::string& why);
  [[noreturn]] void give_up(const Error& error);
  [[noreturn]] void crashed(int signal);
  [[noreturn]] void leave(int exit_code);

  // Control thread.
  void control();
  bool next_job(Job& job);
  Result<nlohmann::json> perform(Job& job);
  Result<nlohmann::json> open_device();
  void finished(const Job& job, Result<nlohmann::json> result);
  void ask_safety(const std::string& why);

  void set_lease(const Lease& lease);  // with mutex_ held

  Descriptor socket_, life_line_;
  Descriptor wake_;
  Descriptor signals_;
  Descriptor lease_timer_;
  Outbox outbox_;
  Opening opening_;
  std::unique_ptr<Services> services_;
  std::unique_ptr<Watchdog> watchdog_;
  std::unique_ptr<Device> device_owner_;
  std::atomic<Device*> device_{nullptr};

  mutable std::mutex mutex_;  // guards all below
  std::condition_variable changed_;
  std::deque<Job> jobs_;
  Busy busy_;
  Lease lease_;
  std::uint64_t arrived_ = 0;
  std::uint64_t safe_count_ = 0;
  bool ending_ = false;
  std::string wanted_safe_;  // the control thread's reason, "" = none
  std::string lost_;         // likewise: why the driver is of no use any more
};

}  // namespace creel::host
