#include "drivers/host/frames.h"

#include <poll.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include <nlohmann/json.hpp>
#include <thread>
#include <utility>

#include "drivers/host/crash.h"
#include "protocol/host/messages.h"

namespace creel::host {
namespace {

using nlohmann::json;

// How long read_frame may sit on no frame, and how often a full ring is looked at without being
// woken.
constexpr std::uint32_t kReadTimeoutMs = 100;
// On an accelerated rig a driver that came back empty would not be waiting, and time could pass it
// by: it stays in its wait, which a halt ends at once.
constexpr std::uint32_t kAcceleratedReadTimeoutMs = 86'400'000;
constexpr int kRoomTimeoutMs = 20;
constexpr std::size_t kLongestSentence = 1000;

ErrorCode meaning(std::int64_t code) {
  switch (code) {
    case CREEL_E_INVALID:
      return ErrorCode::invalid_request;
    case CREEL_E_STATE:
      return ErrorCode::refused;
    case CREEL_E_TIMEOUT:
      return ErrorCode::timed_out;
    case CREEL_E_DEVICE_LOST:
      return ErrorCode::device_lost;
    case CREEL_E_CANCELLED:
      return ErrorCode::cancelled;
    case CREEL_E_REFUSED:
      return ErrorCode::refused;
    default:
      return ErrorCode::internal;
  }
}

}  // namespace

Error driver_error(const creel_device_calls& calls, creel_device* device, const std::string& name,
                   const std::string& call, std::int64_t code) {
  std::string sentence = driver_text(calls.last_error(device), kLongestSentence);
  if (sentence.empty()) {
    sentence = "the driver gave no reason (code " + std::to_string(code) + ")";
  }
  return {meaning(code), name + ": " + call + ": " + sentence};
}

std::uint64_t frame_bytes(const creel_exposure& armed) {
  if (armed.pixel == CREEL_PIXEL_EVENT) {
    return armed.most_events * std::uint64_t{sizeof(creel_event)};
  }
  const std::uint64_t pixel = armed.pixel == CREEL_PIXEL_U8    ? 1
                              : armed.pixel == CREEL_PIXEL_U16 ? 2
                                                               : 4;
  return static_cast<std::uint64_t>(armed.rows) * armed.columns * pixel;
}

Result<MappedRing> MappedRing::map(ring::Geometry geometry, std::vector<Descriptor> descriptors) {
  if (descriptors.size() != 3) {
    return Error{ErrorCode::invalid_request,
                 "ring: " + std::to_string(descriptors.size()) +
                     " descriptors came with it; must be memory, ready, freed"};
  }
  struct stat what {};
  if (::fstat(descriptors[0].get(), &what) != 0 || what.st_size < 0 ||
      static_cast<std::uint64_t>(what.st_size) < geometry.total_bytes()) {
    return Error{ErrorCode::invalid_request, "ring: its memory is smaller than " +
                                                 std::to_string(geometry.total_bytes()) + " bytes"};
  }
  void* memory = ::mmap(nullptr, geometry.total_bytes(), PROT_READ | PROT_WRITE, MAP_SHARED,
                        descriptors[0].get(), 0);
  if (memory == MAP_FAILED) {
    return Error{ErrorCode::internal, "ring: its memory cannot be mapped"};
  }
  return MappedRing(static_cast<std::byte*>(memory), geometry, std::move(descriptors[1]),
                    std::move(descriptors[2]));
}

MappedRing::MappedRing(MappedRing&& other) noexcept
    : producer(other.producer),
      geometry(other.geometry),
      ready(std::move(other.ready)),
      freed(std::move(other.freed)),
      memory_(std::exchange(other.memory_, nullptr)) {}

MappedRing::~MappedRing() {
  if (memory_ != nullptr) {
    ::munmap(memory_, geometry.total_bytes());
  }
}

Frames::Frames(const creel_detector_calls& calls, const creel_device_calls& device_calls,
               const Services& services, Outbox& outbox, std::string device_name)
    : calls_(calls),
      device_calls_(device_calls),
      services_(services),
      outbox_(outbox),
      name_(std::move(device_name)) {}

Result<void> Frames::ready_to_start() const {
  if (armed_.frames_per_block == 0) {
    return Error{ErrorCode::refused, name_ + ": start: arm it first"};
  }
  const std::uint64_t block = frame_bytes(armed_) * armed_.frames_per_block;
  if (!ring_) {
    return Error{ErrorCode::refused, name_ + ": start: give it a ring first"};
  }
  if (ring_->geometry.payload_bytes < block) {
    return Error{ErrorCode::refused, name_ + ": start: a block has " + std::to_string(block) +
                                         " bytes, a slot of the ring " +
                                         std::to_string(ring_->geometry.payload_bytes) +
                                         "; give it a new ring"};
  }
  return {};
}

void Frames::begin(creel_device* device) {
  {
    const std::lock_guard lock(mutex_);
    active_ = true;
  }
  std::thread([this, device] { run(device); }).detach();  // it may be lost inside the driver
}

void Frames::halt(Halt why) {
  Halt none = Halt::none;
  halt_.compare_exchange_strong(none, why);
}

bool Frames::active() const {
  const std::lock_guard lock(mutex_);
  return active_;
}

bool Frames::wait_until_ended(std::chrono::milliseconds limit) const {
  std::unique_lock lock(mutex_);
  return ended_.wait_for(lock, limit, [this] { return !active_; });
}

void Frames::run(creel_device* device) {
  const CrashStack stack;
  const Services::CallScope scope(services_, false);
  const Result<void> end = deliver(device);
  json error = nullptr;
  if (!end.ok()) {
    error = {{"code", error_name(end.error().code)}, {"text", end.error().text}};
  }
  // Together: after the event a start is accepted, and stop answers only after the event.
  const std::lock_guard lock(mutex_);
  outbox_.send(make_event("frames_ended", {{"error", std::move(error)}}));
  active_ = false;
  ended_.notify_all();
}

Result<void> Frames::deliver(creel_device* device) {
  while (halt_ == Halt::none) {
    const auto slot = ring_->producer.slot();
    if (!slot) {
      wait_for_room();
      continue;
    }
    creel_frame_info info{};
    info.struct_size = sizeof info;
    const std::int64_t got =
        calls_.read_frame(device, slot->data(), slot->size(), &info,
                          services_.accelerated() ? kAcceleratedReadTimeoutMs : kReadTimeoutMs);
    if (got == CREEL_E_STATE) {
      return {};  // that was the last frame
    }
    if (got < 0 && (halt_ == Halt::none || got != CREEL_E_CANCELLED)) {
      return driver_error(device_calls_, device, name_, "read_frame", got);
    }
    if (got > 0) {
      CREEL_TRY(hand_over(got, info));
      if (armed_.frames > 0 && info.first + info.frames >= armed_.frames) {
        return {};  // the last one; asking on would need a free slot, which may take a while
      }
    }
  }
  if (halt_ == Halt::made_safe) {
    return Error{ErrorCode::cancelled,
                 name_ + ": the acquisition ended because the device was made safe"};
  }
  return {};
}

Result<void> Frames::hand_over(std::int64_t bytes, const creel_frame_info& info) {
  const std::uint64_t expected = info.frames * frame_bytes(armed_);
  if (info.frames == 0 || info.frames > armed_.frames_per_block ||
      static_cast<std::uint64_t>(bytes) != expected) {
    return Error{ErrorCode::internal, name_ + ": read_frame: the driver delivered " +
                                          std::to_string(bytes) + " bytes for " +
                                          std::to_string(info.frames) +
                                          " frames; as armed, a block has 1 to " +
                                          std::to_string(armed_.frames_per_block) + " frames of " +
                                          std::to_string(frame_bytes(armed_)) + " bytes"};
  }
  const bool lists_events = armed_.pixel == CREEL_PIXEL_EVENT;
  if (info.events > (lists_events ? armed_.most_events : 0) ||
      info.events_lost > (lists_events ? ring::kMostLost : 0)) {
    return Error{ErrorCode::internal,
                 name_ + ": read_frame: the driver delivered " + std::to_string(info.events) +
                     " events and lost " + std::to_string(info.events_lost) +
                     "; as armed, a frame has room for " + std::to_string(armed_.most_events)};
  }
  ring::Block block;
  block.events = info.events;
  block.events_lost = info.events_lost;
  block.bytes = expected;
  block.first = info.first;
  block.frames = info.frames;
  block.flags = info.flags;
  block.start_ns = info.start_ns;
  block.exposure_ns = info.exposure_ns;
  block.period_ns = info.period_ns;
  block.device_stamp = info.device_stamp;
  ring_->producer.publish(block);
  const std::uint64_t one = 1;
  [[maybe_unused]] const auto written = ::write(ring_->ready.get(), &one, sizeof one);
  return {};
}

void Frames::wait_for_room() const {
  pollfd freed{ring_->freed.get(), POLLIN, 0};
  if (::poll(&freed, 1, kRoomTimeoutMs) > 0) {
    std::uint64_t count = 0;
    [[maybe_unused]] const auto got = ::read(ring_->freed.get(), &count, sizeof count);
  }
}

}  // namespace creel::host
