// One open device: turns the calls of the protocol (protocol/host/messages.h) into calls of the
// driver ABI, checks what goes in and what comes out, and words the errors.
//
// SAFETY: software shutter control is NOT a personnel-safety interlock. A class 4 laser needs
// hard-wired interlocks, eyewear and a laser safety officer (IEC 60825-1, ANSI Z136.1, local
// rules).
#pragma once

#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/host/frames.h"
#include "drivers/host/outbox.h"
#include "drivers/host/plugin.h"
#include "drivers/host/services.h"
#include "protocol/base/result.h"
#include "protocol/host/channel.h"

namespace creel::host {

/// Control thread, except where marked. Lives until the process ends.
class Device {
 public:
  /// Opens the device `name` of `calls`. The driver's own error otherwise.
  static Result<std::unique_ptr<Device>> open(const Calls& calls, const std::string& name,
                                              nlohmann::json config, Services& services,
                                              Outbox& outbox);

  /// One call of the protocol by name, "open", "renew", "ping" and "make_safe" excepted.
  Result<nlohmann::json> call(const std::string& name, const nlohmann::json& arguments,
                              std::vector<Descriptor> descriptors);
  /// To be told after the answer of a successful "start" was sent: frames may flow.
  void started() { frames_.begin(device_); }
  Result<nlohmann::json> describe();
  Result<nlohmann::json> settings(const nlohmann::json& arguments,
                                  std::vector<Descriptor> descriptors);

  [[nodiscard]] bool is_shutter() const { return calls_.kind == CREEL_KIND_SHUTTER; }
  [[nodiscard]] bool has_timer() const { return calls_.shutter.renew != nullptr; }
  /// Extends the lease in the device's own timer.
  Result<void> renew(std::int64_t open_for_ns);

  /// Any thread: ends waits and the acquisition, then makes the device safe. The driver's code.
  std::int32_t make_safe();
  /// Any thread. The driver's words about its last failure.
  [[nodiscard]] Error failure(const std::string& call, std::int64_t code) const;
  /// Any thread, when no other call runs: frees the device. Nothing may be called after it.
  void close() { calls_.device.close(device_); }
  /// Any thread. False while the frames thread is inside the driver after `limit`.
  [[nodiscard]] bool frames_ended(std::chrono::milliseconds limit) const {
    return frames_.wait_until_ended(limit);
  }

 private:
  using Arguments = const nlohmann::json&;
  using Descriptors = std::vector<Descriptor>;
  using Answer = Result<nlohmann::json>;
  struct Entry;
  static const Entry kEntries[];

  Device(const Calls& calls, std::string name, Services& services, Outbox& outbox);
  Answer set(Arguments arguments, Descriptors descriptors);
  Answer arm(Arguments arguments, Descriptors descriptors);
  Answer ring(Arguments arguments, Descriptors descriptors);
  Answer start(Arguments arguments, Descriptors descriptors);
  Answer stop(Arguments arguments, Descriptors descriptors);
  Answer open_shutter(Arguments arguments, Descriptors descriptors);
  Answer close_shutter(Arguments arguments, Descriptors descriptors);
  Answer state(Arguments arguments, Descriptors descriptors);
  Answer read(Arguments arguments, Descriptors descriptors);
  Answer move(Arguments arguments, Descriptors descriptors);

  Result<void> not_acquiring(const std::string& call) const;
  Answer object_of(const std::string& call, const char* text) const;
  Result<void> check(const creel_exposure& armed) const;

  const Calls calls_;
  const std::string name_;
  Services& services_;
  Frames frames_;
  creel_device* device_ = nullptr;
};

/// The whole number `key` of a call's arguments within [least, most]; invalid_request otherwise.
Result<std::int64_t> whole_number(const nlohmann::json& arguments, const char* key,
                                  std::int64_t least, std::int64_t most);

}  // namespace creel::host
