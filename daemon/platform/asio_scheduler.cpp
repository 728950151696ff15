#include "daemon/platform/asio_scheduler.h"

#include <sys/resource.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/post.hpp>
#include <chrono>
#include <utility>

namespace creel::platform {
namespace {
constexpr Duration kDeadHost =
    milliseconds(200);                  // a due waiter that does not leave for this long has died
constexpr Duration kBusy = seconds(1);  // after work, look for waiters often for this long
constexpr auto kShortNap = std::chrono::microseconds(100);
constexpr auto kLongNap = std::chrono::milliseconds(20);
}  // namespace

AsioScheduler::AsioScheduler(boost::asio::io_context& io, const Clock& clock,
                             WorldTimeline timeline)
    : io_(io), clock_(clock), timeline_(timeline) {}

void AsioScheduler::post(std::function<void()> job) {
  boost::asio::post(io_, std::move(job));
}

TimerId AsioScheduler::after(Duration delay, std::function<void()> job) {
  const TimerId id = next_id_++;
  auto timer = std::make_unique<boost::asio::steady_timer>(io_);
  timer->expires_after(std::chrono::nanoseconds(std::max<std::int64_t>(delay.value, 0)));
  timer->async_wait([this, id, job = std::move(job)](const boost::system::error_code&) {
    // Looked up by id, not by the error: a timer may be cancelled after it was already queued.
    if (timers_.erase(id) > 0) {
      job();
    }
  });
  timers_.emplace(id, std::move(timer));
  return id;
}

TimerId AsioScheduler::at(SafetyTime when, std::function<void()> job) {
  return after(when - clock_.safety_now(), std::move(job));
}

TimerId AsioScheduler::at(WorldTime when, std::function<void()> job) {
  if (!timeline_.accelerated()) {
    return after(timeline_.rate().real(when - clock_.world_now()), std::move(job));
  }
  const TimerId id = next_id_++;
  world_timers_.emplace(when, std::pair{id, std::move(job)});
  return id;
}

void AsioScheduler::cancel(TimerId id) {
  if (auto node = timers_.extract(id); !node.empty()) {
    // Destroyed from the loop: this may be running inside another timer's handler.
    boost::asio::post(
        io_, [doomed = std::shared_ptr<boost::asio::steady_timer>(std::move(node.mapped()))] {});
    return;
  }
  const auto found = std::find_if(world_timers_.begin(), world_timers_.end(),
                                  [id](const auto& timer) { return timer.second.first == id; });
  if (found != world_timers_.end()) {
    world_timers_.erase(found);
  }
}

void AsioScheduler::run() {
  const auto keep_running = boost::asio::make_work_guard(io_);
  if (timeline_.accelerated()) {
    run_accelerated();
  } else {
    io_.run();
  }
}

void AsioScheduler::run_accelerated() {
  while (!io_.stopped()) {
    if (io_.poll() > 0) {
      last_work_ = clock_.safety_now();
      continue;
    }
    if (io_.stopped() || move_time()) {
      continue;
    }
    const bool busy = clock_.safety_now() - last_work_ < kBusy;
    const std::size_t ran = busy ? io_.run_one_for(kShortNap) : io_.run_one_for(kLongNap);
    if (ran > 0) {
      last_work_ = clock_.safety_now();
    }
  }
}

// Moves time to the next moment that someone waits for. False when there is none, when a waiter
// that is due has not left yet (it must run before time goes on), or when a host works on a call:
// it may be about to wait for an earlier moment.
bool AsioScheduler::move_time() {
  WorldTime wake{};
  const bool someone = timeline_.earliest_wake(&wake);
  if (someone && wake <= timeline_.now()) {
    const SafetyTime now = clock_.safety_now();
    if (due_ != wake) {
      due_ = wake;
      due_since_ = now;
    } else if (now - due_since_ > kDeadHost) {
      timeline_.forget_wake(wake);
    }
    return false;
  }
  if (calls_() > timeline_.calls_waiting()) {
    return false;
  }
  const auto own = world_timers_.begin();
  if (own != world_timers_.end() && (!someone || own->first <= wake)) {
    auto job = std::move(own->second.second);
    timeline_.advance_to(own->first);
    world_timers_.erase(own);
    job();
    last_work_ = clock_.safety_now();
    return true;
  }
  if (someone) {
    timeline_.advance_to(wake);
    last_work_ = clock_.safety_now();
  }
  return someone;
}

ThreadWorker::ThreadWorker(Priority priority)
    : thread_([this, priority] {
        if (priority == Priority::low) {
          // On Linux a nice value is a thread's own (setpriority(2), notes).
          constexpr int kNice = 10;
          setpriority(PRIO_PROCESS, static_cast<id_t>(gettid()), kNice);
        }
        loop();
      }) {}

ThreadWorker::~ThreadWorker() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
  }
  wake_.notify_one();
  thread_.join();
}

void ThreadWorker::run(std::function<void()> job) {
  {
    const std::lock_guard lock(mutex_);
    jobs_.push_back(std::move(job));
  }
  wake_.notify_one();
}

void ThreadWorker::loop() {
  while (true) {
    std::unique_lock lock(mutex_);
    wake_.wait(lock, [this] { return ending_ || !jobs_.empty(); });
    if (jobs_.empty()) {
      return;
    }
    auto job = std::move(jobs_.front());
    jobs_.pop_front();
    lock.unlock();
    job();
  }
}

}  // namespace creel::platform
