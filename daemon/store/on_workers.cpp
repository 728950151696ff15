#include "daemon/store/on_workers.h"

#include <condition_variable>
#include <memory>
#include <mutex>

namespace creel::store {

namespace {

// Shared, because a worker may come to it when the caller has long gone on; it finds nothing left.
struct Share {
  std::mutex mutex;
  std::condition_variable changed;
  std::size_t next = 0, done = 0, count = 0;
  const std::function<void(std::size_t)>* job = nullptr;

  void work() {
    std::unique_lock lock(mutex);
    while (next < count) {
      const auto mine = next++;
      lock.unlock();
      (*job)(mine);
      lock.lock();
      done += 1;
      changed.notify_all();
    }
  }
};

}  // namespace

void on_workers(std::span<Worker* const> workers, std::size_t count,
                const std::function<void(std::size_t)>& job) {
  const auto share = std::make_shared<Share>();
  share->count = count;
  share->job = &job;
  for (std::size_t i = 0; i < workers.size() && i + 1 < count; ++i) {
    workers[i]->run([share] { share->work(); });
  }
  share->work();
  std::unique_lock lock(share->mutex);
  share->changed.wait(lock, [&] { return share->done == count; });
}

}  // namespace creel::store
