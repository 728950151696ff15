// One fake line of time for a whole night: world, safety and UTC move only when the next event
// runs. Devices (tests/fakes/rig.h) and the daemon share it; killing the daemon drops its events
// and leaves the devices'.
#pragma once

#include <algorithm>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <random>

#include "daemon/seams/clock.h"
#include "daemon/seams/random.h"
#include "daemon/seams/scheduler.h"

namespace creel::fakes {

class Timeline : public Clock {
 public:
  /// Events belong to an owner, so that all events of a dead process can be dropped.
  using Owner = std::uint64_t;

  [[nodiscard]] WorldTime world_now() const override { return WorldTime{now_}; }
  [[nodiscard]] SafetyTime safety_now() const override { return SafetyTime{now_}; }
  [[nodiscard]] std::int64_t utc_now_ns() const override { return kUtcStart + now_; }
  [[nodiscard]] std::int64_t now() const { return now_; }

  std::uint64_t add(Owner owner, std::int64_t when, std::function<void()> job);
  void remove(std::uint64_t id);
  void drop(Owner owner);
  /// Runs the next event; false when there is none.
  bool step();
  [[nodiscard]] std::uint64_t steps() const { return steps_; }

 private:
  static constexpr std::int64_t kUtcStart = 1'795'579'200'000'000'000;  // 2026-11-25T00:00:00Z
  struct Event {
    Owner owner;
    std::function<void()> job;
  };
  std::int64_t now_ = 1'000'000'000;
  std::uint64_t next_id_ = 1;
  std::uint64_t steps_ = 0;
  std::map<std::pair<std::int64_t, std::uint64_t>, Event>
      events_;  // by time, then by order of adding
  std::map<std::uint64_t, std::int64_t> when_;
};

/// The Scheduler of one (fake) daemon process.
class TimelineScheduler : public Scheduler {
 public:
  TimelineScheduler(Timeline& timeline, Timeline::Owner owner)
      : timeline_(timeline), owner_(owner) {}
  ~TimelineScheduler() override { timeline_.drop(owner_); }
  void post(std::function<void()> job) override {
    timeline_.add(owner_, timeline_.now(), std::move(job));
  }
  TimerId at(WorldTime when, std::function<void()> job) override {
    return timeline_.add(owner_, when.ns, std::move(job));
  }
  TimerId at(SafetyTime when, std::function<void()> job) override {
    return timeline_.add(owner_, when.ns, std::move(job));
  }
  void cancel(TimerId id) override { timeline_.remove(id); }

 private:
  Timeline& timeline_;
  Timeline::Owner owner_;
};

/// A Worker whose jobs run a little later on the same line of time, in order.
class TimelineWorker : public Worker {
 public:
  TimelineWorker(Timeline& timeline, Timeline::Owner owner) : timeline_(timeline), owner_(owner) {}
  void run(std::function<void()> job) override {
    timeline_.add(owner_, std::max(timeline_.now() + kDelay, stalled_until_ns_), std::move(job));
  }
  /// Its disk answers nothing until then: jobs asked for meanwhile begin late, in order.
  void stall(std::int64_t until_ns) { stalled_until_ns_ = until_ns; }

 private:
  static constexpr std::int64_t kDelay = 1'000'000;
  Timeline& timeline_;
  Timeline::Owner owner_;
  std::int64_t stalled_until_ns_ = 0;
};

class SeededRandom : public Random {
 public:
  explicit SeededRandom(std::uint64_t seed) : engine_(seed) {}
  std::uint64_t next() override { return engine_(); }

 private:
  std::mt19937_64 engine_;
};

}  // namespace creel::fakes
