#include "daemon/series/frame_queue.h"

#include <iterator>
#include <memory>
#include <span>
#include <utility>

namespace creel {

using session::Record;

namespace {
constexpr std::size_t kBatchBytes = 8U << 20;   // design: one sync covers at most this much
constexpr std::size_t kSpareBytes = 32U << 20;  // of buffers kept for the next blocks
}  // namespace

FrameQueue::FrameQueue(store::Session& session, std::unique_ptr<LiveAnswer> live, Worker& worker,
                       Scheduler& scheduler, Stored stored)
    : session_(session),
      live_(std::move(live)),
      worker_(worker),
      scheduler_(scheduler),
      stored_(std::move(stored)) {}

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
  run_batch();
}

void FrameQueue::retry() {
  run_batch();
}

void FrameQueue::run_batch() {
  if (running_ || queue_.empty()) {
    return;
  }
  running_ = true;
  auto batch = std::make_shared<std::deque<Entry>>();
  std::size_t bytes = 0;
  while (!queue_.empty() && (batch->empty() || bytes < kBatchBytes)) {
    bytes += queue_.front().block.bytes.size();
    batch->push_back(std::move(queue_.front()));
    queue_.pop_front();
  }
  worker_.run(
      [this, batch, alive = alive_, live = live_, &session = session_, &scheduler = scheduler_] {
        auto written = write(session, live.get(), *batch);
        auto done = std::make_shared<StoredBatch>();
        done->warnings = session.warnings();
        if (written.ok()) {
          done->blocks = batch->size();
          done->durable = *written;
          done->answer = live ? live->news() : std::nullopt;
          done->no_answer = live ? live->gave_up() : "";
          done->sealed = session.sealed();
          if (auto room = session.headroom(); room.ok()) {
            done->room = *room;
          }
        } else {
          done->result = written.error();
        }
        scheduler.post([this, batch, done, alive] {
          if (!*alive) {
            return;
          }
          running_ = false;
          if (done->result.ok()) {
            finish(*batch);
            stored_(*done);
            run_batch();
            return;
          }
          queue_.insert(queue_.begin(), std::make_move_iterator(batch->begin()),
                        std::make_move_iterator(batch->end()));
          stored_(*done);
        });
      });
}

void FrameQueue::finish(std::deque<Entry>& batch) {
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

std::vector<std::byte> FrameQueue::spare_buffer() {
  if (spare_.empty()) {
    return {};
  }
  auto buffer = std::move(spare_.back());
  spare_.pop_back();
  spare_bytes_ -= buffer.capacity();
  return buffer;
}

Result<void> FrameQueue::each_frame(const std::deque<Entry>& batch, const Take& take) {
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
                                        const std::deque<Entry>& batch) {
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
