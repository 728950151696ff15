// The page of shared memory through which all processes of one rig agree on world time.
//
// Two modes. "real": world time is CLOCK_MONOTONIC minus an origin; nobody writes the page.
// "accelerated" (simulated rigs only): world time is a number in the page that moves only when
// every party waits. A party that waits writes its wake-up time into a slot; the daemon, when it
// has nothing else to do, moves time to the earliest of them. So a night of exposures runs as fast
// as its frames can be computed, and in the same order on every machine. Physics may use this
// clock; safety (leases, heartbeats, make_safe) never does.
//
// Trust: in accelerated mode every host of the simulated rig can write this page. It carries no
// length and no pointer; the worst a broken host can do is to make simulated time wrong.
#pragma once

#include <atomic>
#include <cstdint>

#include "protocol/base/result.h"
#include "protocol/base/units.h"

namespace creel {

/// Layout of the page; 4096 bytes at the start of the rig's shared memory, which begins with zeros.
struct WorldPage {
  static constexpr std::uint32_t kMagic = 0x57524C31;  // "1LRW"
  static constexpr std::uint32_t kReal = 1;
  static constexpr std::uint32_t kAccelerated = 2;
  static constexpr int kSlots = 64;
  static constexpr std::int64_t kFree =
      0;  ///< no one waits in this slot (world time 0 is never waited for)

  std::uint32_t magic;
  std::uint32_t mode;
  std::int64_t origin_monotonic_ns;  ///< real mode: CLOCK_MONOTONIC at world time zero
  std::uint64_t seed;                ///< what everything random on a simulated rig follows from
  std::atomic<std::int64_t> now_ns;  ///< accelerated mode: world time
  std::atomic<std::uint32_t> tick;   ///< futex word: changes whenever now_ns does
  std::uint32_t reserved;
  std::atomic<std::int64_t> wake_ns[kSlots];  ///< who waits until when
};
static_assert(sizeof(WorldPage) <= 4096);
static_assert(std::atomic<std::int64_t>::is_always_lock_free);

constexpr std::uint64_t kWorldPageBytes = 4096;

/// A view of a mapped WorldPage. Does not own the memory. All calls: any thread, any process.
class WorldTimeline {
 public:
  explicit WorldTimeline(WorldPage* page) : page_(page) {}

  /// Prepares a zeroed page. Once, by the daemon, before any other process sees it.
  static void prepare(WorldPage* page, bool accelerated, std::uint64_t seed);

  [[nodiscard]] bool accelerated() const;
  [[nodiscard]] std::uint64_t seed() const;
  [[nodiscard]] WorldTime now() const;

  /// Waits until `when` or until `cancelled()` says true (asked at least every 5 ms of real time).
  /// Returns false when cancelled. In accelerated mode this only registers and waits: it never
  /// moves time. `cancelled` may be empty.
  template <class Cancelled>
  bool wait_until(WorldTime when, Cancelled&& cancelled) const {
    const int slot = enter(when);
    bool waited = true;
    while (now() < when) {
      if (cancelled()) {
        waited = false;
        break;
      }
      nap(when);
    }
    leave(slot);
    return waited;
  }

  /// Accelerated mode, the daemon only: the earliest time that anyone waits for; nothing if no one
  /// does.
  [[nodiscard]] bool earliest_wake(WorldTime* when) const;
  /// Accelerated mode, the daemon only: frees the slots that still wait for `when`: their host died
  /// waiting.
  void forget_wake(WorldTime when) const;
  /// Accelerated mode, the daemon only: moves time forward to `when` (never back) and wakes the
  /// waiters.
  void advance_to(WorldTime when) const;

 private:
  [[nodiscard]] int enter(WorldTime when) const;
  void leave(int slot) const;
  void nap(WorldTime when) const;  // until time moves, at most 5 ms of real time
  WorldPage* page_;
};

}  // namespace creel
