// Any bytes as the memory of a ring: the daemon's end takes what is sound, calls the rest corrupt,
// and never reads outside of it. The first byte chooses the geometry, the next bytes what is
// written between takes.
#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <cstring>
#include <new>

#include "protocol/ring/ring.h"

namespace {

void require(bool condition) {
  if (!condition) {
    std::abort();
  }
}

// Reads a script from the input, zeros when it is at its end.
class Script {
 public:
  Script(const std::uint8_t* data, std::size_t size) : data_(data), size_(size) {}
  std::uint64_t number(std::size_t bytes) {
    std::uint64_t value = 0;
    const std::size_t got = std::min(bytes, size_);
    std::memcpy(&value, data_, got);
    data_ += got;
    size_ -= got;
    return value;
  }
  [[nodiscard]] bool more() const { return size_ > 0; }

 private:
  const std::uint8_t* data_;
  std::size_t size_;
};

// What a host may do: write a word into the counters or into a slot's header.
void meddle(std::byte* memory, const creel::ring::Geometry& geometry, Script& script) {
  const std::uint64_t where = script.number(1);
  const std::uint64_t value =
      script.number(where % 2 == 0 ? 8 : 1);  // small numbers are the plausible ones
  std::uint64_t offset = where % 4 < 2 ? 0 : 128;
  if (where >= 64) {
    offset =
        creel::ring::kPage + where % geometry.slots * geometry.slot_stride() + where / 4 % 8 * 8;
  }
  std::memcpy(memory + offset, &value, sizeof value);
}

void check(const creel::ring::Consumer::View& view, const std::byte* memory,
           const creel::ring::Geometry& geometry) {
  require(view.block.bytes >= 1 && view.block.bytes <= geometry.payload_bytes);
  require(view.payload.size() == view.block.bytes);
  require(view.payload.data() >= memory &&
          view.payload.data() + view.payload.size() <= memory + geometry.total_bytes());
  require(view.block.frames >= 1 && view.block.first + view.block.frames > view.block.first);
  std::uint64_t sum = 0;  // touches every byte, for the address sanitizer
  for (const std::byte byte : view.payload) {
    sum += static_cast<std::uint64_t>(byte);
  }
  require(sum <= 255 * view.payload.size());
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using creel::ring::Consumer;
  using creel::ring::Geometry;
  using creel::ring::kPage;
  Script script(data, size);
  const Geometry geometry{static_cast<std::uint32_t>(3 + script.number(1) % 4),
                          1 + script.number(2) % 9000};
  auto* memory =
      static_cast<std::byte*>(::operator new (geometry.total_bytes(), std::align_val_t{kPage}));
  std::memset(memory, 0, geometry.total_bytes());
  Consumer consumer(memory, geometry);
  while (script.more()) {
    meddle(memory, geometry, script);
    const auto taken = consumer.take();
    require(taken.ok() || taken.error().code == creel::ErrorCode::corrupt);
    if (taken.ok() && taken->has_value()) {
      check(**taken, memory, geometry);
    }
    require(consumer.taken_not_released() <= geometry.slots);
    consumer.release(std::min<std::uint64_t>(script.number(1) % 3, consumer.taken_not_released()));
  }
  ::operator delete (memory, std::align_val_t{kPage});
  return 0;
}
