// A real creeld with its real hosts on the simulated rig, started, asked, killed and watched by a
// test.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "protocol/clock/world_page.h"
#include "protocol/rpc/client.h"

namespace creel::system_test {

/// A directory of this test's own, removed at the end.
class ScratchDirectory {
 public:
  ScratchDirectory();
  ~ScratchDirectory();
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

/// What the simulated beam shutter did, read from the memory that the rig's hosts share; it
/// outlives the daemon.
class ShutterLog {
 public:
  explicit ShutterLog(pid_t daemon);
  ~ShutterLog();
  ShutterLog(const ShutterLog&) = delete;
  ShutterLog& operator=(const ShutterLog&) = delete;

  struct Change {
    std::int64_t monotonic_ns = 0;  ///< CLOCK_MONOTONIC at which it took effect (real-time rigs)
    bool open = false;
  };
  /// Movements of the shutter above the specimen, in order.
  [[nodiscard]] std::vector<Change> beam() const;
  [[nodiscard]] bool open() const;
  /// World time on a simulated rig's clock.
  [[nodiscard]] double world_s() const;

 private:
  std::byte* memory_ = nullptr;
  std::size_t bytes_ = 0;
};

class DaemonProcess {
 public:
  /// Starts creeld on `rig` (a file name in sim/scenarios, or an absolute path) with its state
  /// below `directory`, and waits for its "ready" line. Fails the test's process when it does not
  /// come within 30 s. `more` are further words of its command line.
  DaemonProcess(const std::filesystem::path& directory, const std::string& rig,
                const std::vector<std::string>& more = {});
  ~DaemonProcess();  ///< kills what is left
  DaemonProcess(const DaemonProcess&) = delete;
  DaemonProcess& operator=(const DaemonProcess&) = delete;

  [[nodiscard]] pid_t pid() const { return pid_; }
  [[nodiscard]] const std::string& socket() const { return socket_; }
  nlohmann::json call(const std::string& method,
                      const nlohmann::json& params = nlohmann::json::object());
  /// Starts a series; on a rig whose devices are still coming up, which takes long on a busy
  /// machine, tries again for half a minute. The answer, or {error}.
  nlohmann::json start_series(const std::string& text);
  /// The next event, after "events.follow" was called; nothing when none comes within `limit`. What
  /// the daemon said before it was killed can still be read.
  std::optional<nlohmann::json> event(Duration limit);
  /// Host processes of this daemon.
  [[nodiscard]] std::vector<pid_t> hosts() const;
  void signal(int number) const;
  /// SIGKILL, and waits for it.
  void kill();
  /// Waits for the process to end by itself; its exit code, or nothing after `limit`.
  std::optional<int> wait(Duration limit);

 private:
  std::string socket_;
  pid_t pid_ = -1;
  int output_ = -1;
  std::optional<rpc::Client> client_;
};

/// Runs one of our programs to its end.
struct Ran {
  int exit = -1;
  std::string said;  ///< standard output and error
};
Ran run_program(const std::string& name, const std::vector<std::string>& words);

std::string read_scenario(const std::string& name);
std::int64_t monotonic_ns();
void pause_for(Duration time);
/// Whether `condition`, asked again and again, holds before `limit` is over.
bool until(Duration limit, const std::function<bool()>& condition);
/// Whether the process is gone (or a zombie) within `limit`.
bool gone_within(pid_t pid, Duration limit);

}  // namespace creel::system_test
