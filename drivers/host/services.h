// The services that a driver gets (creel_services): world time, waiting, log, the rig's shared
// memory.
#pragma once

#include <atomic>
#include <cstdint>

#include "drivers/host/outbox.h"
#include "protocol/base/result.h"
#include "protocol/clock/world_page.h"
#include "protocol/driver/creel_driver.h"
#include "protocol/host/channel.h"

namespace creel::host {

/// The rig's memory as mapped here: the world page, and behind it what simulated devices share.
class RigMemory {
 public:
  /// Maps the daemon's memfd: writable on a simulated rig (world time is accelerated, or memory is
  /// shared), read-only otherwise. Without one (-1) a private page in real mode. corrupt when it is
  /// not a world page.
  static Result<RigMemory> map(const Descriptor& fd);
  RigMemory(RigMemory&& other) noexcept;
  RigMemory& operator=(RigMemory&&) = delete;
  ~RigMemory();

  [[nodiscard]] WorldTimeline timeline() const { return WorldTimeline(page_); }
  [[nodiscard]] void* shared() const;  ///< nullptr: none
  [[nodiscard]] std::uint64_t shared_bytes() const { return bytes_ - kWorldPageBytes; }

 private:
  RigMemory(WorldPage* page, std::uint64_t bytes) : page_(page), bytes_(bytes) {}
  WorldPage* page_;
  std::uint64_t bytes_;
};

/// Lives as long as the device. All calls: any thread.
class Services {
 public:
  Services(RigMemory memory, Outbox& outbox);
  Services(const Services&) = delete;
  Services& operator=(const Services&) = delete;

  [[nodiscard]] const creel_services* table() const { return &table_; }
  [[nodiscard]] WorldTime now() const { return timeline_.now(); }
  [[nodiscard]] bool accelerated() const { return timeline_.accelerated(); }
  /// Ends every wait of every driver call that has begun; calls that begin later may wait again.
  void cancel_waits() { ++cancelled_; }

  /// Marks the time during which one driver call runs on this thread. `answered`: the daemon waits
  /// for what comes of it; so for all calls but read_frame.
  class CallScope {
   public:
    explicit CallScope(const Services& services, bool answered = true);
    ~CallScope();
    CallScope(const CallScope&) = delete;
    CallScope& operator=(const CallScope&) = delete;

   private:
    std::int64_t before_;
    bool answered_before_;
  };

 private:
  static std::int64_t world_now(void* self);
  static std::int32_t wait_until(void* self, std::int64_t world_ns);
  static void log(void* self, std::int32_t level, const char* text);
  static void* shared_memory(void* self, std::uint64_t* bytes);
  static std::uint64_t seed(void* self);

  RigMemory memory_;
  WorldTimeline timeline_;
  Outbox& outbox_;
  creel_services table_;
  std::atomic<std::int64_t> cancelled_{0};
};

}  // namespace creel::host
