// Starts creel-host processes and talks to them: the real Launcher.
//
// A host gets descriptor 3 (its end of a SOCK_SEQPACKET socketpair), 4 (the life line), /dev/null
// as input, and the daemon's stderr; nothing else of the daemon's. Its death is seen through a
// pidfd. Rings are memfds that cannot shrink or grow, so a host cannot make the daemon fault; what
// stands in them stays the host's to change.
#pragma once

#include <boost/asio/io_context.hpp>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "daemon/seams/launcher.h"
#include "protocol/base/result.h"
#include "protocol/clock/world_page.h"
#include "protocol/host/channel.h"

namespace creel::platform {

/// The memory that all hosts of a rig share: the world page, then `shared_bytes` for simulated
/// devices.
class RigMemory {
 public:
  /// Sealed against shrinking and growing; on a rig that is neither accelerated nor shares memory
  /// also against writing by anyone but this process. storage_failed when there is no memory.
  static Result<RigMemory> make(std::uint64_t shared_bytes, bool accelerated, std::uint64_t seed,
                                WorldRate rate);
  RigMemory(RigMemory&& other) noexcept;
  RigMemory& operator=(RigMemory&&) = delete;
  ~RigMemory();

  [[nodiscard]] int descriptor() const { return memory_.get(); }
  [[nodiscard]] WorldTimeline timeline() const { return WorldTimeline(page_); }

 private:
  RigMemory(host::Descriptor memory, WorldPage* page, std::uint64_t bytes)
      : memory_(std::move(memory)), page_(page), bytes_(bytes) {}
  host::Descriptor memory_;
  WorldPage* page_;
  std::uint64_t bytes_;
};

/// As RigMemory::make, by the name the daemon's main uses.
Result<RigMemory> make_rig_memory(std::uint64_t shared_bytes, bool accelerated, std::uint64_t seed,
                                  WorldRate rate = {});

class CallsRunning;

/// Control thread only; callbacks come from `loop` and never from inside launch(), send() or
/// give_ring(). A listener may destroy its HostProcess from within a callback.
///
/// A destroyed HostProcess lives on in the loop until its process has ended: it is given kGrace to
/// make its device safe, then SIGKILL. So let the loop run until running() is 0 before the daemon
/// ends; a loop that is destroyed earlier leaves the processes to end by the hang-up.
class PosixLauncher final : public Launcher {
 public:
  static constexpr std::int64_t kGraceMs = 1000;
  /// Messages taken from one host before every other handler of the loop has had its turn.
  static constexpr int kMessagesPerTurn = 32;

  /// `rig_memory`: RigMemory::descriptor(), `life_line`: LifeLine::descriptor(), or -1; not owned,
  /// must stay open. The loop must outlive this.
  PosixLauncher(std::string host_program, boost::asio::io_context& loop, int rig_memory = -1,
                int life_line = -1);
  ~PosixLauncher() override;

  /// device_lost when the process cannot be started.
  Result<std::unique_ptr<HostProcess>> launch(const std::string& name, std::string_view message,
                                              HostListener listener) override;
  /// Calls that hosts have not answered yet; those of over kHungMs ago count no more.
  [[nodiscard]] std::size_t calls_running() const;
  static constexpr std::int64_t kHungMs = 2000;

  /// Processes that have not ended yet, those of destroyed HostProcesses included.
  [[nodiscard]] std::size_t running() const { return *running_; }

 private:
  std::string host_program_;
  boost::asio::io_context& loop_;
  int rig_memory_;
  int life_line_;
  std::shared_ptr<std::size_t> running_;
  std::shared_ptr<CallsRunning> calls_;
};

}  // namespace creel::platform
