#include "drivers/replay/detector.h"

#include <algorithm>
#include <cstdlib>
#include <cstring>

#include "protocol/base/text.h"
#include "protocol/session/electron_event.h"

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
    case Pixel::event:
      return CREEL_PIXEL_EVENT;
  }
  return CREEL_PIXEL_U16;
}

/// Moves the events of a list that came within the exposure to its front; how many those are.
std::uint64_t keep_within(std::int64_t exposure_ns, std::span<std::byte> frame,
                          std::uint64_t events) {
  std::uint64_t kept = 0;
  for (std::uint64_t i = 0; i < events; ++i) {
    const session::ElectronEvent event = session::event_at(frame, i);
    if (event.time_ps / 1000 < static_cast<std::uint64_t>(exposure_ns)) {
      std::memcpy(frame.data() + kept * sizeof event, &event, sizeof event);
      ++kept;
    }
  }
  return kept;
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
  if (shape.lists_events()) {
    made["events"] = made.value("events", json::object());
    made["events"]["most"] = shape.most_events;
  }
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

void Detector::require_same(const Attempt& attempt) const {
  const std::string exposure = "exposure " + std::to_string(attempt.exposure);
  if (attempt.exposure_ns != 0 && asked_ns_ != attempt.exposure_ns &&
      std::llabs(asked_ns_ - attempt.exposure_ns) >= range().step) {
    throw kit::Failure(CREEL_E_INVALID, exposure + ": recorded with " +
                                            exposure_text(attempt.exposure_ns) + ", asked for " +
                                            exposure_text(asked_ns_) + kOtherSeries);
  }
  if (attempt.frames_asked != 0 && asked_frames_ != attempt.frames_asked) {
    throw kit::Failure(CREEL_E_INVALID,
                       exposure + ": recorded with " + std::to_string(attempt.frames_asked) +
                           " frames, asked for " + std::to_string(asked_frames_) + kOtherSeries);
  }
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

/// Waits until the recorded exposure began, less what its shutters will take after this call. Only
/// where what the daemon measures from is its own order, to start or to open, and not what a
/// device answers: otherwise start and the shutter wait for their times, when the guards have had
/// their say.
void Detector::keep_pace(const Attempt& attempt) {
  const Recording& script = common_.script();
  const bool orders_count = script.shutter_gates || !script.shutter_measures;
  if (!attempt.timed || !common_.place().timed() || attempt.opened_ns == 0 || !orders_count) {
    return;
  }
  std::int64_t begin_ns = script.shutter_gates ? attempt.start_ns : attempt.begin_ns();
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
  asked_frames_ = exposure.frames;
  exposure.exposure_ns = rounded(asked_ns_);
  // Beyond the last exposure nothing starts; but a series arms once more before a guard ends it.
  const std::uint64_t begun = common_.place().begun();
  const Attempt* next = common_.free() ? nullptr : common_.attempt(begun);
  if (next != nullptr) {
    if (begun > 0) {
      require_same(*next);
      require_settings(*next);
      common_.break_before_begin(Step::arm);
      keep_pace(*next);
    }
    // Before the first exposure the daemon also arms to learn the shape, as yet without settings
    // and with the exposure as the series has it: what fits is seen when it starts.
    const bool learning = begun == 0 && asked_ns_ == next->exposure_set_ns;
    if (next->exposure_ns != 0 && !learning) {
      exposure.exposure_ns = next->exposure_ns;
    }
    if (next->frames > 0) {
      load(next->first_frame);
    }
  }
  const session::FrameShape& shape = common_.script().shape;
  exposure.readout_ns = common_.script().described.value("readout_ns", std::int64_t{0});
  exposure.rows = shape.rows;
  exposure.columns = shape.columns;
  exposure.pixel = abi_pixel(shape.pixel);
  exposure.frames_per_block = 1;
  exposure.most_events = shape.most_events;
  armed_ = exposure;
}

std::span<const std::byte> Detector::load(std::size_t which) {
  Loaded& slot = loaded_[which % 2];
  if (slot.which != which) {
    slot.which.reset();
    slot.bytes.resize(common_.script().shape.bytes());
    if (auto read = common_.reader().read_frame(which, slot.bytes); !read.ok()) {
      throw kit::Failure(CREEL_E_INTERNAL, "the recording: " + read.error().text);
    }
    slot.which = which;
  }
  return slot.bytes;
}

/// Reads the next frame while this one is exposed, so that reading delays nothing. What is wrong
/// with it is said when it is due.
void Detector::load_ahead(std::size_t which) {
  if (which >= common_.reader().records().size()) {
    return;
  }
  try {
    load(which);
  } catch (const kit::Failure&) {
  }
}

void Detector::start() {
  start_ns_ = services_.now_ns();
  next_ = 0;
  running_ = nullptr;
  if (common_.free()) {
    return;
  }
  const Attempt* next = common_.attempt(common_.place().begun());
  if (next == nullptr) {
    throw common_.at_the_end();
  }
  require_same(*next);
  require_settings(*next);
  common_.break_before_begin(Step::arm);  // the very first could not be told from learning
  common_.break_before_begin(Step::start);
  if (next->timed && !common_.place().timed()) {
    common_.place().set_time(next->start_ns, start_ns_);
  } else if (next->timed) {
    start_ns_ = std::max(start_ns_, common_.due(next->start_ns));
  }
  running_ = next;  // the script outlives the acquisition
  common_.place().begin();
}

bool Detector::wait(std::int64_t ready_ns, std::uint32_t timeout_ms) {
  const std::int64_t limit = services_.now_ns() + std::int64_t{timeout_ms} * 1'000'000;
  if (!services_.wait_until(std::min(ready_ns, limit))) {
    throw kit::Failure(CREEL_E_CANCELLED, "read_frame: stopped while waiting");
  }
  return ready_ns <= limit;
}

/// Frames that were recorded have all been given, and more were asked for. Returns when there is
/// nothing to say yet.
void Detector::end_as_recorded(std::uint32_t timeout_ms) {
  if (!running_->failure || running_->failure->step != Step::read) {
    // The last frames were lost; or the shutter did not close, and the daemon asked for no frame.
    throw kit::Failure(CREEL_E_STATE, "as recorded: no frame was kept");
  }
  const std::int64_t due_ns =
      start_ns_ + static_cast<std::int64_t>(next_ + 1) * (armed_.exposure_ns + armed_.readout_ns);
  const std::int64_t recorded_ns = common_.due(running_->failure->world_ns);
  const bool believable = recorded_ns > start_ns_ && recorded_ns <= due_ns + kHour_ns;
  if (wait(believable ? recorded_ns : due_ns + kAfterDue_ns, timeout_ms)) {
    throw as_recorded(CREEL_E_TIMEOUT, *running_->failure);
  }
}

/// When the integration of a record's frame begins here.
std::int64_t Detector::begin_ns(std::size_t which) const {
  if (running_ == nullptr) {
    return start_ns_ + static_cast<std::int64_t>(next_) * (armed_.exposure_ns + armed_.readout_ns);
  }
  return start_ns_ + common_.reader().records()[which].start_ns - running_->start_ns;
}

std::size_t Detector::read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                                 std::uint32_t timeout_ms) {
  const std::size_t bytes = common_.script().shape.bytes();
  if (buffer.size() < bytes) {
    throw kit::Failure(CREEL_E_INVALID, "read_frame: the buffer is too small for one frame");
  }
  if (running_ != nullptr && next_ >= running_->frames) {
    end_as_recorded(timeout_ms);
    return 0;
  }
  const auto records = common_.reader().records();
  const std::size_t which =
      running_ != nullptr ? running_->first_frame + next_ : turn_ % records.size();
  const session::Record& record = records[which];
  const std::int64_t period_ns = armed_.exposure_ns + armed_.readout_ns;
  load_ahead(which + 1);
  if (!wait(begin_ns(which) + period_ns, timeout_ms)) {
    return 0;
  }
  std::memcpy(buffer.data(), load(which).data(), bytes);
  info.frames = 1;
  info.first = running_ != nullptr ? record.device_index : next_;
  info.start_ns = begin_ns(which);
  info.exposure_ns = running_ != nullptr ? record.exposure_ns : armed_.exposure_ns;
  info.period_ns = period_ns;
  info.device_stamp = record.device_stamp;
  // Free, the exposure may be shorter than it was.
  info.events = running_ != nullptr
                    ? record.events
                    : keep_within(armed_.exposure_ns, buffer.first(bytes), record.events);
  info.events_lost = record.events_lost;
  info.flags = ((record.flags & session::kSaturated) != 0 ? CREEL_FRAME_SATURATED : 0U) |
               ((record.flags & session::kIncomplete) != 0 ? CREEL_FRAME_INCOMPLETE : 0U);
  ++next_;
  ++turn_;
  return bytes;
}

}  // namespace creel::replay
