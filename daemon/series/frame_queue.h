// Frames between the ring and the disk: taken out of the ring by one copy, kept until the store has
// them durable. The queue is what makes the group commit: whatever is in it when the last sync ends
// goes into the next.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "daemon/seams/scheduler.h"
#include "daemon/store/session.h"
#include "protocol/base/result.h"
#include "protocol/ring/ring.h"
#include "protocol/session/layout.h"

namespace creel {

/// One block of frames as it came from the detector: the daemon's own copy.
struct FrameBlock {
  ring::Block info;
  std::vector<std::byte> bytes;
};

/// What became of one batch.
struct StoredBatch {
  std::size_t blocks = 0;     ///< so many blocks are durable: their ring slots may go
  std::uint64_t durable = 0;  ///< frames of the session that are durable now
  Result<void> result;  ///< an error: the store kept none of the batch, it is back in the queue
  std::vector<std::string> warnings;  ///< what went wrong on the disk and was mended
};

/// Control thread.
class FrameQueue {
 public:
  /// Called on the control thread after every batch.
  using Stored = std::function<void(const StoredBatch&)>;

  FrameQueue(store::Session& session, Worker& worker, Scheduler& scheduler, Stored stored);

  /// Queues one block with the record of its first frame; the others of the block follow from it.
  void put(session::Record record, FrameBlock block);
  /// Tries again after a failure.
  void retry();
  [[nodiscard]] std::size_t unstored() const { return unstored_; }
  /// No batch is running: the session may be used by others.
  [[nodiscard]] bool idle() const { return !running_; }

 private:
  struct Entry {
    session::Record record;
    FrameBlock block;
  };
  void run_batch();
  static Result<std::uint64_t> write(store::Session& session, const std::deque<Entry>& batch);

  store::Session& session_;
  Worker& worker_;
  Scheduler& scheduler_;
  Stored stored_;
  std::deque<Entry> queue_;
  std::size_t unstored_ = 0;
  bool running_ = false;
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);

 public:
  ~FrameQueue() { *alive_ = false; }
  FrameQueue(const FrameQueue&) = delete;
  FrameQueue& operator=(const FrameQueue&) = delete;
};

}  // namespace creel
