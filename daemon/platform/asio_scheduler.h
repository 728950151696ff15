// The control thread's loop on Boost.Asio, and the thread behind a Worker.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <condition_variable>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <thread>

#include "daemon/seams/clock.h"
#include "daemon/seams/scheduler.h"
#include "protocol/clock/world_page.h"

namespace creel::platform {

/// In accelerated mode this is also what moves world time (protocol/clock): when no handler is
/// ready, time goes to the earliest moment that a host or a timer of ours waits for.
class AsioScheduler : public Scheduler {
 public:
  AsioScheduler(boost::asio::io_context& io, const Clock& clock, WorldTimeline timeline);

  void post(std::function<void()> job) override;
  TimerId at(WorldTime when, std::function<void()> job) override;
  TimerId at(SafetyTime when, std::function<void()> job) override;
  void cancel(TimerId id) override;

  /// Accelerated mode: how many calls to hosts are not answered yet. While more of them are than
  /// wait for world time, someone is at work, and time stands. Before run().
  void count_calls(std::function<std::size_t()> calls) { calls_ = std::move(calls); }

  /// Runs the loop on the calling thread until stop().
  void run();
  /// Any thread.
  void stop() { io_.stop(); }

 private:
  TimerId after(Duration delay, std::function<void()> job);
  void run_accelerated();
  bool move_time();

  boost::asio::io_context& io_;
  const Clock& clock_;
  WorldTimeline timeline_;
  TimerId next_id_ = 1;
  std::map<TimerId, std::unique_ptr<boost::asio::steady_timer>> timers_;
  std::multimap<WorldTime, std::pair<TimerId, std::function<void()>>>
      world_timers_;  // accelerated only
  WorldTime due_{};   // a waiter that is due and has not left yet
  SafetyTime due_since_{};
  SafetyTime last_work_{};
  std::function<std::size_t()> calls_ = [] { return std::size_t{0}; };
};

/// Whether a worker's thread gives way to all others on the processor.
enum class Priority : std::uint8_t { normal, low };

/// A Worker with one thread of its own. Destruction runs what is queued, then joins.
class ThreadWorker : public Worker {
 public:
  explicit ThreadWorker(Priority priority = Priority::normal);
  ~ThreadWorker() override;
  void run(std::function<void()> job) override;

 private:
  void loop();
  std::mutex mutex_;
  std::condition_variable wake_;
  std::deque<std::function<void()>> jobs_;
  bool ending_ = false;
  std::thread thread_;
};

}  // namespace creel::platform
