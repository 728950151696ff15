#include "drivers/replay/detector.h"

#include <algorithm>
#include <cstdlib>
#include <cstring>

#include "protocol/base/text.h"

namespace creel::replay {
namespace {

using nlohmann::json;
using session::Pixel;

constexpr std::int64_t kHour_ns = 3'600'000'000'000;
/// When the recorded time of a failure means nothing here: late enough that the daemon waits for
/// the frame, and so hears of it.
constexpr std::int64_t kAfterDue_ns = 100'000'000;
constexpr const char* kOtherSeries =
    ": this is not the series that was recorded; use the series file that 'creel replay' wrote";

std::uint32_t abi_pixel(Pixel pixel) {
  switch (pixel) {
    case Pixel::u8:
      return CREEL_PIXEL_U8;
    case Pixel::u16:
      return CREEL_PIXEL_U16;
    case Pixel::u32:
      return CREEL_PIXEL_U32;
    case Pixel::f32:
      return CREEL_PIXEL_F32;
  }
  return CREEL_PIXEL_U16;
}

std::string exposure_text(std::int64_t ns) {
  return number(static_cast<double>(ns) * 1e-6, 12) + " ms";
}

}  // namespace

json Detector::describe() {
  json made = common_.description();
  const session::FrameShape& shape = common_.script().shape;
  const Range allowed = range();
  made["shape"] = {{"rows", shape.rows}, {"columns", shape.columns}};
  made["pixel"] = session::pixel_name(shape.pixel);
  made["exposure_ns"] = {{"min", allowed.least}, {"max", allowed.most}, {"step", allowed.step}};
  made["frames_per_block"] = 1;
  const json otherwise = {{"readout_ns", 0},
                          {"saturation", "unknown"},
                          {"gain", {{"counts_per_electron", "unknown"}}},
                          {"read_noise", "unknown"},
                          {"triggers", {"free"}}};
  for (const auto& [field, value] : otherwise.items()) {
    if (!made.contains(field)) {
      made[field] = value;
    }
  }
  made["can_pause"] = true;
  return made;
}

Detector::Range Detector::range() const {
  const json said = common_.script().described.value("exposure_ns", json::object());
  return {said.value("min", std::int64_t{1}), said.value("max", kHour_ns),
          std::max<std::int64_t>(1, said.value("step", std::int64_t{1}))};
}

std::int64_t Detector::rounded(std::int64_t exposure_ns) const {
  const Range allowed = range();
  return std::clamp((exposure_ns + allowed.step / 2) / allowed.step * allowed.step, allowed.least,
                    allowed.most);
}

const Attempt& Detector::next_attempt() const {
  const Attempt* next = common_.attempt(common_.place().begun());
  if (next == nullptr) {
    throw kit::Failure(CREEL_E_REFUSED,
                       "the recording ends here: all " +
                           std::to_string(common_.script().attempts.size()) +
                           " exposures of session " + common_.script().session +
                           " were replayed. To replay it again start creeld again, with another "
                           "state directory");
  }
  return *next;
}

void Detector::require_exposure(const Attempt& attempt, std::int64_t asked_ns) const {
  if (attempt.exposure_ns == 0 || std::llabs(asked_ns - attempt.exposure_ns) < range().step ||
      asked_ns == attempt.exposure_ns) {
    return;
  }
  throw kit::Failure(CREEL_E_INVALID, "exposure " + std::to_string(attempt.exposure) +
                                          ": recorded with " + exposure_text(attempt.exposure_ns) +
                                          ", asked for " + exposure_text(asked_ns) + kOtherSeries);
}

void Detector::require_settings(const Attempt& attempt) const {
  for (const auto& [name, value] : common_.settings().items()) {
    const bool recorded = attempt.settings.is_object() && attempt.settings.contains(name);
    const bool settable = common_.script().described.contains("settings") &&
                          common_.script().described["settings"].contains(name);
    if (recorded && settable && attempt.settings[name] != value) {
      throw kit::Failure(CREEL_E_INVALID, "exposure " + std::to_string(attempt.exposure) +
                                              ": recorded with " + name + " = " +
                                              attempt.settings[name].dump() + ", asked for " +
                                              value.dump() + kOtherSeries);
    }
  }
}

/// Waits until the recorded exposure began, less what its shutters will take after this call.
void Detector::keep_pace(const Attempt& attempt) {
  if (!attempt.timed || !common_.place().timed()) {
    return;
  }
  const Recording& script = common_.script();
  std::int64_t begin_ns = attempt.start_ns;
  if (attempt.opened_ns != 0 && !script.shutter_gates) {
    begin_ns = attempt.begin_ns() - (script.shutter_measures ? script.shutter_travel_ns / 2 : 0);
  }
  if (attempt.kind == kBackground) {
    begin_ns -= script.cathode_travel_ns;  // it is closed between arming and opening
  }
  if (!common_.wait_until_due(begin_ns)) {
    throw kit::Failure(CREEL_E_CANCELLED, "arm: cancelled while waiting for the recorded time");
  }
}

void Detector::arm(creel_exposure& exposure) {
  if (exposure.exposure_ns > range().most) {
    throw kit::Failure(CREEL_E_INVALID, "exposure: given " + std::to_string(exposure.exposure_ns) +
                                            " ns; allowed: up to " + std::to_string(range().most) +
                                            " ns");
  }
  asked_ns_ = exposure.exposure_ns;
  exposure.exposure_ns = rounded(asked_ns_);
  if (!common_.free()) {
    const Attempt& next = next_attempt();
    if (exposure.frames != 1) {
      throw kit::Failure(CREEL_E_INVALID, "frames: asked for " + std::to_string(exposure.frames) +
                                              ", recorded one an acquisition" + kOtherSeries);
    }
    // Before the first exposure the daemon also arms to learn the shape, as yet without settings
    // and with the exposure as the series has it.
    const bool first = common_.place().begun() == 0;
    if (!first || asked_ns_ != next.exposure_set_ns) {
      require_exposure(next, asked_ns_);
      exposure.exposure_ns = next.exposure_ns != 0 ? next.exposure_ns : exposure.exposure_ns;
    }
    if (!first) {
      require_settings(next);
      common_.break_before_begin(Step::arm);
      keep_pace(next);
    }
    if (next.frame) {
      load(*next.frame);
    }
  }
  const session::FrameShape& shape = common_.script().shape;
  exposure.readout_ns = common_.script().described.value("readout_ns", std::int64_t{0});
  exposure.rows = shape.rows;
  exposure.columns = shape.columns;
  exposure.pixel = abi_pixel(shape.pixel);
  exposure.frames_per_block = 1;
  armed_ = exposure;
}

void Detector::load(std::size_t frame) {
  if (loaded_ == frame) {
    return;
  }
  loaded_.reset();
  frame_.resize(common_.script().shape.bytes());
  if (auto read = common_.reader().read_frame(frame, frame_); !read.ok()) {
    throw kit::Failure(CREEL_E_INTERNAL, "the recording: " + read.error().text);
  }
  loaded_ = frame;
}

void Detector::start() {
  start_ns_ = services_.now_ns();
  next_ = 0;
  running_ = nullptr;
  if (common_.free()) {
    return;
  }
  const Attempt& next = next_attempt();
  require_exposure(next, asked_ns_);
  require_settings(next);
  common_.break_before_begin(Step::arm);  // the very first could not be told from learning
  common_.break_before_begin(Step::start);
  if (next.frame && loaded_ != next.frame) {
    throw kit::Failure(CREEL_E_STATE, "start: arm first, for this exposure");
  }
  if (next.timed && !common_.place().timed()) {
    common_.place().set_time(next.start_ns, start_ns_);
  } else if (next.timed) {
    start_ns_ = std::max(start_ns_, common_.due(next.start_ns));
  }
  running_ = &next;  // the script outlives the acquisition
  common_.place().begin();
}

bool Detector::wait(std::int64_t ready_ns, std::uint32_t timeout_ms) {
  const std::int64_t limit = services_.now_ns() + std::int64_t{timeout_ms} * 1'000'000;
  if (!services_.wait_until(std::min(ready_ns, limit))) {
    throw kit::Failure(CREEL_E_CANCELLED, "read_frame: stopped while waiting");
  }
  return ready_ns <= limit;
}

/// The frame that never came: at the time at which that was recorded, and not before it was due.
void Detector::fail_as_recorded(std::uint32_t timeout_ms) {
  const std::int64_t due_ns = start_ns_ + armed_.exposure_ns + armed_.readout_ns;
  const std::int64_t recorded_ns = common_.due(running_->failure->world_ns);
  const bool believable = recorded_ns >= due_ns && recorded_ns <= due_ns + kHour_ns;
  if (wait(believable ? recorded_ns : due_ns + kAfterDue_ns, timeout_ms)) {
    throw as_recorded(CREEL_E_TIMEOUT, *running_->failure);
  }
}

/// The shutter did not close, so the daemon does not take the frame, and the recording has none. It
/// comes all the same, empty and marked so: an acquisition that went on would be in the way of the
/// next one.
std::size_t Detector::give_nothing(std::span<std::byte> frame, creel_frame_info& info) const {
  std::memset(frame.data(), 0, frame.size());
  info.frames = 1;
  info.start_ns = start_ns_;
  info.exposure_ns = armed_.exposure_ns;
  info.period_ns = armed_.exposure_ns + armed_.readout_ns;
  info.flags = CREEL_FRAME_INCOMPLETE;
  return frame.size();
}

std::size_t Detector::read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                                 std::uint32_t timeout_ms) {
  const std::size_t bytes = common_.script().shape.bytes();
  if (buffer.size() < bytes) {
    throw kit::Failure(CREEL_E_INVALID, "read_frame: the buffer is too small for one frame");
  }
  if (running_ != nullptr && !running_->frame) {
    if (running_->failure) {
      fail_as_recorded(timeout_ms);
      return 0;
    }
    return give_nothing(buffer.first(bytes), info);
  }
  const std::int64_t period_ns = armed_.exposure_ns + armed_.readout_ns;
  const std::int64_t begin_ns = start_ns_ + static_cast<std::int64_t>(next_) * period_ns;
  if (!wait(begin_ns + period_ns, timeout_ms)) {
    return 0;
  }
  const auto records = common_.reader().records();
  const std::size_t which = running_ != nullptr ? *running_->frame : turn_ % records.size();
  load(which);
  const session::Record& record = records[which];
  std::memcpy(buffer.data(), frame_.data(), bytes);
  info.frames = 1;
  info.first = running_ != nullptr ? record.device_index : next_;
  info.start_ns = begin_ns;
  info.exposure_ns = running_ != nullptr ? record.exposure_ns : armed_.exposure_ns;
  info.period_ns = period_ns;
  info.device_stamp = record.device_stamp;
  info.flags = ((record.flags & session::kSaturated) != 0 ? CREEL_FRAME_SATURATED : 0U) |
               ((record.flags & session::kIncomplete) != 0 ? CREEL_FRAME_INCOMPLETE : 0U);
  ++next_;
  ++turn_;
  return bytes;
}

}  // namespace creel::replay
