// How the supervisor gets device hosts. Real in daemon/platform (fork, exec, SEQPACKET, memfd,
// pidfd); in tests/fakes the hosts are objects that speak the same messages on a fake clock.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <string_view>

#include "protocol/base/result.h"
#include "protocol/ring/ring.h"

namespace creel {

/// One running host. Destroying it closes the control socket: the host then makes its device safe
/// and ends. Control thread only.
class HostProcess {
 public:
  virtual ~HostProcess() = default;
  /// Sends one message (protocol/host/messages.h). device_lost when the host is gone or does not
  /// take it.
  virtual Result<void> send(std::string_view message) = 0;
  /// Makes a ring, sends the "ring" call with `call_id`, and returns the daemon's end. It replaces
  /// and invalidates the one before.
  virtual Result<ring::Consumer*> give_ring(std::uint64_t call_id, ring::Geometry geometry) = 0;
  /// Tells the host that slots were released.
  virtual void ring_freed() = 0;
  /// SIGKILL: no make_safe. Only for a host that did not end by itself.
  virtual void kill() = 0;
};

/// Told about one host, on the control thread.
struct HostListener {
  std::function<void(std::string_view message)> on_message;
  std::function<void()> on_frames;  ///< the ring has something to take
  std::function<void(const std::string& how)>
      on_gone;  ///< ended or hung up; once, nothing after it
};

class Launcher {
 public:
  virtual ~Launcher() = default;
  /// Starts a host for the device `name`; `message` is its "open" call, sent with the rig's shared
  /// memory.
  virtual Result<std::unique_ptr<HostProcess>> launch(const std::string& name,
                                                      std::string_view message,
                                                      HostListener listener) = 0;
};

}  // namespace creel
