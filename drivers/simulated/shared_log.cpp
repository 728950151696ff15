#include "drivers/simulated/shared_log.h"

#include <string>

namespace creel::simulated {
namespace {

constexpr std::int32_t kBias = 65536;
constexpr std::size_t kOwnWords = 1 << 16;
constexpr std::size_t kLeastWords = 1024;

std::uint64_t pack(const sim::Event& event) {
  const auto microseconds =
      static_cast<std::uint64_t>(SharedLog::whole_microsecond(event.t_ns) / 1000);
  return microseconds << 21 | static_cast<std::uint64_t>(event.channel) << 17 |
         (static_cast<std::uint64_t>(event.value + kBias) & 0x1FFFF);
}

sim::Event unpack(std::uint64_t word) {
  return {static_cast<std::int64_t>(word >> 21) * 1000,
          static_cast<sim::Channel>((word >> 17) & 0xF),
          static_cast<std::int32_t>(word & 0x1FFFF) - kBias};
}

}  // namespace

SharedLog::SharedLog(const kit::Services& services, std::uint64_t world_fingerprint) {
  std::span<std::byte> memory = services.shared_memory();
  if (memory.empty()) {
    own_.resize(sizeof(Head) / 8 + kOwnWords);
    memory = std::as_writable_bytes(std::span(own_));
  }
  if (memory.size() < sizeof(Head) + 8 * kLeastWords) {
    throw kit::Failure(CREEL_E_INVALID, "the rig shares " + std::to_string(memory.size()) +
                                            " bytes; a simulated rig needs at least " +
                                            std::to_string(sizeof(Head) + 8 * kLeastWords));
  }
  head_ = reinterpret_cast<Head*>(memory.data());
  words_ = {reinterpret_cast<std::atomic<std::uint64_t>*>(memory.data() + sizeof(Head)),
            (memory.size() - sizeof(Head)) / 8};
  std::uint64_t first = 0;
  if (!head_->fingerprint.compare_exchange_strong(first, world_fingerprint) &&
      first != world_fingerprint) {
    throw kit::Failure(
        CREEL_E_INVALID,
        "config field world: differs from that of another simulated device of this rig; "
        "give all of them the same world");
  }
}

bool SharedLog::append(const sim::Event& event) {
  const std::uint64_t word = pack(event);
  const bool closes = event.channel < sim::Channel::stage_x && event.value == 0;
  const std::size_t room = closes ? words_.size() : words_.size() - kReserve;
  for (std::size_t i = head_->used.load(std::memory_order_acquire); i < room; ++i) {
    std::uint64_t free = 0;
    if (words_[i].compare_exchange_strong(free, word, std::memory_order_acq_rel)) {
      // A hint only: should another be ahead, it may fall back and someone looks a little longer.
      head_->used.store(i + 1, std::memory_order_release);
      return true;
    }
  }
  return false;
}

std::vector<sim::Event> SharedLog::read(std::size_t from) const {
  std::vector<sim::Event> events;
  for (std::size_t i = from; i < words_.size(); ++i) {
    const std::uint64_t word = words_[i].load(std::memory_order_acquire);
    if (word == 0) {
      break;
    }
    events.push_back(unpack(word));
  }
  return events;
}

std::int32_t SharedLog::last(sim::Channel channel, std::int32_t otherwise) const {
  for (std::size_t i = 0; i < words_.size(); ++i) {
    const std::uint64_t word = words_[i].load(std::memory_order_acquire);
    if (word == 0) {
      break;
    }
    if (const sim::Event event = unpack(word); event.channel == channel) {
      otherwise = event.value;
    }
  }
  return otherwise;
}

}  // namespace creel::simulated
