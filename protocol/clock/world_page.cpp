#include "protocol/clock/world_page.h"

#include <linux/futex.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <climits>
#include <cmath>

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

WorldRate WorldRate::of(double times) {
  const double millionths = std::round(times * static_cast<double>(kOne));
  return {static_cast<std::uint64_t>(std::clamp(millionths, 1.0, static_cast<double>(kMost)))};
}

// Both in two parts, whole steps and the rest, so that no product leaves 64 bits: the rest of one
// times the other is below kOne * kMost = 10^15.
Duration WorldRate::world(Duration real) const {
  constexpr auto kUnit = static_cast<std::int64_t>(kOne);
  const auto rate = static_cast<std::int64_t>(millionths);
  const std::int64_t steps = real.value / kUnit;
  return Duration{steps * rate + real.value % kUnit * rate / kUnit};
}

Duration WorldRate::real(Duration world) const {
  constexpr auto kUnit = static_cast<std::int64_t>(kOne);
  const auto rate = static_cast<std::int64_t>(millionths);
  const std::int64_t steps = std::max<std::int64_t>(world.value, 0) / rate;
  if (steps >= kLongest.value / kUnit) {
    return kLongest;
  }
  const std::int64_t rest = std::max<std::int64_t>(world.value, 0) % rate * kUnit;
  return Duration{steps * kUnit + (rest + rate - 1) / rate};
}

void WorldTimeline::prepare(WorldPage* page, bool accelerated, std::uint64_t seed, WorldRate rate) {
  page->mode = accelerated ? WorldPage::kAccelerated : WorldPage::kReal;
  page->origin_monotonic_ns = monotonic_ns() - kStart.ns;
  page->seed = seed;
  page->now_ns.store(kStart.ns);
  page->rate_millionths = rate.millionths;
  page->magic = WorldPage::kMagic;
}

bool WorldTimeline::accelerated() const {
  return page_->mode == WorldPage::kAccelerated;
}
std::uint64_t WorldTimeline::seed() const {
  return page_->seed;
}

WorldRate WorldTimeline::rate() const {
  const std::uint64_t millionths = page_->rate_millionths;
  const bool usual = accelerated() || millionths == 0 || millionths > WorldRate::kMost;
  return usual ? WorldRate{} : WorldRate{millionths};
}

WorldTime WorldTimeline::now() const {
  if (accelerated()) {
    return WorldTime{page_->now_ns.load(std::memory_order_acquire)};
  }
  const Duration real{monotonic_ns() - page_->origin_monotonic_ns - kStart.ns};
  return kStart + rate().world(real);
}

int WorldTimeline::enter(WorldTime when, bool in_call) const {
  if (!accelerated() || now() >= when) {
    return -1;
  }
  for (int slot = 0; slot < WorldPage::kSlots; ++slot) {
    std::int64_t expected = WorldPage::kFree;
    if (page_->wake_ns[slot].compare_exchange_strong(expected, when.ns)) {
      page_->in_call[slot].store(in_call ? 1 : 0);
      return slot;
    }
  }
  return -1;  // all slots taken: this waiter is served when time moves for another
}

void WorldTimeline::leave(int slot) const {
  if (slot >= 0) {
    page_->in_call[slot].store(0);  // first: a slot that is free is never counted
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
  const timespec rest = to_timespec(std::min(rate().real(when - now()).value, kNapNs));
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

std::size_t WorldTimeline::calls_waiting() const {
  std::size_t count = 0;
  for (int slot = 0; slot < WorldPage::kSlots; ++slot) {
    count += page_->wake_ns[slot].load() != WorldPage::kFree && page_->in_call[slot].load() != 0;
  }
  return count;
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
