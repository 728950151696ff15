// The page of shared memory through which all processes of one rig agree on world time.
//
// Two modes. "real": world time follows CLOCK_MONOTONIC, at its own pace or, on a rig without real
// devices, a fixed number of times faster (a replay that is watched); nobody writes the page.
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
#include <cstddef>
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
  std::int64_t
      origin_monotonic_ns;  ///< real mode: CLOCK_MONOTONIC at world time kStart, less kStart
  std::uint64_t seed;       ///< what everything random on a simulated rig follows from
  std::atomic<std::int64_t> now_ns;  ///< accelerated mode: world time
  std::atomic<std::uint32_t> tick;   ///< futex word: changes whenever now_ns does
  std::uint32_t reserved;
  std::atomic<std::int64_t> wake_ns[kSlots];  ///< who waits until when
  /// Real mode: world nanoseconds in a million real ones; 0 in pages of before this field: as 10^6.
  std::uint64_t rate_millionths;
  /// 1 where the waiter of that slot is inside a call of the daemon's, which waits for its answer.
  std::atomic<std::uint32_t> in_call[kSlots];
};
static_assert(sizeof(WorldPage) <= 4096);
static_assert(std::atomic<std::int64_t>::is_always_lock_free);

constexpr std::uint64_t kWorldPageBytes = 4096;

/// How fast world time runs against real time, exactly: `millionths` / 10^6.
struct WorldRate {
  static constexpr std::uint64_t kOne = 1'000'000;
  static constexpr std::uint64_t kMost = 1000 * kOne;
  std::uint64_t millionths = kOne;  ///< 1 to kMost

  /// The nearest rate to `times`; within 1 to kMost millionths.
  static WorldRate of(double times);
  /// floor(real * rate): never early, and without drift however long it runs.
  [[nodiscard]] Duration world(Duration real) const;
  /// The least real time in which at least `world` passes; at most kLongest.
  [[nodiscard]] Duration real(Duration world) const;
  static constexpr Duration kLongest{INT64_MAX / 4};  ///< 73 years
};

/// A view of a mapped WorldPage. Does not own the memory. All calls: any thread, any process.
class WorldTimeline {
 public:
  explicit WorldTimeline(WorldPage* page) : page_(page) {}

  /// World time when the page is prepared: not zero, so that zero can mean "never".
  static constexpr WorldTime kStart{1'000'000'000};

  /// Prepares a zeroed page. Once, by the daemon, before any other process sees it. `rate` means
  /// nothing in accelerated mode.
  static void prepare(WorldPage* page, bool accelerated, std::uint64_t seed, WorldRate rate = {});

  [[nodiscard]] bool accelerated() const;
  [[nodiscard]] std::uint64_t seed() const;
  [[nodiscard]] WorldTime now() const;
  [[nodiscard]] WorldRate rate() const;  ///< 1 in accelerated mode

  /// Waits until `when` or until `cancelled()` says true (asked at least every 5 ms of real time).
  /// Returns false when cancelled. In accelerated mode this only registers and waits: it never
  /// moves time. `in_call`: the daemon waits for the caller (see calls_waiting).
  template <class Cancelled>
  bool wait_until(WorldTime when, Cancelled&& cancelled, bool in_call = false) const {
    const int slot = enter(when, in_call);
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
  /// Accelerated mode, the daemon only: how many of its calls wait for world time. A call that was
  /// made and does not wait is being worked on: time must not pass it by.
  [[nodiscard]] std::size_t calls_waiting() const;
  /// Accelerated mode, the daemon only: frees the slots that still wait for `when`: their host died
  /// waiting.
  void forget_wake(WorldTime when) const;
  /// Accelerated mode, the daemon only: moves time forward to `when` (never back) and wakes the
  /// waiters.
  void advance_to(WorldTime when) const;

 private:
  [[nodiscard]] int enter(WorldTime when, bool in_call) const;
  void leave(int slot) const;
  void nap(WorldTime when) const;  // until time moves, at most 5 ms of real time
  WorldPage* page_;
};

}  // namespace creel
