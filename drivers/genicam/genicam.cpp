// Detector: any monochrome GenICam camera (GigE Vision, USB3 Vision) through Aravis. Config, all
// optional:
//   "camera"             Aravis' device id or the camera's network address; "" = the first that
//   fits "serial"             its serial number "interface_address"  own network address over which
//   it must be reached "transport"          "gige" (default) or "usb3" "packet_size" (bytes),
//   "packet_delay_ns"   GigE Vision only "pixel_format"       "" = the deepest of Mono16, Mono14,
//   Mono12, Mono10, Mono8 that it offers "width", "height", "offset_x", "offset_y"  region of the
//   sensor; 0 = as the camera has it "trigger"            "free" (default: it exposes one frame
//   after another) or "software" (each frame begins
//                        when the last one is there)
//   "readout_ms"         from the end of integration until a frame can be here, for planning;
//   default 50
// Settings have SFNC names and units (ExposureTime in microseconds belongs to arm and is only
// shown). The rig must grant the sandbox network (or USB). The rig's clock must be in real mode:
// exposures are real.
//
// When a frame began is not told by every camera: it is taken as the arrival of its first packet
// less the exposure (free), or as the time of its trigger (software). The exact time is in the
// device's own stamp.
#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <condition_variable>
#include <cstring>
#include <functional>
#include <mutex>
#include <thread>

#include "drivers/genicam/camera.h"
#include "drivers/kit/config.h"
#include "drivers/kit/kit.h"

