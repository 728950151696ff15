#include "protocol/ring/ring.h"

#include <algorithm>
#include <array>
#include <cstring>
#include <string>

namespace creel::ring {
namespace {

// Header page: the count of blocks ever handed over, and of slots ever given back, each alone on
// its cache line. Neither wraps: at 10^6 blocks a second a 64-bit count lasts half a million years.
constexpr std::uint64_t kPublishedAt = 0;
constexpr std::uint64_t kReleasedAt = 128;
constexpr std::uint64_t kLargestPayload = 1ULL << 30;

// What stands at the start of a slot's header page, as 64-bit little-endian words.
enum Word : std::size_t {
  kSequence,  // 1 for the first block ever: a stale or overwritten header is noticed
  kBytes,
  kFirst,
  kFramesAndFlags,  // frames in the low half
  kStart,
  kExposure,
  kPeriod,
  kDeviceStamp,
  kEvents,
  kEventsLost,
  kWords
};
using SlotHeader = std::array<std::uint64_t, kWords>;

std::uint64_t load(const std::byte* memory, std::uint64_t offset) {
  // atomic_ref of a const type is not in C++20; nothing is written here.
  auto* word = reinterpret_cast<std::uint64_t*>(const_cast<std::byte*>(memory) + offset);
  return std::atomic_ref<std::uint64_t>(*word).load(std::memory_order_acquire);
}

void store(std::byte* memory, std::uint64_t offset, std::uint64_t value) {
  auto* word = reinterpret_cast<std::uint64_t*>(memory + offset);
  std::atomic_ref<std::uint64_t>(*word).store(value, std::memory_order_release);
}

std::uint64_t in_pages(std::uint64_t bytes) {
  return (bytes + kPage - 1) / kPage * kPage;
}

std::uint64_t slot_offset(const Geometry& geometry, std::uint64_t index) {
  return kPage + index % geometry.slots * geometry.slot_stride();
}

// Each word is fetched exactly once: the host may change it while we look.
SlotHeader copy_header(const std::byte* slot) {
  SlotHeader header{};
  const auto* words = reinterpret_cast<const volatile std::uint64_t*>(slot);
  for (std::size_t word = 0; word < kWords; ++word) {
    header[word] = words[word];
  }
  return header;
}

Block to_block(const SlotHeader& header) {
  Block block;
  block.bytes = header[kBytes];
  block.first = header[kFirst];
  block.frames = static_cast<std::uint32_t>(header[kFramesAndFlags]);
  block.flags = static_cast<std::uint32_t>(header[kFramesAndFlags] >> 32);
  block.start_ns = static_cast<std::int64_t>(header[kStart]);
  block.exposure_ns = static_cast<std::int64_t>(header[kExposure]);
  block.period_ns = static_cast<std::int64_t>(header[kPeriod]);
  block.device_stamp = header[kDeviceStamp];
  block.events = header[kEvents];
  block.events_lost = header[kEventsLost];
  return block;
}

Error nonsense(std::uint64_t block, const std::string& what) {
  return {ErrorCode::corrupt, "ring, block " + std::to_string(block) + ": " + what};
}

Result<void> check(const SlotHeader& header, std::uint64_t index, const Geometry& geometry) {
  const Block block = to_block(header);
  if (header[kSequence] != index + 1) {
    return nonsense(index, "sequence is " + std::to_string(header[kSequence]) + ", must be " +
                               std::to_string(index + 1));
  }
  if (block.bytes == 0 || block.bytes > geometry.payload_bytes) {
    return nonsense(index, std::to_string(block.bytes) + " bytes, must be 1 to " +
                               std::to_string(geometry.payload_bytes));
  }
  if (block.frames == 0 || block.frames > block.bytes) {
    return nonsense(index, std::to_string(block.frames) + " frames in " +
                               std::to_string(block.bytes) + " bytes");
  }
  if (block.first > UINT64_MAX - block.frames) {
    return nonsense(index, "frame index " + std::to_string(block.first) + " overflows");
  }
  if (block.start_ns < 0 || block.exposure_ns < 0 || block.period_ns < 0) {
    return nonsense(index, "a negative time");
  }
  // The end of the last frame, start + (frames - 1) * period + exposure, must be a time too.
  if (block.exposure_ns > INT64_MAX - block.start_ns ||
      block.period_ns > (INT64_MAX - block.start_ns - block.exposure_ns) / block.frames) {
    return nonsense(index, "its times overflow");
  }
  if (block.events > block.bytes / kEventBytes || block.events_lost > kMostLost) {
    return nonsense(
        index, std::to_string(block.events) + " events in " + std::to_string(block.bytes) +
                   " bytes and " + std::to_string(block.events_lost) + " lost; must be at most " +
                   std::to_string(block.bytes / kEventBytes) + " and " + std::to_string(kMostLost));
  }
  return {};
}

}  // namespace

std::uint64_t Geometry::slot_stride() const {
  return kPage + in_pages(payload_bytes);
}
std::uint64_t Geometry::total_bytes() const {
  return kPage + slots * slot_stride();
}

Result<Geometry> geometry_for(std::uint64_t payload_bytes, std::uint64_t budget_bytes) {
  if (payload_bytes == 0 || payload_bytes > kLargestPayload) {
    return Error{ErrorCode::invalid_request, "ring: a block of " + std::to_string(payload_bytes) +
                                                 " bytes; must be 1 to " +
                                                 std::to_string(kLargestPayload)};
  }
  Geometry geometry{0, payload_bytes};
  const std::uint64_t affordable = budget_bytes / geometry.slot_stride();
  geometry.slots =
      static_cast<std::uint32_t>(std::clamp<std::uint64_t>(affordable, kFewestSlots, kMostSlots));
  return geometry;
}

Producer::Producer(std::byte* memory, Geometry geometry) : memory_(memory), geometry_(geometry) {}

std::optional<std::span<std::byte>> Producer::slot() {
  // Unsigned difference: a count from the other side that makes no sense reads as a full ring.
  if (head_ - load(memory_, kReleasedAt) >= geometry_.slots) {
    return std::nullopt;
  }
  return std::span(memory_ + slot_offset(geometry_, head_) + kPage, geometry_.payload_bytes);
}

void Producer::publish(const Block& block) {
  CREEL_INVARIANT(block.bytes <= geometry_.payload_bytes, "a block larger than its slot");
  SlotHeader header{};
  header[kSequence] = head_ + 1;
  header[kBytes] = block.bytes;
  header[kFirst] = block.first;
  header[kFramesAndFlags] = block.frames | static_cast<std::uint64_t>(block.flags) << 32;
  header[kStart] = static_cast<std::uint64_t>(block.start_ns);
  header[kExposure] = static_cast<std::uint64_t>(block.exposure_ns);
  header[kPeriod] = static_cast<std::uint64_t>(block.period_ns);
  header[kDeviceStamp] = block.device_stamp;
  header[kEvents] = block.events;
  header[kEventsLost] = block.events_lost;
  std::memcpy(memory_ + slot_offset(geometry_, head_), header.data(), sizeof header);
  store(memory_, kPublishedAt, ++head_);
}

Consumer::Consumer(std::byte* memory, Geometry geometry) : memory_(memory), geometry_(geometry) {}

Result<std::optional<Consumer::View>> Consumer::take() {
  const std::uint64_t published = load(memory_, kPublishedAt);
  if (published == taken_) {
    return std::optional<View>{};
  }
  if (published < taken_ || published - released_ > geometry_.slots) {
    return nonsense(taken_, "the host claims " + std::to_string(published) + " blocks; " +
                                std::to_string(taken_) + " were taken and there are " +
                                std::to_string(geometry_.slots) + " slots");
  }
  const std::byte* slot = memory_ + slot_offset(geometry_, taken_);
  const SlotHeader header = copy_header(slot);
  CREEL_TRY(check(header, taken_, geometry_));
  ++taken_;
  View view;
  view.block = to_block(header);
  view.payload = std::span(slot + kPage, view.block.bytes);
  return std::optional<View>{view};
}

bool Consumer::more() const {
  return load(memory_, kPublishedAt) != taken_;
}

void Consumer::release(std::uint64_t count) {
  CREEL_INVARIANT(count <= taken_not_released(), "more slots released than were taken");
  released_ += count;
  store(memory_, kReleasedAt, released_);
}

}  // namespace creel::ring
