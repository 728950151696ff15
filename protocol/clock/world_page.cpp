#include "protocol/clock/world_page.h"

#include <linux/futex.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <climits>

namespace creel {
namespace {

std::int64_t monotonic_ns() {
  timespec now{};
  clock_gettime(CLOCK_MONOTONIC, &now);
  return static_cast<std::int64_t>(now.tv_sec) * 1'000'000'000 + now.tv_nsec;
}

constexpr std::int64_t kNapNs = 5'000'000;

timespec to_timespec(std::int64_t ns) {
  return {ns / 1'000'000'000, ns % 1'000'000'000};
}

void futex(std::atomic<std::uint32_t>* word, int operation, std::uint32_t value,
           const timespec* timeout) {
  // Not FUTEX_PRIVATE: the word is shared between processes.
  syscall(SYS_futex, reinterpret_cast<std::uint32_t*>(word), operation, value, timeout, nullptr, 0);
}

}  // namespace

void WorldTimeline::prepare(WorldPage* page, bool accelerated, std::uint64_t seed) {
  page->mode = accelerated ? WorldPage::kAccelerated : WorldPage::kReal;
  // World time starts at one second, so that zero can mean "never".
  page->origin_monotonic_ns = monotonic_ns() - 1'000'000'000;
  page->seed = seed;
  page->now_ns.store(1'000'000'000);
  page->magic = WorldPage::kMagic;
}

bool WorldTimeline::accelerated() const {
  return page_->mode == WorldPage::kAccelerated;
}
std::uint64_t WorldTimeline::seed() const {
  return page_->seed;
}

WorldTime WorldTimeline::now() const {
  return accelerated() ? WorldTime{page_->now_ns.load(std::memory_order_acquire)}
                       : WorldTime{monotonic_ns() - page_->origin_monotonic_ns};
}

int WorldTimeline::enter(WorldTime when) const {
  if (!accelerated() || now() >= when) {
    return -1;
  }
  for (int slot = 0; slot < WorldPage::kSlots; ++slot) {
    std::int64_t expected = WorldPage::kFree;
    if (page_->wake_ns[slot].compare_exchange_strong(expected, when.ns)) {
      return slot;
    }
  }
  return -1;  // all slots taken: this waiter is served when time moves for another
}

void WorldTimeline::leave(int slot) const {
  if (slot >= 0) {
    page_->wake_ns[slot].store(WorldPage::kFree);
  }
}

void WorldTimeline::nap(WorldTime when) const {
  if (accelerated()) {
    const std::uint32_t tick = page_->tick.load(std::memory_order_acquire);
    if (now() < when) {
      const timespec limit = to_timespec(kNapNs);
      futex(&page_->tick, FUTEX_WAIT, tick, &limit);
    }
    return;
  }
  const timespec rest = to_timespec(std::clamp<std::int64_t>((when - now()).value, 0, kNapNs));
  nanosleep(&rest, nullptr);
}

bool WorldTimeline::earliest_wake(WorldTime* when) const {
  std::int64_t earliest = LLONG_MAX;
  for (const auto& slot : page_->wake_ns) {
    const std::int64_t wake = slot.load();
    if (wake != WorldPage::kFree) {
      earliest = std::min(earliest, wake);
    }
  }
  if (earliest == LLONG_MAX) {
    return false;
  }
  *when = WorldTime{earliest};
  return true;
}

void WorldTimeline::forget_wake(WorldTime when) const {
  for (auto& slot : page_->wake_ns) {
    std::int64_t expected = when.ns;
    slot.compare_exchange_strong(expected, WorldPage::kFree);
  }
}

void WorldTimeline::advance_to(WorldTime when) const {
  if (when.ns > page_->now_ns.load()) {
    page_->now_ns.store(when.ns, std::memory_order_release);
    page_->tick.fetch_add(1, std::memory_order_release);
    futex(&page_->tick, FUTEX_WAKE, INT_MAX, nullptr);
  }
}

}  // namespace creel
