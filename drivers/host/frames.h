// The frames thread: carries blocks from the driver's read_frame straight into the ring's slots.
#pragma once

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "drivers/host/outbox.h"
#include "drivers/host/plugin.h"
#include "drivers/host/services.h"
#include "protocol/base/result.h"
#include "protocol/host/channel.h"
#include "protocol/ring/ring.h"

namespace creel::host {

/// The ring as the daemon sent it. Owns the mapping and the descriptors.
class MappedRing {
 public:
  /// `descriptors`: memory, ready, freed. invalid_request when the memory is smaller than the
  /// geometry.
  static Result<MappedRing> map(ring::Geometry geometry, std::vector<Descriptor> descriptors);
  MappedRing(MappedRing&& other) noexcept;
  MappedRing& operator=(MappedRing&&) = delete;
  ~MappedRing();

  ring::Producer producer;
  ring::Geometry geometry;
  Descriptor ready;  ///< written after each block: wakes the daemon
  Descriptor freed;  ///< written by the daemon when it released slots

 private:
  MappedRing(std::byte* memory, ring::Geometry shape, Descriptor to_daemon, Descriptor from_daemon)
      : producer(memory, shape),
        geometry(shape),
        ready(std::move(to_daemon)),
        freed(std::move(from_daemon)),
        memory_(memory) {}
  std::byte* memory_;
};

/// One detector's acquisitions, one at a time. Control thread, except halt(). Lives until the
/// process ends: its thread may be lost inside the driver.
class Frames {
 public:
  enum class Halt : std::uint8_t { none, stopped, made_safe };

  Frames(const creel_detector_calls& calls, const creel_device_calls& device_calls,
         const Services& services, Outbox& outbox, std::string device_name);

  void use(MappedRing ring) { ring_.emplace(std::move(ring)); }
  void shape(const creel_exposure& armed) { armed_ = armed; }
  /// refused, with what has to be done first, unless a ring large enough for a block is there.
  [[nodiscard]] Result<void> ready_to_start() const;
  /// Forgets the last halt(). Before the driver's start, so that a halt() during it counts.
  void prepare() { halt_ = Halt::none; }
  /// Starts the thread; it ends by itself after the last frame, at a failure, or at halt(), and
  /// then sends "frames_ended".
  void begin(creel_device* device);
  /// Any thread, does not wait. The first reason counts.
  void halt(Halt why);
  [[nodiscard]] bool active() const;
  /// False when the thread is still inside the driver after `limit`.
  bool wait_until_ended(std::chrono::milliseconds limit) const;

 private:
  void run(creel_device* device);
  Result<void> deliver(creel_device* device);
  Result<void> hand_over(std::int64_t bytes, const creel_frame_info& info);
  Error failure(creel_device* device, std::int64_t code) const;
  void wait_for_room() const;

  const creel_detector_calls calls_;
  const creel_device_calls device_calls_;
  const Services& services_;
  Outbox& outbox_;
  const std::string name_;
  std::optional<MappedRing> ring_;
  creel_exposure armed_{};
  std::atomic<Halt> halt_{Halt::none};
  mutable std::mutex mutex_;
  mutable std::condition_variable ended_;
  bool active_ = false;
};

/// Bytes of one frame as armed.
std::uint64_t frame_bytes(const creel_exposure& armed);

/// A negative code of the driver as an Error, with the driver's own sentence.
Error driver_error(const creel_device_calls& calls, creel_device* device, const std::string& name,
                   const std::string& call, std::int64_t code);

}  // namespace creel::host
