#include "daemon/store/sealing.h"

#include <condition_variable>
#include <deque>
#include <mutex>
#include <utility>

namespace creel::store {

// Shared with the workers' jobs: one that comes late finds nothing to do.
struct Sealing::State {
  State(Disk& the_disk, SealPlan the_plan, std::vector<Worker*> the_workers)
      : disk(&the_disk), plan(std::move(the_plan)), idle(std::move(the_workers)) {}

  Disk* disk;
  const SealPlan plan;
  std::mutex mutex;
  std::condition_variable changed;
  std::vector<Worker*> idle;
  std::deque<std::uint64_t> waiting;
  std::uint64_t in_work = 0;
  Progress progress;
  bool stopping = false;
  bool giving_way = false;
  bool failing = false;  // the last piece failed
  std::vector<std::string> news;

  // Asked at every chunk.
  bool stopped() {
    std::unique_lock lock(mutex);
    changed.wait(lock, [this] { return stopping || !giving_way; });
    return stopping;
  }

  // On a worker: seals pieces until none is waiting.
  void work(Worker* worker) {
    std::unique_lock lock(mutex);
    while (!waiting.empty()) {
      const auto number = waiting.front();
      waiting.pop_front();
      in_work += 1;
      lock.unlock();
      const auto sealed = seal_piece(*disk, plan, number, [this] { return stopped(); });
      lock.lock();
      in_work -= 1;
      settle(sealed);
      changed.notify_all();
    }
    idle.push_back(worker);
  }

  void settle(const Result<void>& sealed) {
    if (sealed.ok()) {
      progress.sealed += 1;
      failing = false;
    } else if (sealed.error().code != ErrorCode::cancelled) {
      if (!failing) {
        news.push_back("a full piece stays unpacked for now: " + sealed.error().text);
      }
      failing = true;
    }
  }
};

Sealing::Sealing(Disk& disk, SealPlan plan, std::vector<Worker*> workers)
    : state_(std::make_shared<State>(disk, std::move(plan), std::move(workers))) {
  if (state_->plan.codec == session::Codec::none) {
    state_->idle.clear();
  }
  state_->stopping = state_->idle.empty();
}

Sealing::~Sealing() {
  stop();
}

void Sealing::piece_full(std::uint64_t number) {
  Worker* worker = nullptr;
  {
    const std::lock_guard lock(state_->mutex);
    if (state_->stopping) {
      return;
    }
    state_->waiting.push_back(number);
    state_->progress.total += 1;
    if (!state_->idle.empty()) {
      worker = state_->idle.back();
      state_->idle.pop_back();
    }
  }
  if (worker != nullptr) {
    worker->run([state = state_, worker] { state->work(worker); });
  }
}

std::vector<std::string> Sealing::news() {
  const std::lock_guard lock(state_->mutex);
  return std::exchange(state_->news, {});
}

Sealing::Progress Sealing::progress() const {
  const std::lock_guard lock(state_->mutex);
  return state_->progress;
}

void Sealing::wait() {
  std::unique_lock lock(state_->mutex);
  state_->changed.wait(lock, [&] { return state_->waiting.empty() && state_->in_work == 0; });
}

void Sealing::give_way(bool give) {
  const std::lock_guard lock(state_->mutex);
  state_->giving_way = give;
  state_->changed.notify_all();
}

void Sealing::stop() {
  std::unique_lock lock(state_->mutex);
  state_->stopping = true;
  state_->waiting.clear();
  state_->changed.notify_all();
  state_->changed.wait(lock, [&] { return state_->in_work == 0; });
}

}  // namespace creel::store
