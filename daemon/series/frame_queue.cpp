#include "daemon/series/frame_queue.h"

#include <iterator>
#include <memory>
#include <optional>
#include <span>
#include <utility>

namespace creel {

using session::Record;

namespace {
constexpr std::size_t kBatchBytes = 8U << 20;  // design: one sync covers at most this much
constexpr std::size_t kMostInFlight = 2;
constexpr std::size_t kSpareBytes = 32U << 20;  // of buffers kept for the next blocks
}  // namespace

FrameQueue::FrameQueue(store::Session& session, std::unique_ptr<LiveAnswer> live, Worker& worker,
                       Scheduler& scheduler, Stored stored)
    : session_(session),
      live_(std::move(live)),
      worker_(worker),
      scheduler_(scheduler),
      stored_(std::move(stored)) {}

void FrameQueue::look_back(std::function<Result<void>(LiveAnswer&)> feed) {
  if (live_ == nullptr) {
    return;
  }
  worker_.run([this, feed = std::move(feed), alive = alive_, live = live_, &session = session_,
               &scheduler = scheduler_] {
    const auto fed = feed(*live);
    auto done = std::make_shared<StoredBatch>();
    describe(session, live.get(), *done);
    done->durable = session.progress().frames;
    if (!fed.ok()) {
      done->no_answer += (done->no_answer.empty() ? "" : "; ") +
                         fed.error().during("what the frames before the restart showed").text;
    }
    scheduler.post([this, done, alive] {
      if (*alive) {
        stored_(*done);
      }
    });
  });
}

void FrameQueue::put(Record record, FrameBlock block, Streamed streamed) {
  record.start_ns = block.info.start_ns;
  record.exposure_ns = block.info.exposure_ns;
  record.device_index = block.info.first;
  record.device_stamp = block.info.device_stamp;
  record.events = block.info.events;  // one frame a block where there are any
  record.events_lost = block.info.events_lost;
  unstored_bytes_ += block.bytes.size();
  queue_.push_back({record, std::move(block), streamed});
  ++unstored_;
  run_batches();
}

void FrameQueue::retry() {
  run_batches();
}

void FrameQueue::run_batches() {
  while (!queue_.empty() && !failure_) {
    const bool next_is_full = unstored_bytes_ - in_flight_bytes_ >= kBatchBytes;
    if (in_flight_ >= kMostInFlight || (in_flight_ > 0 && !next_is_full)) {
      return;
    }
    auto batch = std::make_shared<Batch>();
    std::size_t bytes = 0;
    while (!queue_.empty() && (batch->empty() || bytes < kBatchBytes)) {
      bytes += queue_.front().block.bytes.size();
      batch->push_back(std::move(queue_.front()));
      queue_.pop_front();
    }
    in_flight_bytes_ += bytes;
    if (in_flight_ > 0) {
      session_.give_way(true);
    }
    run(batch);
  }
}

void FrameQueue::run(const std::shared_ptr<Batch>& batch) {
  ++in_flight_;
  worker_.run([this, batch, alive = alive_, live = live_, broken = broken_, &session = session_,
               &scheduler = scheduler_] {
    auto done = std::make_shared<StoredBatch>();
    if (!*broken) {
      *done = store(session, live.get(), *batch);
      *broken = !done->result.ok();
    }
    scheduler.post([this, batch, done, alive] {
      if (*alive) {
        came_back(*batch, std::move(*done));
      }
    });
  });
}

StoredBatch FrameQueue::store(store::Session& session, LiveAnswer* live, const Batch& batch) {
  StoredBatch done;
  auto written = write(session, live, batch);
  done.warnings = session.warnings();
  if (!written.ok()) {
    done.result = written.error();
    return done;
  }
  done.blocks = batch.size();
  done.durable = *written;
  describe(session, live, done);
  return done;
}

// What is told beside the number of frames.
void FrameQueue::describe(store::Session& session, LiveAnswer* live, StoredBatch& done) {
  done.answer = live != nullptr ? live->news() : std::nullopt;
  done.measures = live != nullptr ? live->measures() : std::vector<FrameMeasures>();
  done.no_answer = live != nullptr ? live->gave_up() : "";
  done.sealed = session.sealed();
  if (auto room = session.headroom(); room.ok()) {
    done.room = *room;
  }
}

// Batches come back in the order in which they went out.
void FrameQueue::came_back(Batch& batch, StoredBatch done) {
  --in_flight_;
  if (in_flight_ == 0 && queue_.empty()) {
    session_.give_way(false);
  }
  for (const Entry& entry : batch) {
    in_flight_bytes_ -= entry.block.bytes.size();
  }
  if (done.blocks > 0) {
    finish(batch);
    const auto alive = alive_;
    stored_(done);
    if (*alive) {
      run_batches();
    }
    return;
  }
  failed_.insert(failed_.end(), std::make_move_iterator(batch.begin()),
                 std::make_move_iterator(batch.end()));
  if (!failure_) {
    failure_ = std::move(done);
  }
  if (in_flight_ > 0) {
    return;
  }
  queue_.insert(queue_.begin(), std::make_move_iterator(failed_.begin()),
                std::make_move_iterator(failed_.end()));
  failed_.clear();
  *broken_ = false;  // the worker has none of ours
  stored_(*std::exchange(failure_, std::nullopt));
}

void FrameQueue::finish(Batch& batch) {
  unstored_ -= batch.size();
  for (Entry& entry : batch) {
    auto& bytes = entry.block.bytes;
    unstored_bytes_ -= bytes.size();
    if (spare_bytes_ + bytes.capacity() <= kSpareBytes) {
      spare_bytes_ += bytes.capacity();
      spare_.push_back(std::move(bytes));
    }
  }
}

PageBytes FrameQueue::spare_buffer() {
  if (spare_.empty()) {
    return {};
  }
  auto buffer = std::move(spare_.back());
  spare_.pop_back();
  spare_bytes_ -= buffer.capacity();
  return buffer;
}

Result<void> FrameQueue::each_frame(const Batch& batch, const Take& take) {
  for (const Entry& entry : batch) {
    const std::size_t frames = entry.block.info.frames;
    const std::size_t each = entry.block.bytes.size() / frames;
    for (std::size_t i = 0; i < frames; ++i) {
      Record record = entry.record;
      record.start_ns += static_cast<std::int64_t>(i) * entry.block.info.period_ns;
      record.device_index += i;
      if (i > 0) {
        record.flags &= ~session::kGapBefore;
        record.lost_before = 0;
      }
      record.area_dose += entry.streamed.dose_a_frame.value * static_cast<double>(i);
      record.utc_ns += static_cast<std::int64_t>(i) * entry.block.info.period_ns;
      record.flags |=
          record.device_index + 1 < entry.streamed.frames_asked ? session::kMoreToCome : 0U;
      CREEL_TRY(take(record, std::span(entry.block.bytes).subspan(i * each, each)));
    }
  }
  return {};
}

Result<std::uint64_t> FrameQueue::write(store::Session& session, LiveAnswer* live,
                                        const Batch& batch) {
  CREEL_TRY(each_frame(batch, [&](const Record& record, std::span<const std::byte> frame) {
    return session.append_borrowed(record, frame);
  }));
  auto durable = session.commit();
  if (durable.ok() && live != nullptr) {
    CREEL_TRY(each_frame(batch, [&](const Record& record, std::span<const std::byte> frame) {
      live->take(record, frame);
      return Result<void>();
    }));
  }
  return durable;
}

}  // namespace creel
