// A real creel-host process, started by the real launcher, with calls that wait for their answer.
#pragma once

#include <boost/asio/io_context.hpp>
#include <chrono>
#include <functional>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "daemon/platform/launcher.h"
#include "protocol/base/result.h"
#include "tests/drivers/host/plugins/record.h"

namespace creel::tests {

/// Path of a test plugin or program, as built.
std::string plugin(const std::string& name);
std::string creel_host();
std::string rogue_host();
std::string stand_in_daemon();

/// A record.h that outlives the host that writes it; the file goes with this.
class Notes {
 public:
  Notes();
  ~Notes();
  Notes(const Notes&) = delete;
  Notes& operator=(const Notes&) = delete;
  [[nodiscard]] const std::string& path() const { return path_; }
  record* operator->() const { return record_; }

 private:
  std::string path_;
  record* record_ = nullptr;
};

/// An upper bound against hanging, never a measured limit.
constexpr std::chrono::seconds kHangGuard{30};
/// True when `done` became so within kHangGuard.
bool eventually(const std::function<bool()>& done);

class HostUnderTest {
 public:
  struct Options {
    std::string program = creel_host();
    int rig_memory = -1;
  };
  HostUnderTest();
  explicit HostUnderTest(const Options& options);
  ~HostUnderTest();
  HostUnderTest(const HostUnderTest&) = delete;
  HostUnderTest& operator=(const HostUnderTest&) = delete;

  /// Launches the host with its "open" call and waits for the answer.
  Result<nlohmann::json> open(const std::string& plugin_path, const std::string& kind,
                              nlohmann::json config = nlohmann::json::object(),
                              nlohmann::json sandbox = nlohmann::json::object());
  /// Sends a call; collect its answer with answer().
  std::uint64_t ask(const std::string& name, nlohmann::json arguments = nlohmann::json::object());
  Result<nlohmann::json> answer(std::uint64_t id);
  Result<nlohmann::json> call(const std::string& name,
                              nlohmann::json arguments = nlohmann::json::object()) {
    return answer(ask(name, std::move(arguments)));
  }
  Result<nlohmann::json> give_ring(ring::Geometry geometry);

  /// Runs the loop until `done`; false after kHangGuard.
  bool run_until(const std::function<bool()>& done);
  /// Waits for an event of this name and takes it; null when none comes.
  nlohmann::json event(const std::string& name);
  /// Hangs up and waits until the process is gone.
  void hang_up();

  [[nodiscard]] const std::string& gone() const { return gone_; }  ///< "" while it runs
  [[nodiscard]] HostProcess& process() { return *process_; }
  [[nodiscard]] ring::Consumer& ring() { return *ring_; }
  std::function<void()> idle;  ///< called again and again while something is waited for
  std::vector<nlohmann::json> events;
  int frames_notices = 0;
  std::uint64_t messages = 0;
  boost::asio::io_context loop;
  platform::PosixLauncher launcher;

 private:
  void on_message(std::string_view message);
  std::unique_ptr<HostProcess> process_;
  ring::Consumer* ring_ = nullptr;
  std::map<std::uint64_t, Result<nlohmann::json>> answers_;
  std::uint64_t next_id_ = 1;
  std::string gone_;
};

}  // namespace creel::tests
