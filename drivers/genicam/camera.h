// One GenICam camera through Aravis, with Aravis' errors as kit::Failure. Feature names and their
// meaning: EMVA, GenICam Standard Features Naming Convention (SFNC) 2.7; frames: AIA, GigE Vision.
#pragma once

#include <arv.h>

#include <atomic>
#include <cstdint>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <utility>

#include "drivers/kit/kit.h"

namespace creel::genicam {

struct Unref {
  void operator()(gpointer object) const { g_object_unref(object); }
};
template <class T>
using Ref = std::unique_ptr<T, Unref>;

/// Which camera, and how to talk to it.
struct Wanted {
  std::string camera;  ///< Aravis' device id or network address; "" = the first that fits
  std::string serial;  ///< "" = any
  std::string interface_address;      ///< own address on which it must be reached; "" = any
  bool usb = false;                   ///< USB3 Vision instead of GigE Vision
  std::int64_t packet_size = 0;       ///< bytes; 0 = as negotiated
  std::int64_t packet_delay_ns = -1;  ///< -1 = as the camera has it
};

/// Calls of one camera. Not thread-safe but for lost().
class Camera {
 public:
  /// Finds and opens it. Throws Failure(CREEL_E_DEVICE_LOST) with a list of what was found instead.
  explicit Camera(const Wanted& wanted);
  ~Camera();
  Camera(const Camera&) = delete;
  Camera& operator=(const Camera&) = delete;

  /// Whether the camera stopped answering for good. Any thread.
  [[nodiscard]] bool lost() const { return lost_; }
  [[nodiscard]] nlohmann::json identity();
  [[nodiscard]] bool has(const char* feature);
  [[nodiscard]] std::string text(const char* feature, const std::string& otherwise);
  [[nodiscard]] std::string pixel_format();

  /// Runs `call(&error)` and throws Failure(`what`: Aravis' words) when it sets the error.
  template <class Call>
  auto ask(const std::string& what, Call&& call) {
    GError* error = nullptr;
    if constexpr (std::is_void_v<decltype(call(&error))>) {
      call(&error);
      check(what, error);
    } else {
      auto answer = call(&error);
      check(what, error);
      return answer;
    }
  }
  [[nodiscard]] ArvCamera* get() const { return camera_.get(); }

 private:
  void check(const std::string& what, GError* error) const;
  void set_up_packets(const Wanted& wanted);
  void check_interface(const Wanted& wanted);

  Ref<ArvCamera> camera_;
  std::atomic<bool> lost_{false};
};

}  // namespace creel::genicam
