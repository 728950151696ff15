// A detector as a session recorded it: the frames byte for byte, in their order, with their flags,
// gaps and times; and what broke where it broke. Config: replayed.h.
//
// Order alone decides which frame comes: each start gives the next attempt's. The exposure time and
// the device's settings must be those that were recorded with it; where they are not, this is
// another series than the recorded one, and the detector says so instead of giving a frame.
// As many frames an acquisition as were recorded; any number with "free".
#pragma once

#include <vector>

#include "drivers/replay/replayed.h"

namespace creel::replay {

class Detector : public kit::Detector {
 public:
  Detector(const nlohmann::json& config, kit::Services services)
      : services_(services), common_(config, services) {}
  nlohmann::json describe() override;
  nlohmann::json settings() override { return common_.settings(); }
  void set(const std::string& name, const nlohmann::json& value) override {
    common_.set(name, value);
  }
  void arm(creel_exposure& exposure) override;
  void start() override;
  std::size_t read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                         std::uint32_t timeout_ms) override;
  void stop() override {}  // the host ends a wait; nothing else runs

 private:
  struct Range {
    std::int64_t least, most, step;
  };
  [[nodiscard]] Range range() const;
  [[nodiscard]] std::int64_t rounded(std::int64_t exposure_ns) const;
  void require_same(const Attempt& attempt) const;
  void require_settings(const Attempt& attempt) const;
  void keep_pace(const Attempt& attempt);
  /// The bytes of a record's frame; it and its neighbour are kept.
  std::span<const std::byte> load(std::size_t which);
  void load_ahead(std::size_t which);
  [[nodiscard]] std::int64_t begin_ns(std::size_t which) const;
  bool wait(std::int64_t ready_ns, std::uint32_t timeout_ms);
  void end_as_recorded(std::uint32_t timeout_ms);

  kit::Services services_;
  Replayed common_;
  creel_exposure armed_{};
  std::int64_t asked_ns_ = 0, start_ns_ = 0;
  std::uint32_t asked_frames_ = 0;
  std::uint64_t next_ = 0;            ///< frames given since start
  std::uint64_t turn_ = 0;            ///< free: frames given since opening
  const Attempt* running_ = nullptr;  ///< otherwise: what is acted out
  struct Loaded {
    std::optional<std::size_t> which;
    std::vector<std::byte> bytes;
  };
  Loaded loaded_[2];  ///< by the parity of the record's place
};

}  // namespace creel::replay
