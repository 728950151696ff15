// Frames on their way to the disk: in order whatever happens, and two batches at once.
#include "daemon/series/frame_queue.h"

#include <gtest/gtest.h>

#include <vector>

#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"
#include "tests/fakes/timeline.h"

namespace creel {
namespace {

namespace sample = store::sample;

constexpr store::FrameShape kImage{512, 1024, store::Pixel::u16};  // 1 MiB
constexpr std::uint64_t kFrames = 24;
constexpr std::uint64_t kForEver = 1'000'000;

class Queue : public testing::Test {
 protected:
  void SetUp() override {
    auto made =
        store::create_session(disk_, sample::start(store::kDirectory, "ink-a", kImage, kFrames));
    ASSERT_TRUE(made.ok()) << made.error().text;
    session_ = std::move(*made);
    queue_ =
        std::make_unique<FrameQueue>(*session_, nullptr, worker_, scheduler_,
                                     [this](const StoredBatch& batch) { told_.push_back(batch); });
  }

  void put(std::uint64_t first, std::uint64_t end) {
    for (auto number = first; number < end; ++number) {
      const auto frame = sample::frame(kImage, number);
      FrameBlock block;
      block.info.frames = 1;
      block.bytes = queue_->spare_buffer();
      block.bytes.assign(frame.begin(), frame.end());
      queue_->put(sample::record(number), std::move(block));
    }
  }
  void run() {
    while (timeline_.step()) {
    }
  }
  void expect_all_in_order() {
    EXPECT_EQ(queue_->unstored(), 0U);
    EXPECT_EQ(queue_->unstored_bytes(), 0U);
    EXPECT_TRUE(queue_->idle());
    const auto cut = std::make_unique<fakes::FakeDisk>(disk_.after_power_cut(1));
    store::expect_frames(*cut, store::kDirectory + "/ink-a", kFrames);
    const auto source = store::disk_source(*cut);
    const auto reader = store::open_reader(*source, store::kDirectory + "/ink-a");
    ASSERT_NE(reader, nullptr);
    ASSERT_EQ(reader->records().size(), kFrames);
    for (std::uint64_t number = 0; number < kFrames; ++number) {
      EXPECT_EQ(reader->records()[number].exposure, number);
    }
  }

  fakes::FakeDisk disk_;
  fakes::Timeline timeline_;
  fakes::TimelineScheduler scheduler_{timeline_, 1};
  fakes::TimelineWorker worker_{timeline_, 1};
  std::unique_ptr<store::Session> session_;
  std::unique_ptr<FrameQueue> queue_;
  std::vector<StoredBatch> told_;
};

TEST_F(Queue, StoresInOrderWithTheNextFullBatchHandedOverAhead) {
  put(0, 20);
  timeline_.step();  // the first batch, one frame, is stored; it has not come back
  put(20, kFrames);
  run();
  std::vector<std::uint64_t> durable;
  for (const auto& batch : told_) {
    EXPECT_TRUE(batch.result.ok());
    durable.push_back(batch.durable);
  }
  EXPECT_EQ(durable, (std::vector<std::uint64_t>{1, 9, 17, 24}));
  expect_all_in_order();
}

TEST_F(Queue, WhenABatchFailsNoneAfterItIsStoredAndAllComeBackInOrder) {
  put(0, 1);
  run();
  disk_.reset_counts();
  disk_.fail_syncs(0, kForEver);
  put(1, 20);  // one batch, and a full one behind it
  run();
  ASSERT_EQ(told_.size(), 2U) << "told once";
  EXPECT_FALSE(told_[1].result.ok());
  EXPECT_EQ(queue_->unstored(), 19U);
  EXPECT_TRUE(queue_->idle());
  queue_->retry();
  run();
  ASSERT_EQ(told_.size(), 3U);
  EXPECT_FALSE(told_[2].result.ok()) << "the disk still fails";
  disk_.fail_syncs(0, 0);
  put(20, kFrames);
  run();
  EXPECT_TRUE(told_.back().result.ok());
  EXPECT_EQ(told_.back().durable, kFrames);
  expect_all_in_order();
}

}  // namespace
}  // namespace creel
