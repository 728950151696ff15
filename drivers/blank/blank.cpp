// A detector for benchmarks: frames are rendered when it opens and only copied afterwards, so that
// what is measured is the path behind it. Config, all with defaults:
//   "rows", "columns", "pixel" ("u8", "u16", "u32"), "frames_per_block", "frames_rendered" (how
//   many different frames it takes turns with)
// Every frame carries its index, so that a loss, a doubling or a swap shows: its first bytes (8, or
// as many as the frame has) are the index, little-endian; the rest is a fixed texture of its number
// modulo frames_rendered. exposure_ns 0 means as fast as it can; otherwise frames come at that pace
// on the world clock.
#include <algorithm>
#include <cstring>

#include "drivers/kit/config.h"
#include "drivers/kit/kit.h"

namespace creel::blank {
namespace {

class Detector : public kit::Detector {
 public:
  Detector(const nlohmann::json& config, kit::Services services) : services_(services) {
    kit::Config fields(config);
    fields.text("name", "");
    rows_ = static_cast<std::uint32_t>(fields.integer("rows", 64, 1, 16384));
    columns_ = static_cast<std::uint32_t>(fields.integer("columns", 2048, 1, 16384));
    pixel_ = fields.choice("pixel", "u16", {"u8", "u16", "u32"});
    block_ = static_cast<std::uint32_t>(fields.integer("frames_per_block", 1, 1, 65536));
    const std::int64_t rendered = fields.integer("frames_rendered", 4, 1, 256);
    fields.done();
    bytes_ = std::size_t{rows_} * columns_ * (pixel_ == "u8" ? 1 : pixel_ == "u16" ? 2 : 4);
    if (bytes_ * block_ > (std::size_t{1} << 30)) {
      throw kit::Failure(CREEL_E_INVALID, "config: a block of " + std::to_string(bytes_ * block_) +
                                              " bytes; allowed: at most 1 GiB");
    }
    render(static_cast<std::size_t>(rendered));
  }

  nlohmann::json describe() override {
    return {
        {"identity",
         {{"maker", "Creel"}, {"model", "blank frames"}, {"serial", "1"}, {"firmware", "0.1.0"}}},
        {"settings", nlohmann::json::object()},
        {"shape", {{"rows", rows_}, {"columns", columns_}}},
        {"pixel", pixel_},
        {"exposure_ns", {{"min", 0}, {"max", kLongest_ns}, {"step", 1}}},
        {"readout_ns", 0},
        {"frames_per_block", block_},
        {"saturation", "unknown"},
        {"gain", {{"counts_per_electron", "unknown"}}},
        {"read_noise", "unknown"},
        {"triggers", {"free"}},
        {"can_pause", true}};
  }

  void arm(creel_exposure& exposure) override {
    if (exposure.exposure_ns > kLongest_ns) {
      throw kit::Failure(CREEL_E_INVALID, "exposure: given " +
                                              std::to_string(exposure.exposure_ns) +
                                              " ns; allowed: up to one hour");
    }
    asked_ = exposure.frames;
    exposure_ns_ = exposure.exposure_ns;
    exposure.readout_ns = 0;
    exposure.rows = rows_;
    exposure.columns = columns_;
    exposure.pixel = pixel_ == "u8"    ? CREEL_PIXEL_U8
                     : pixel_ == "u16" ? CREEL_PIXEL_U16
                                       : CREEL_PIXEL_U32;
    exposure.frames_per_block = block_;
  }

  void start() override {
    next_ = 0;
    start_ns_ = services_.now_ns();
  }
  void stop() override {}  // the host ends a wait; nothing else runs

  std::size_t read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                         std::uint32_t timeout_ms) override {
    std::uint64_t count = std::min<std::uint64_t>(block_, buffer.size() / bytes_);
    if (count == 0) {
      throw kit::Failure(CREEL_E_INVALID, "read_frame: the buffer is too small for one frame");
    }
    if (asked_ != 0) {
      count = std::min<std::uint64_t>(count, asked_ - next_);
    }
    if (!wait(next_ + count, timeout_ms)) {
      return 0;
    }
    for (std::uint64_t i = 0; i < count; ++i) {
      const std::uint64_t index = next_ + i;
      std::byte* slot = buffer.data() + i * bytes_;
      std::memcpy(slot, rendered_.data() + (index % (rendered_.size() / bytes_)) * bytes_, bytes_);
      std::memcpy(slot, &index, std::min(bytes_, sizeof index));
    }
    info.frames = static_cast<std::uint32_t>(count);
    info.first = next_;
    info.start_ns = exposure_ns_ == 0 ? services_.now_ns() : begin_ns(next_);
    info.exposure_ns = exposure_ns_;
    info.period_ns = exposure_ns_;
    next_ += count;
    return count * bytes_;
  }

 private:
  static constexpr std::int64_t kLongest_ns = 3'600'000'000'000;

  void render(std::size_t frames) {
    rendered_.resize(frames * bytes_);
    std::uint32_t state = 1;
    for (std::byte& byte : rendered_) {
      state = state * 1664525u + 1013904223u;
      byte = static_cast<std::byte>(state >> 24);
    }
  }
  [[nodiscard]] std::int64_t begin_ns(std::uint64_t index) const {
    return start_ns_ + static_cast<std::int64_t>(index) * exposure_ns_;
  }
  /// Whether frames up to `end` are there in time.
  bool wait(std::uint64_t end, std::uint32_t timeout_ms) {
    if (exposure_ns_ == 0) {
      return true;
    }
    const std::int64_t limit = services_.now_ns() + std::int64_t{timeout_ms} * 1'000'000;
    if (!services_.wait_until(std::min(begin_ns(end), limit))) {
      throw kit::Failure(CREEL_E_CANCELLED, "read_frame: stopped while waiting");
    }
    return begin_ns(end) <= limit;
  }

  kit::Services services_;
  std::uint32_t rows_, columns_, block_, asked_ = 0;
  std::string pixel_;
  std::size_t bytes_;
  std::vector<std::byte> rendered_;
  std::int64_t exposure_ns_ = 0, start_ns_ = 0;
  std::uint64_t next_ = 0;
};

}  // namespace
}  // namespace creel::blank

CREEL_PLUGIN("blank", "0.1.0", creel::kit::offer<creel::blank::Detector>())
