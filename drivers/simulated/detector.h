// A simulated detector of electrons behind a spectrometer. Config, all with defaults:
//   "columns", "rows" (1 = spectra), "dispersion_ev", "first_channel_ev" (lower edge of channel 0)
//   "readout_ms", "frames_per_block" (spectra only)
//   the sensor, as in sim/camera.h: "gain", "gain_spread", "read_noise", "dark_counts_per_s",
//   "offset", "offset_pattern", "gain_pattern", "point_spread", "saturation", "spikes_per_s",
//   "spike_counts", "stripe_fwhm_rows", "counting"
//   "delivers"  "images" (at first), or "events": a list of the electrons of each frame with their
//   times; needs "counting": true, and then there are
//     "most_events"  in one frame: the first so many are kept, the others only counted
//     "time_resolution_ns"  error of a time, one standard deviation
//   "world"  see world/laboratory_config.h
//   faults, by index of the frame since start, -1 = never: "lose_frame" (its index is missing),
//   "crash_at_frame" (the process aborts), "hang_at_frame" (read_frame never returns again);
//   "flood_after"  after so many frames of its process it fills its log without end; -1 = never
// Settings:
//   "energy_offset_ev"  shifts the energy axis
//   "illumination"  "spectrum" (at first) or "even": the spectrometer spreads all electrons evenly
//   over the sensor; with the beam in vacuum, for gain references
// Frames wait in the device while nobody reads them: nothing is lost by being slow.
#pragma once

#include <atomic>
#include <optional>

#include "drivers/kit/kit.h"
#include "drivers/simulated/shared_log.h"
#include "sim/world.h"

namespace creel::simulated {

struct DetectorSetup {
  sim::Laboratory laboratory;
  sim::Camera camera;
  sim::EnergyAxis axis;
  std::int64_t readout_ns = 0;
  std::uint32_t frames_per_block = 1;
  std::uint32_t most_events = 0;  ///< 0: delivers images
  double time_resolution_ns = 0;
  std::int64_t lose_frame = -1, crash_at_frame = -1, hang_at_frame = -1, flood_after = -1;
  std::uint64_t fingerprint = 0, which = 0;
};

class Detector : public kit::Detector {
 public:
  Detector(const nlohmann::json& config, kit::Services services);
  nlohmann::json describe() override;
  nlohmann::json settings() override;
  void set(const std::string& name, const nlohmann::json& value) override;
  void arm(creel_exposure& exposure) override;
  void start() override;
  std::size_t read_frame(std::span<std::byte> buffer, creel_frame_info& info,
                         std::uint32_t timeout_ms) override;
  void stop() override {}  // the wait in read_frame is ended by the host, and there is nothing else

 private:
  Detector(DetectorSetup setup, kit::Services services);
  [[nodiscard]] std::int64_t begin_ns(std::uint64_t index) const;
  [[nodiscard]] std::size_t frame_bytes() const;
  [[nodiscard]] double offset_limit(bool most) const;
  void take_log();
  sim::Random expect(std::uint64_t index);
  bool render(std::uint64_t index, std::span<std::uint16_t> out);
  void list(std::uint64_t index, std::span<creel_event> out, creel_frame_info& info);
  void act_out_faults(std::uint64_t index);

  kit::Services services_;
  DetectorSetup setup_;
  SharedLog log_;
  sim::View view_;
  sim::Sensor sensor_;
  std::optional<sim::History> history_;
  std::size_t events_taken_ = 0;
  sim::Sensor::Workspace workspace_;
  std::vector<double> electrons_;
  std::vector<std::uint32_t> counted_;  // for lists of events, likewise
  std::vector<creel_event> listed_;

  sim::Illumination illumination_ = sim::Illumination::spectrum;
  std::int64_t exposure_ns_ = 0, start_ns_ = 0;
  std::uint32_t frames_asked_ = 0, block_ = 1;
  std::uint64_t next_ = 0;  // index of the next frame
  std::int64_t taken_ = 0;  // frames of this process
};

}  // namespace creel::simulated
