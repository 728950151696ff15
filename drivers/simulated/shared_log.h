// The one thing that the hosts of a simulated rig share: an append-only log of what shutters and
// stages did. With the seed and the time it determines everything (sim/world.h).
//
// Memory: creel_services.shared_memory, zero at first. 64 bytes of head, then one 64-bit word for
// each event: time in microseconds (43 bits: 101 days), channel (4 bits), value + 65536 (17 bits);
// zero = not yet written. Appending is one compare-and-swap on the first free word, so a process
// that is killed in the middle leaves nothing half written, and no one ever waits for another.
//
// When it is full: room for kReserve events is kept for shutters that close, so closing is always
// recorded; an opening or a movement is refused. At 8 bytes an event, 32 MiB last for two million
// openings; memory that was never written to costs nothing.
#pragma once

#include <atomic>
#include <cstdint>
#include <span>
#include <vector>

#include "drivers/kit/kit.h"
#include "sim/event.h"

namespace creel::simulated {

class SharedLog {
 public:
  /// Joins the rig's log; a rig that shares no memory gets one of this device's own. Throws Failure
  /// when the shared memory is too small, or when another device of this rig was configured with
  /// another world
  /// (`world_fingerprint`): then the devices would contradict one another.
  SharedLog(const kit::Services& services, std::uint64_t world_fingerprint);

  /// [any thread] Records an event; its time is rounded up to a whole microsecond, see
  /// whole_microsecond(). false: no room (only an event that closes nothing can meet this).
  bool append(const sim::Event& event);
  /// Events from number `from` on, in the order of their recording.
  [[nodiscard]] std::vector<sim::Event> read(std::size_t from) const;
  /// The channel's last value; `otherwise` when it has none.
  [[nodiscard]] std::int32_t last(sim::Channel channel, std::int32_t otherwise) const;

  static std::int64_t whole_microsecond(std::int64_t ns) { return (ns + 999) / 1000 * 1000; }
  static constexpr std::size_t kReserve = 64;

 private:
  struct Head {
    std::atomic<std::uint64_t> fingerprint;
    std::atomic<std::uint64_t>
        used;  // at least so many words are written: where to look for the end
    std::uint64_t unused[6];
  };
  static_assert(sizeof(Head) == 64 && std::atomic<std::uint64_t>::is_always_lock_free);

  std::vector<std::uint64_t> own_;
  Head* head_ = nullptr;
  std::span<std::atomic<std::uint64_t>> words_;
};

}  // namespace creel::simulated
