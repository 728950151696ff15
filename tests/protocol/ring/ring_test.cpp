// The frame ring: what one side hands over, and what the other side refuses to believe.
#include "protocol/ring/ring.h"

#include <gtest/gtest.h>

#include <cstring>
#include <functional>
#include <new>
#include <string>
#include <thread>
#include <vector>

namespace creel::ring {
namespace {

// Zeroed memory, aligned to a page as mmap gives it.
class Memory {
 public:
  explicit Memory(const Geometry& geometry)
      : bytes_(static_cast<std::byte*>(
            ::operator new (geometry.total_bytes(), std::align_val_t{kPage}))) {
    std::memset(bytes_, 0, geometry.total_bytes());
  }
  ~Memory() { ::operator delete (bytes_, std::align_val_t{kPage}); }
  Memory(const Memory&) = delete;
  Memory& operator=(const Memory&) = delete;
  [[nodiscard]] std::byte* get() const { return bytes_; }
  // As a host may: any word of the ring, at any time.
  void overwrite(std::uint64_t offset, std::uint64_t value) const {
    std::memcpy(bytes_ + offset, &value, 8);
  }

 private:
  std::byte* bytes_;
};

constexpr Geometry kSmall{3, 100};

Block block(std::uint64_t index) {
  Block made;
  made.bytes = 10 + index % 5;
  made.first = index;
  made.frames = 1;
  made.flags = static_cast<std::uint32_t>(index % 3);
  made.start_ns = static_cast<std::int64_t>(1000 * (index + 1));
  made.exposure_ns = 900;
  made.period_ns = 1000;
  made.device_stamp = 7 * index;
  made.events_lost = 5 * index;
  return made;
}

bool publish(Producer& producer, std::uint64_t index) {
  const auto slot = producer.slot();
  if (!slot) {
    return false;
  }
  std::memset(slot->data(), static_cast<int>(index % 251), slot->size());
  producer.publish(block(index));
  return true;
}

void expect_block(const Consumer::View& view, std::uint64_t index) {
  const Block expected = block(index);
  EXPECT_EQ(view.block.bytes, expected.bytes);
  EXPECT_EQ(view.block.first, expected.first);
  EXPECT_EQ(view.block.frames, expected.frames);
  EXPECT_EQ(view.block.flags, expected.flags);
  EXPECT_EQ(view.block.start_ns, expected.start_ns);
  EXPECT_EQ(view.block.exposure_ns, expected.exposure_ns);
  EXPECT_EQ(view.block.period_ns, expected.period_ns);
  EXPECT_EQ(view.block.device_stamp, expected.device_stamp);
  EXPECT_EQ(view.block.events, expected.events);
  EXPECT_EQ(view.block.events_lost, expected.events_lost);
  ASSERT_EQ(view.payload.size(), expected.bytes);
  for (const std::byte byte : view.payload) {
    ASSERT_EQ(byte, static_cast<std::byte>(index % 251));
  }
}

TEST(RingGeometry, FitsTheBudgetAndHasAtLeastThreeSlots) {
  // One slot is its header page and its payload in whole pages: 2 x 4096 bytes for 100 bytes.
  const auto small = geometry_for(100, 80 * kPage);
  ASSERT_TRUE(small.ok());
  EXPECT_EQ(small->slot_stride(), 2 * kPage);
  EXPECT_EQ(small->slots, 40U);
  EXPECT_EQ(small->total_bytes(), 81 * kPage);
  EXPECT_EQ(geometry_for(kPage, kPage)->slot_stride(), 2 * kPage);
  EXPECT_EQ(geometry_for(kPage + 1, kPage)->slot_stride(), 3 * kPage);
  EXPECT_EQ(geometry_for(100'000'000, 1)->slots, kFewestSlots);
  EXPECT_EQ(geometry_for(1)->slots, kMostSlots);
}

TEST(RingGeometry, RefusesNothingAndMoreThanAGibibyte) {
  EXPECT_EQ(geometry_for(0).error().code, ErrorCode::invalid_request);
  EXPECT_TRUE(geometry_for(1ULL << 30).ok());
  EXPECT_EQ(geometry_for((1ULL << 30) + 1).error().code, ErrorCode::invalid_request);
  EXPECT_EQ(geometry_for(UINT64_MAX).error().code, ErrorCode::invalid_request);
}

TEST(Ring, BlocksArriveInOrderWithEveryFieldAndByte) {
  const Memory memory(kSmall);
  Producer producer(memory.get(), kSmall);
  Consumer consumer(memory.get(), kSmall);
  EXPECT_FALSE(consumer.take().value().has_value());
  for (std::uint64_t index = 0; index < 20; ++index) {
    ASSERT_TRUE(publish(producer, index));
    const auto taken = consumer.take().value();
    ASSERT_TRUE(taken.has_value());
    expect_block(*taken, index);
    consumer.release(1);
  }
  EXPECT_FALSE(consumer.take().value().has_value());
}

TEST(Ring, IsFullUntilTheOldestSlotsAreGivenBack) {
  const Memory memory(kSmall);
  Producer producer(memory.get(), kSmall);
  Consumer consumer(memory.get(), kSmall);
  for (std::uint64_t index = 0; index < 3; ++index) {
    ASSERT_TRUE(publish(producer, index));
  }
  EXPECT_FALSE(publish(producer, 3));
  for (std::uint64_t index = 0; index < 3; ++index) {
    expect_block(*consumer.take().value(), index);
  }
  EXPECT_FALSE(publish(producer, 3))
      << "taking alone gives nothing back: the frame is not durable yet";
  EXPECT_EQ(consumer.taken_not_released(), 3U);
  consumer.release(2);
  EXPECT_TRUE(publish(producer, 3));
  EXPECT_TRUE(publish(producer, 4));
  EXPECT_FALSE(publish(producer, 5));
  expect_block(*consumer.take().value(), 3);
}

TEST(Ring, AProducerAndAConsumerMayRunInDifferentThreads) {
  constexpr std::uint64_t kBlocks = 20'000;
  const auto geometry = Geometry{5, 64};
  const Memory memory(geometry);
  std::thread host([&] {
    Producer producer(memory.get(), geometry);
    for (std::uint64_t index = 0; index < kBlocks;) {
      if (publish(producer, index)) {
        ++index;
      } else {
        std::this_thread::yield();
      }
    }
  });
  Consumer consumer(memory.get(), geometry);
  for (std::uint64_t index = 0; index < kBlocks;) {
    const auto taken = consumer.take().value();
    if (taken) {
      expect_block(*taken, index++);
      consumer.release(1);
    } else {
      std::this_thread::yield();
    }
  }
  host.join();
}

// Offsets of the words in a slot's header; the layout is private to ring.cpp, so this pins it.
enum : std::uint64_t {
  kSequence = 0,
  kBytes = 8,
  kFirst = 16,
  kFrames = 24,
  kStart = 32,
  kExposure = 40,
  kPeriod = 48,
  kEvents = 64,
  kEventsLost = 72
};

struct Nonsense {
  const char* what;
  std::uint64_t word;
  std::uint64_t value;
};
class RingNonsense : public ::testing::TestWithParam<Nonsense> {};

TEST_P(RingNonsense, InASlotHeaderIsCorrupt) {
  const Memory memory(kSmall);
  Producer producer(memory.get(), kSmall);
  Consumer consumer(memory.get(), kSmall);
  ASSERT_TRUE(publish(producer, 0));
  memory.overwrite(kPage + GetParam().word, GetParam().value);
  const auto taken = consumer.take();
  ASSERT_FALSE(taken.ok());
  EXPECT_EQ(taken.error().code, ErrorCode::corrupt);
  EXPECT_EQ(consumer.taken_not_released(), 0U);
  memory.overwrite(kPage + kSequence, 0);
  EXPECT_FALSE(consumer.take().ok()) << "it does not step over it";
}

INSTANTIATE_TEST_SUITE_P(All, RingNonsense,
                         ::testing::Values(Nonsense{"stale sequence", kSequence, 0},
                                           Nonsense{"sequence from ahead", kSequence, 2},
                                           Nonsense{"empty", kBytes, 0},
                                           Nonsense{"too long", kBytes, 101},
                                           Nonsense{"huge", kBytes, UINT64_MAX},
                                           Nonsense{"no frames", kFrames, 0},
                                           Nonsense{"more frames than bytes", kFrames, 11},
                                           Nonsense{"index overflows", kFirst, UINT64_MAX},
                                           Nonsense{"negative start", kStart, UINT64_MAX},
                                           Nonsense{"negative exposure", kExposure, 1ULL << 63},
                                           Nonsense{"negative period", kPeriod, UINT64_MAX},
                                           Nonsense{"times overflow", kStart, INT64_MAX},
                                           Nonsense{"period overflows", kPeriod, INT64_MAX},
                                           Nonsense{"more events than bytes for them", kEvents, 1},
                                           Nonsense{"events that wrap", kEvents, 1ULL << 60},
                                           Nonsense{"all the events", kEvents, UINT64_MAX},
                                           Nonsense{"lost too many", kEventsLost, kMostLost + 1}));

TEST(Ring, EventsAreAtMostAsManyAsFitIntoTheBlock) {
  for (const auto& [events, good] : {std::pair{6U, true}, {7U, false}}) {  // 16 bytes each
    const Memory memory(kSmall);
    Producer producer(memory.get(), kSmall);
    Consumer consumer(memory.get(), kSmall);
    ASSERT_TRUE(producer.slot().has_value());
    Block made = block(0);
    made.bytes = 100;
    made.events = events;
    made.events_lost = kMostLost;
    producer.publish(made);
    const auto taken = consumer.take();
    ASSERT_EQ(taken.ok(), good) << events;
    if (good) {
      EXPECT_EQ((*taken)->block.events, 6U);
      EXPECT_EQ((*taken)->block.events_lost, kMostLost);
    } else {
      EXPECT_EQ(taken.error().text,
                "ring, block 0: 7 events in 100 bytes and 281474976710656 lost; must be at most 6 "
                "and 281474976710656");
    }
  }
}

TEST(Ring, ACountOfBlocksThatCannotBeIsCorrupt) {
  for (const std::uint64_t claimed : {std::uint64_t{4}, std::uint64_t{1000}, UINT64_MAX}) {
    const Memory memory(kSmall);
    Consumer consumer(memory.get(), kSmall);
    memory.overwrite(0, claimed);
    EXPECT_EQ(consumer.take().error().code, ErrorCode::corrupt) << claimed;
  }
  const Memory memory(kSmall);
  Producer producer(memory.get(), kSmall);
  Consumer consumer(memory.get(), kSmall);
  ASSERT_TRUE(publish(producer, 0));
  ASSERT_TRUE(consumer.take().value().has_value());
  memory.overwrite(0, 0);  // it takes back what it had handed over
  EXPECT_EQ(consumer.take().error().code, ErrorCode::corrupt);
}

TEST(Ring, AHostThatReleasesItsOwnSlotsHarmsOnlyItself) {
  const Memory memory(kSmall);
  Producer producer(memory.get(), kSmall);
  Consumer consumer(memory.get(), kSmall);
  ASSERT_TRUE(publish(producer, 0));
  memory.overwrite(128, 12345);  // the count of released slots, which only the daemon should write
  expect_block(*consumer.take().value(), 0);
  consumer.release(1);
  ASSERT_TRUE(publish(producer, 1));
  expect_block(*consumer.take().value(), 1);
}

TEST(RingDeathTest, ReleasingWhatWasNotTakenStopsTheProcess) {
  ::testing::FLAGS_gtest_death_test_style = "threadsafe";
  const Memory memory(kSmall);
  Consumer consumer(memory.get(), kSmall);
  EXPECT_DEATH(consumer.release(1), "more slots released than were taken");
}

}  // namespace
}  // namespace creel::ring
