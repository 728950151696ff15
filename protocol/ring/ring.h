// The frame ring between one detector host (producer) and the daemon (consumer).
//
// Memory: one page of header, then `slots` slots; each slot is a SlotHeader page followed by the
// payload, rounded up to whole pages. Single producer, single consumer, lock-free, so a killed host
// leaves nothing to repair. The memory is a sealed memfd in production (the host cannot shrink it)
// and plain memory in tests.
//
// Trust: the host can write all of it at any time. The consumer therefore takes the geometry from
// its own copy, never from the memory, copies each slot header once, and bounds every number before
// using it. A slot is given back only when the frame is durable: back-pressure reaches the detector
// by itself.
#pragma once

#include <atomic>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

#include "protocol/base/result.h"

namespace creel::ring {

constexpr std::uint64_t kPage = 4096;
constexpr std::uint64_t kDefaultBudgetBytes = 128ULL << 20;
constexpr std::uint32_t kFewestSlots = 3;
constexpr std::uint32_t kMostSlots = 4096;
constexpr std::uint64_t kEventBytes = 16;        ///< of one creel_event (protocol/driver)
constexpr std::uint64_t kMostLost = 1ULL << 48;  ///< of one block; years of the fastest detector

/// Shape of a ring. Both sides hold their own copy; the daemon decides it.
struct Geometry {
  std::uint32_t slots = 0;
  std::uint64_t payload_bytes = 0;                  ///< what one slot can hold
  [[nodiscard]] std::uint64_t slot_stride() const;  ///< header page + payload in whole pages
  [[nodiscard]] std::uint64_t total_bytes() const;
};

/// The ring for blocks of `payload_bytes` within `budget_bytes` of memory: at least 3 slots, at
/// most 4096. invalid_request when payload_bytes is 0 or above 1 GiB.
Result<Geometry> geometry_for(std::uint64_t payload_bytes,
                              std::uint64_t budget_bytes = kDefaultBudgetBytes);

/// What the host says about one block of frames. Fields as in creel_frame_info (protocol/driver).
struct Block {
  std::uint64_t bytes = 0;  ///< payload bytes used
  std::uint64_t first = 0;
  std::uint32_t frames = 0;
  std::uint32_t flags = 0;
  std::int64_t start_ns = 0;
  std::int64_t exposure_ns = 0;
  std::int64_t period_ns = 0;
  std::uint64_t device_stamp = 0;
  std::uint64_t events = 0;       ///< at most as many as fit into `bytes`
  std::uint64_t events_lost = 0;  ///< at most kMostLost
};

/// Host side. One thread.
class Producer {
 public:
  Producer(std::byte* memory, Geometry geometry);
  /// The next free slot's payload, or nothing while the ring is full.
  [[nodiscard]] std::optional<std::span<std::byte>> slot();
  /// Hands over the slot that slot() gave. block.bytes <= payload_bytes.
  void publish(const Block& block);

 private:
  std::byte* memory_;
  Geometry geometry_;
  std::uint64_t head_ = 0;
};

/// Daemon side. One thread at a time.
class Consumer {
 public:
  Consumer(std::byte* memory, Geometry geometry);
  struct View {
    Block block;
    std::span<const std::byte> payload;  ///< in shared memory: copy once, then use only the copy
  };
  /// The next block that was not yet taken; nothing when there is none; corrupt when the host wrote
  /// nonsense (then kill the host: nothing more can be believed of this ring).
  [[nodiscard]] Result<std::optional<View>> take();
  /// Whether a block is there that was not yet taken.
  [[nodiscard]] bool more() const;
  /// Gives the `count` oldest taken slots back to the host. Never more than were taken.
  void release(std::uint64_t count);
  [[nodiscard]] std::uint64_t taken_not_released() const { return taken_ - released_; }
  [[nodiscard]] const Geometry& geometry() const { return geometry_; }

 private:
  std::byte* memory_;
  Geometry geometry_;
  std::uint64_t taken_ = 0;
  std::uint64_t released_ = 0;
};

}  // namespace creel::ring
