// Frames between the ring and the disk: taken out of the ring by one copy, kept until the store has
// them durable. The queue is what makes the group commit: whatever is in it when the last sync ends
// goes into the next. A batch that is full is handed over while the one before it is still being
// stored, so that the disk does not wait for this thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/seams/scheduler.h"
#include "daemon/series/live_answer.h"
#include "daemon/store/session.h"
#include "protocol/base/result.h"
#include "protocol/ring/ring.h"
#include "protocol/session/layout.h"

namespace creel {

/// One block of frames as it came from the detector: the daemon's own copy.
struct FrameBlock {
  ring::Block info;
  PageBytes bytes;
};

/// What differs between the frames of one streamed exposure.
struct Streamed {
  Dose dose_a_frame;               ///< by which area_dose grows from one frame to the next
  std::uint64_t frames_asked = 1;  ///< of the whole exposure: the last one carries no kMoreToCome
};

/// What became of one batch.
struct StoredBatch {
  std::size_t blocks = 0;     ///< so many blocks are durable: their ring slots may go
  std::uint64_t durable = 0;  ///< frames of the session that are durable now
  Result<void> result;  ///< an error: the store kept none of the batch, it is back in the queue
  std::vector<std::string> warnings;    ///< what went wrong on the disk and was mended
  std::optional<RunningAnswer> answer;  ///< of all durable frames, when there is a new one
  std::vector<FrameMeasures> measures;  ///< what its frames show
  std::string no_answer;                ///< why there will be none any more; "" = nothing new
  std::optional<store::Headroom> room;  ///< after it; nothing when the disk did not say
  store::Sealed sealed;
};

/// Control thread.
class FrameQueue {
 public:
  /// Called on the control thread after every batch.
  using Stored = std::function<void(const StoredBatch&)>;

  /// `live` sees every frame once it is durable; null = nobody does.
  FrameQueue(store::Session& session, std::unique_ptr<LiveAnswer> live, Worker& worker,
             Scheduler& scheduler, Stored stored);

  /// Before the first frame, after a restart: `feed` gives whoever sees the frames those of before,
  /// on the worker. What they come to is told as after a batch.
  void look_back(std::function<Result<void>(LiveAnswer&)> feed);
  /// Queues one block with the record of its first frame; the others of the block follow from it.
  void put(session::Record record, FrameBlock block, Streamed streamed = {});
  /// A buffer for a block's bytes: one that was used before where there is one, because fresh
  /// memory costs the system more than the copy into it.
  PageBytes spare_buffer();
  /// Tries again after a failure.
  void retry();
  [[nodiscard]] std::size_t unstored() const { return unstored_; }
  [[nodiscard]] std::size_t unstored_bytes() const { return unstored_bytes_; }
  /// No batch is running: the session may be used by others.
  [[nodiscard]] bool idle() const { return in_flight_ == 0; }

 private:
  struct Entry {
    session::Record record;
    FrameBlock block;
    Streamed streamed;
  };
  using Take = std::function<Result<void>(const session::Record&, std::span<const std::byte>)>;
  using Batch = std::deque<Entry>;
  void run_batches();
  void run(const std::shared_ptr<Batch>& batch);
  static StoredBatch store(store::Session& session, LiveAnswer* live, const Batch& batch);
  static void describe(store::Session& session, LiveAnswer* live, StoredBatch& done);
  void came_back(Batch& batch, StoredBatch done);
  void finish(Batch& batch);
  static Result<void> each_frame(const Batch& batch, const Take& take);
  static Result<std::uint64_t> write(store::Session& session, LiveAnswer* live, const Batch& batch);

  store::Session& session_;
  std::shared_ptr<LiveAnswer> live_;  ///< touched by the worker only
  Worker& worker_;
  Scheduler& scheduler_;
  Stored stored_;
  std::deque<Entry> queue_;
  std::deque<Entry> failed_;            ///< back from the store, until all are
  std::optional<StoredBatch> failure_;  ///< why
  std::shared_ptr<bool> broken_ =       ///< touched by the worker only while a batch is out:
      std::make_shared<bool>(false);    ///< a batch failed, and none after it is stored
  std::vector<PageBytes> spare_;
  std::size_t spare_bytes_ = 0;
  std::size_t unstored_ = 0;
  std::size_t unstored_bytes_ = 0;
  std::size_t in_flight_bytes_ = 0;
  std::size_t in_flight_ = 0;  ///< batches that the worker has
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);

 public:
  ~FrameQueue() { *alive_ = false; }
  FrameQueue(const FrameQueue&) = delete;
  FrameQueue& operator=(const FrameQueue&) = delete;
};

}  // namespace creel