namespace creel::genicam {
namespace {

struct Format {
  const char* name;
  std::uint32_t saturation;
};
// Deepest first. Unpacked formats only: each pixel of more than 8 bits is a 16-bit word, low bits
// used.
constexpr std::array<Format, 5> kFormats = {
    {{"Mono16", 65535}, {"Mono14", 16383}, {"Mono12", 4095}, {"Mono10", 1023}, {"Mono8", 255}}};
constexpr std::array<const char*, 6> kIntegers = {
    "Width", "Height", "OffsetX", "OffsetY", "BinningHorizontal", "BinningVertical"};
constexpr std::array<const char*, 2> kFloats = {"Gain", "BlackLevel"};
constexpr std::int64_t kSlice_us =
    20'000;  // a waiting read looks this often whether it was stopped

struct Setup {
  Wanted wanted;
  std::string pixel_format;
  std::int64_t width = 0, height = 0, offset_x = -1, offset_y = -1;
  bool software_trigger = false;
  std::int64_t readout_ns = 0;
};

Setup read_setup(const nlohmann::json& config) {
  Setup setup;
  kit::Config fields(config);
  fields.text("name", "");
  setup.wanted.camera = fields.text("camera", "");
  setup.wanted.serial = fields.text("serial", "");
  setup.wanted.interface_address = fields.text("interface_address", "");
  setup.wanted.usb = fields.choice("transport", "gige", {"gige", "usb3"}) == "usb3";
  setup.wanted.packet_size = fields.integer("packet_size", 0, 0, 65535);
  setup.wanted.packet_delay_ns = fields.integer("packet_delay_ns", -1, -1, 1'000'000'000);
  setup.pixel_format =
      fields.choice("pixel_format", "", {"", "Mono16", "Mono14", "Mono12", "Mono10", "Mono8"});
  setup.width = fields.integer("width", 0, 0, 1 << 20);
  setup.height = fields.integer("height", 0, 0, 1 << 20);
  setup.offset_x = fields.integer("offset_x", -1, -1, 1 << 20);
  setup.offset_y = fields.integer("offset_y", -1, -1, 1 << 20);
  setup.software_trigger = fields.choice("trigger", "free", {"free", "software"}) == "software";
  setup.readout_ns = std::llround(fields.number("readout_ms", 50, 0, 60'000) * 1e6);
  fields.done();
  return setup;
}

/// Gives orders to the camera from a thread of its own, so that stop and make_safe return in time
/// even when the camera does not answer.
class Errand {
 public:
  explicit Errand(std::function<void()> work)
      : work_(std::move(work)), thread_([this] { run(); }) {}
  ~Errand() {
    {
      const std::lock_guard lock(mutex_);
      ending_ = true;
      changed_.notify_all();
    }
    thread_.join();
  }
  Errand(const Errand&) = delete;
  Errand& operator=(const Errand&) = delete;

  void ask() {
    const std::lock_guard lock(mutex_);
    asked_ = true;
    changed_.notify_all();
  }
  /// Whether it is done, waiting for it at most this long.
  bool done_within(std::chrono::milliseconds limit) {
    std::unique_lock lock(mutex_);
    return changed_.wait_for(lock, limit, [this] { return !asked_; });
  }

 private:
  void run() {
    std::unique_lock lock(mutex_);
    while (true) {
      changed_.wait(lock, [this] { return asked_ || ending_; });
      if (ending_) {
        return;
      }
      lock.unlock();
      work_();
      lock.lock();
      asked_ = false;
      changed_.notify_all();
    }
  }
  std::function<void()> work_;
  std::mutex mutex_;
  std::condition_variable changed_;
  bool asked_ = false, ending_ = false;
  std::thread thread_;
};

class Detector : public kit::Detector {
 public:
  Detector(const nlohmann::json& config, kit::Services services);
  ~Detector() override;
  nlohmann::json describe() override;
  nlohmann::json settings() override;
  void set(const std::string& name, const nlohmann::json& value) override;
  void arm(creel_exposure& exposure) override;
  void start() override;
  std::size_t read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                         std::uint32_t timeout_ms) override;
  void stop() override;
  void make_safe() override;

 private:
  void choose_format();
  void choose_region();
  void manual_everything();
  void set_mode(std::uint32_t frames);
  void set_exposure(double microseconds);
  void prepare_stream();
  void fire_trigger();
  void order_stop();
  std::int64_t integer(const char* feature);
  std::uint64_t index_of(std::uint64_t frame_id);
  std::size_t copy(ArvBuffer* from, std::span<std::byte> to, creel_frame_info& info);
  std::int64_t began_ns(ArvBuffer* buffer) const;

  kit::Services services_;
  Setup setup_;
  std::recursive_mutex camera_mutex_;  // Aravis' feature tree is not made for several threads
  Camera camera_;
  Ref<ArvStream> stream_;
  std::uint32_t rows_ = 0, columns_ = 0, saturation_ = 0, bytes_per_pixel_ = 2;

  std::int64_t exposure_ns_ = 0;
  std::atomic<bool> stopping_{false};
  std::atomic<bool> running_{false};  // the camera was told to acquire
  bool any_frame_ = false;
  std::uint64_t last_id_ = 0, last_index_ = 0;
  std::int64_t last_began_ns_ = 0, triggered_ns_ = 0;
  Errand stop_errand_;  // last: it uses all of the above
};

Detector::Detector(const nlohmann::json& config, kit::Services services)
    : services_(services),
      setup_(read_setup(config)),
      camera_(setup_.wanted),
      stop_errand_([this] { order_stop(); }) {
  order_stop();  // whoever had it before may have left it running
  choose_format();
  choose_region();
  manual_everything();
}

Detector::~Detector() {
  order_stop();
  stream_.reset();
}

void Detector::choose_format() {
  for (const Format& format : kFormats) {
    const bool wanted = setup_.pixel_format.empty() || setup_.pixel_format == format.name;
    const bool offered = wanted && camera_.ask("PixelFormat", [&](GError** error) {
      return arv_camera_is_enumeration_entry_available(camera_.get(), "PixelFormat", format.name,
                                                       error);
    });
    if (offered) {
      camera_.ask(std::string("PixelFormat ") + format.name, [&](GError** error) {
        arv_camera_set_pixel_format_from_string(camera_.get(), format.name, error);
      });
      saturation_ = format.saturation;
      bytes_per_pixel_ = format.saturation > 255 ? 2 : 1;
      return;
    }
  }
  throw kit::Failure(
      CREEL_E_INVALID,
      setup_.pixel_format.empty()
          ? "the camera offers no monochrome format that this driver reads"
          : "config field pixel_format: the camera does not offer " + setup_.pixel_format);
}

void Detector::choose_region() {
  const auto put = [this](const char* feature, const char* field, std::int64_t value,
                          std::int64_t unset) {
    if (value == unset) {
      return;
    }
    try {
      set(feature, value);
    } catch (const kit::Failure& failure) {
      throw kit::Failure(failure.code(),
                         std::string("config field ") + field + ": " + failure.what());
    }
  };
  put("Width", "width", setup_.width, 0);
  put("Height", "height", setup_.height, 0);
  put("OffsetX", "offset_x", setup_.offset_x, -1);
  put("OffsetY", "offset_y", setup_.offset_y, -1);
}

/// A camera that adjusts itself between frames measures nothing.
void Detector::manual_everything() {
  for (const char* feature : {"ExposureAuto", "GainAuto", "BlackLevelAuto"}) {
    if (camera_.has(feature)) {
      camera_.ask(feature, [&](GError** error) {
        arv_camera_set_string(camera_.get(), feature, "Off", error);
      });
    }
  }
  if (camera_.has("ExposureMode")) {
    camera_.ask("ExposureMode", [&](GError** error) {
      arv_camera_set_string(camera_.get(), "ExposureMode", "Timed", error);
    });
  }
}

std::int64_t Detector::integer(const char* feature) {
  return camera_.ask(feature, [&](GError** error) {
    return arv_camera_get_integer(camera_.get(), feature, error);
  });
}

nlohmann::json Detector::describe() {
  const std::lock_guard lock(camera_mutex_);
  double shortest_us = 0;
  double longest_us = 0;
  camera_.ask("ExposureTime", [&](GError** error) {
    arv_camera_get_exposure_time_bounds(camera_.get(), &shortest_us, &longest_us, error);
  });
  nlohmann::json settings = nlohmann::json::object();
  for (const char* feature : kIntegers) {
    if (camera_.has(feature)) {
      gint64 least = 0;
      gint64 most = 0;
      camera_.ask(feature, [&](GError** error) {
        arv_camera_get_integer_bounds(camera_.get(), feature, &least, &most, error);
      });
      settings[feature] = {{"type", "integer"}, {"unit", "pixel"}, {"min", least}, {"max", most}};
    }
  }
  for (const char* feature : kFloats) {
    if (camera_.has(feature)) {
      double least = 0;
      double most = 0;
      camera_.ask(feature, [&](GError** error) {
        arv_camera_get_float_bounds(camera_.get(), feature, &least, &most, error);
      });
      settings[feature] = {{"type", "number"}, {"unit", ""}, {"min", least}, {"max", most}};
    }
  }
  return {{"identity", camera_.identity()},
          {"settings", settings},
          {"shape", {{"rows", integer("Height")}, {"columns", integer("Width")}}},
          {"pixel", bytes_per_pixel_ == 2 ? "u16" : "u8"},
          {"exposure_ns",
           {{"min", std::llround(shortest_us * 1e3)},
            {"max", std::llround(longest_us * 1e3)},
            {"step", 1}}},
          {"readout_ns", setup_.readout_ns},
          {"frames_per_block", 1},
          {"saturation", saturation_},
          {"gain", {{"counts_per_electron", "unknown"}}},
          {"read_noise", "unknown"},
          {"triggers", {setup_.software_trigger ? "software" : "free"}},
          {"can_pause", setup_.software_trigger}};
}

nlohmann::json Detector::settings() {
  const std::lock_guard lock(camera_mutex_);
  nlohmann::json values = {{"PixelFormat", camera_.pixel_format()}};
  for (const char* feature : kIntegers) {
    if (camera_.has(feature)) {
      values[feature] = integer(feature);
    }
  }
  for (const char* feature : {"Gain", "BlackLevel", "DeviceTemperature"}) {
    if (camera_.has(feature)) {
      values[feature] = camera_.ask(feature, [&](GError** error) {
        return arv_camera_get_float(camera_.get(), feature, error);
      });
    }
  }
  values["ExposureTime"] = camera_.ask("ExposureTime", [&](GError** error) {
    return arv_camera_get_exposure_time(camera_.get(), error);
  });
  for (const char* feature : {"AcquisitionMode", "TriggerMode", "TriggerSource"}) {
    values[feature] = camera_.text(feature, "unknown");
  }
  if (!setup_.wanted.usb) {
    values["GevSCPSPacketSize"] = camera_.ask("packet size", [&](GError** error) {
      return arv_camera_gv_get_packet_size(camera_.get(), error);
    });
  }
  return values;
}

void Detector::set(const std::string& name, const nlohmann::json& value) {
  const std::lock_guard lock(camera_mutex_);
  const auto one_of = [&](const auto& names) {
    return std::any_of(names.begin(), names.end(),
                       [&](const char* known) { return name == known; }) &&
           camera_.has(name.c_str());
  };
  const bool whole = one_of(kIntegers);
  if (!whole && !one_of(kFloats)) {
    throw kit::Failure(CREEL_E_INVALID,
                       "setting " + name + " is not known, or the camera does not have it");
  }
  gint64 least_integer = 0;
  gint64 most_integer = 0;
  double least = 0;
  double most = 0;
  camera_.ask(name, [&](GError** error) {
    whole ? arv_camera_get_integer_bounds(camera_.get(), name.c_str(), &least_integer,
                                          &most_integer, error)
          : arv_camera_get_float_bounds(camera_.get(), name.c_str(), &least, &most, error);
  });
  if (whole) {
    least = static_cast<double>(least_integer);
    most = static_cast<double>(most_integer);
  }
  const double number = value.is_number() ? value.get<double>() : std::nan("");
  if (!(number >= least) || !(number <= most) || (whole && number != std::floor(number))) {
    throw kit::Failure(CREEL_E_INVALID, "setting " + name + ": given " + value.dump() +
                                            "; allowed: a " + (whole ? "whole " : "") +
                                            "number from " + std::to_string(least) + " to " +
                                            std::to_string(most));
  }
  camera_.ask(name, [&](GError** error) {
    whole ? arv_camera_set_integer(camera_.get(), name.c_str(), static_cast<gint64>(number), error)
          : arv_camera_set_float(camera_.get(), name.c_str(), number, error);
  });
}

/// SFNC: one frame, a counted number, or until stopped. A camera without a frame count runs on; the
/// kit stops asking after the last frame.
void Detector::set_mode(std::uint32_t frames) {
  const bool counts = frames > 1 && camera_.has("AcquisitionFrameCount");
  const char* mode = frames == 1 ? "SingleFrame" : counts ? "MultiFrame" : "Continuous";
  // With a software trigger each frame is asked for one by one.
  if (setup_.software_trigger) {
    mode = "Continuous";
  }
  camera_.ask(std::string("AcquisitionMode ") + mode, [&](GError** error) {
    arv_camera_set_string(camera_.get(), "AcquisitionMode", mode, error);
  });
  if (counts && !setup_.software_trigger) {
    camera_.ask("AcquisitionFrameCount", [&](GError** error) {
      arv_camera_set_integer(camera_.get(), "AcquisitionFrameCount", frames, error);
    });
  }
  camera_.ask("TriggerMode",
              [&](GError** error) { arv_camera_clear_triggers(camera_.get(), error); });
  if (setup_.software_trigger) {
    camera_.ask("TriggerSource Software",
                [&](GError** error) { arv_camera_set_trigger(camera_.get(), "Software", error); });
  }
}

void Detector::set_exposure(double microseconds) {
  // The frame rate must not limit the exposure: where the camera can be told so, it goes as fast as
  // it can.
  if (camera_.has("AcquisitionFrameRateEnable")) {
    camera_.ask("AcquisitionFrameRateEnable", [&](GError** error) {
      arv_camera_set_boolean(camera_.get(), "AcquisitionFrameRateEnable", FALSE, error);
    });
  } else if (camera_.ask("AcquisitionFrameRate", [&](GError** error) {
               return arv_camera_is_frame_rate_available(camera_.get(), error);
             })) {
    double slowest = 0;
    double fastest = 0;
    camera_.ask("AcquisitionFrameRate", [&](GError** error) {
      arv_camera_get_frame_rate_bounds(camera_.get(), &slowest, &fastest, error);
    });
    const double rate = std::clamp(1e6 / microseconds, slowest, fastest);
    camera_.ask("AcquisitionFrameRate",
                [&](GError** error) { arv_camera_set_frame_rate(camera_.get(), rate, error); });
  }
  camera_.ask("ExposureTime", [&](GError** error) {
    arv_camera_set_exposure_time(camera_.get(), microseconds, error);
  });
}

/// Buffers for about a second, within 256 MiB, and never fewer than 4: while all are full, frames
/// are lost, and the gap shows in their indices.
void Detector::prepare_stream() {
  const std::size_t payload = camera_.ask(
      "PayloadSize", [&](GError** error) { return arv_camera_get_payload(camera_.get(), error); });
  const std::size_t count =
      std::clamp<std::size_t>((std::size_t{256} << 20) / std::max<std::size_t>(payload, 1), 4, 64);
  if (!stream_) {
    stream_.reset(camera_.ask("stream", [&](GError** error) {
      return arv_camera_create_stream(camera_.get(), nullptr, nullptr, error);
    }));
    if (!stream_) {
      throw kit::Failure(CREEL_E_REFUSED, "the camera opens no stream");
    }
  }
  // Frames of an acquisition before this one must not be taken for frames of this one.
  arv_stream_stop_thread(stream_.get(), TRUE);
  for (std::size_t i = 0; i < count; ++i) {
    arv_stream_push_buffer(stream_.get(), arv_buffer_new_allocate(payload));
  }
  arv_stream_start_thread(stream_.get());
}

void Detector::arm(creel_exposure& exposure) {
  const std::lock_guard lock(camera_mutex_);
  order_stop();
  double shortest_us = 0;
  double longest_us = 0;
  camera_.ask("ExposureTime", [&](GError** error) {
    arv_camera_get_exposure_time_bounds(camera_.get(), &shortest_us, &longest_us, error);
  });
  const double asked_us = std::max(static_cast<double>(exposure.exposure_ns) * 1e-3, shortest_us);
  if (asked_us > longest_us) {
    throw kit::Failure(CREEL_E_INVALID, "exposure: given " + std::to_string(asked_us * 1e-6) +
                                            " s; this camera allows up to " +
                                            std::to_string(longest_us * 1e-6) + " s");
  }
  set_mode(exposure.frames);
  set_exposure(asked_us);
  const double really_us = camera_.ask("ExposureTime", [&](GError** error) {
    return arv_camera_get_exposure_time(camera_.get(), error);
  });
  exposure_ns_ = std::llround(really_us * 1e3);
  rows_ = static_cast<std::uint32_t>(integer("Height"));
  columns_ = static_cast<std::uint32_t>(integer("Width"));
  exposure.exposure_ns = exposure_ns_;
  exposure.readout_ns = setup_.readout_ns;
  exposure.rows = rows_;
  exposure.columns = columns_;
  exposure.pixel = bytes_per_pixel_ == 2 ? CREEL_PIXEL_U16 : CREEL_PIXEL_U8;
  exposure.frames_per_block = 1;
}

void Detector::start() {
  if (!stop_errand_.done_within(std::chrono::milliseconds(2000))) {
    throw kit::Failure(CREEL_E_TIMEOUT, "start: the camera has not yet answered the last stop");
  }
  const std::lock_guard lock(camera_mutex_);
  order_stop();
  prepare_stream();
  any_frame_ = false;
  stopping_ = false;
  camera_.ask("AcquisitionStart",
              [&](GError** error) { arv_camera_start_acquisition(camera_.get(), error); });
  running_ = true;
  if (setup_.software_trigger) {
    fire_trigger();
  }
}

void Detector::fire_trigger() {
  const std::lock_guard lock(camera_mutex_);
  triggered_ns_ = services_.now_ns();
  camera_.ask("TriggerSoftware",
              [&](GError** error) { arv_camera_software_trigger(camera_.get(), error); });
}

/// Frames are numbered as the camera numbers them, from 0. GigE Vision's 16-bit identifiers go from
/// 65535 to 1.
std::uint64_t Detector::index_of(std::uint64_t frame_id) {
  constexpr std::uint64_t kWrap = 65535;
  if (any_frame_) {
    const std::uint64_t steps =
        frame_id > last_id_ ? frame_id - last_id_ : frame_id + kWrap - last_id_;
    last_index_ += std::max<std::uint64_t>(steps, 1);
  } else {
    last_index_ = 0;
  }
  any_frame_ = true;
  last_id_ = frame_id;
  return last_index_;
}

std::int64_t Detector::began_ns(ArvBuffer* buffer) const {
  const std::int64_t now = services_.now_ns();
  if (setup_.software_trigger) {
    return triggered_ns_;
  }
  // How long ago it arrived, by the same clock that stamped its arrival; a clock that stepped in
  // between must not carry a frame into the future or beyond the one before it.
  const std::int64_t ago =
      g_get_real_time() * 1000 - static_cast<std::int64_t>(arv_buffer_get_system_timestamp(buffer));
  return std::clamp(now - ago - exposure_ns_, std::min(last_began_ns_, now), now);
}

std::size_t Detector::copy(ArvBuffer* from, std::span<std::byte> to, creel_frame_info& info) {
  const std::size_t bytes = std::size_t{rows_} * columns_ * bytes_per_pixel_;
  if (to.size() < bytes) {
    throw kit::Failure(CREEL_E_INVALID, "read_frame: the buffer is too small for one frame");
  }
  std::size_t available = 0;
  const auto* data = static_cast<const std::byte*>(arv_buffer_get_image_data(from, &available));
  if (arv_buffer_get_status(from) != ARV_BUFFER_STATUS_SUCCESS || available < bytes) {
    info.flags |= CREEL_FRAME_INCOMPLETE;
  }
  if (data != nullptr) {
    std::memcpy(to.data(), data, std::min(available, bytes));
  }
  std::uint32_t highest = 0;
  if (bytes_per_pixel_ == 2) {
    const auto* pixels = reinterpret_cast<const std::uint16_t*>(data);
    for (std::size_t i = 0; i < std::min(available, bytes) / 2; ++i) {
      highest = std::max<std::uint32_t>(highest, pixels[i]);
    }
  } else {
    for (std::size_t i = 0; i < std::min(available, bytes); ++i) {
      highest = std::max(highest, static_cast<std::uint32_t>(data[i]));
    }
  }
  if (highest >= saturation_) {
    info.flags |= CREEL_FRAME_SATURATED;
  }
  return bytes;
}

/// Gives a buffer back to the stream whatever happens in between.
struct Borrowed {
  ArvStream* stream;
  ArvBuffer* buffer;
  Borrowed(ArvStream* from, ArvBuffer* taken) : stream(from), buffer(taken) {}
  Borrowed(const Borrowed&) = delete;
  Borrowed& operator=(const Borrowed&) = delete;
  ~Borrowed() { arv_stream_push_buffer(stream, buffer); }
};

std::size_t Detector::read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                                 std::uint32_t timeout_ms) {
  std::int64_t left_us = std::int64_t{timeout_ms} * 1000;
  while (!stopping_ && left_us > 0) {
    if (camera_.lost()) {
      throw kit::Failure(CREEL_E_DEVICE_LOST, "the camera stopped answering");
    }
    const std::int64_t slice = std::min(kSlice_us, left_us);
    left_us -= slice;
    ArvBuffer* taken = arv_stream_timeout_pop_buffer(stream_.get(), static_cast<guint64>(slice));
    if (taken == nullptr) {
      continue;
    }
    const Borrowed borrowed(stream_.get(), taken);
    const ArvBufferStatus status = arv_buffer_get_status(taken);
    if (status == ARV_BUFFER_STATUS_ABORTED || status == ARV_BUFFER_STATUS_CLEARED) {
      continue;  // not a frame
    }
    const std::size_t bytes = copy(taken, buffer, info);
    info.frames = 1;
    info.first = index_of(arv_buffer_get_frame_id(taken));
    info.start_ns = last_began_ns_ = began_ns(taken);
    info.exposure_ns = exposure_ns_;
    info.period_ns = exposure_ns_;
    info.device_stamp = arv_buffer_get_timestamp(taken);
    if (setup_.software_trigger && !stopping_) {
      fire_trigger();
    }
    return bytes;
  }
  return 0;
}

/// Tells the camera to stop, if it may be running.
void Detector::order_stop() {
  const std::lock_guard lock(camera_mutex_);
  running_ = false;
  if (camera_.lost()) {
    return;
  }
  GError* error = nullptr;
  arv_camera_stop_acquisition(camera_.get(), &error);
  if (error != nullptr) {
    services_.log(CREEL_LOG_WARNING, std::string("AcquisitionStop: ") + error->message);
    g_error_free(error);
  }
}

void Detector::stop() {
  make_safe();
  std::ignore = stop_errand_.done_within(std::chrono::milliseconds(40));
}

void Detector::make_safe() {
  stopping_ = true;  // ends a waiting read
  if (running_) {
    stop_errand_.ask();
  }
}

}  // namespace
}  // namespace creel::genicam

CREEL_PLUGIN("genicam", "0.1.0", creel::kit::offer<creel::genicam::Detector>())
