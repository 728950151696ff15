// A session to test with: iron-gall ink films at an invented conservation-science laboratory.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <string>
#include <vector>

#include "daemon/store/session.h"
#include "protocol/session/reader.h"

namespace creel::store::sample {

inline const std::string kSeries = R"({
  "creel_series": 0,
  "name": "ink-a",
  "title": "Iron-gall ink, recipe A: Fe(III) against dose",
  "operator": "Operator Seven",
  "specimen": {
    "name": "ink A, grid 3", "description": "iron-gall ink film on carbon support",
    "form": "thin_film",
    "elements": ["C", "O", "Fe"], "thickness_nm": 42.5, "density_g_per_cm3": "unknown",
    "preparation": {"method": "drop cast", "date": "2026-02-11T09:30:00+01:00", "by": "unknown",
                    "support_grid": "Cu 300 mesh, lacey carbon", "steps": []}
  },
  "areas": [{"name": "a1", "grid": "g3", "dose_limit_e_per_a2": 20},
            {"name": "a2", "grid": "g3", "dose_limit_e_per_a2": 20, "x_um": -12.5}],
  "microscope": {
    "high_tension_kv": 200, "mode": "diffraction", "camera_length_mm": 30,
    "collection_semi_angle_mrad": 12, "convergence_semi_angle_mrad": "unknown",
    "dispersion_ev_per_channel": 0.25, "energy_offset_ev": 650
  },
  "laser": {"wavelength_nm": 343, "pulse_width_fs": 250, "repetition_rate_khz": 100,
            "pulse_energy_nj": "unknown"},
  "beam": {"dose_rate_e_per_a2_s": 0.02, "relative_uncertainty": 0.1, "method": "Faraday cup",
           "measured_at": "2026-02-12T20:00:00+01:00", "residual_e_per_a2_s": 0.0001},
  "devices": {"detector": "camera", "shutter": "beam_shutter", "gauges": ["laser_power"]},
  "blocks": [{"name": "film", "kind": "specimen", "area": "a1", "exposure_s": 1, "count": 10}],
  "guards": {"dose_e_per_a2": 10},
  "after_restart": "hold"
})";

inline const std::string kRig = R"({
  "creel_rig": 0, "name": "bench",
  "microscope": {"maker": "unknown", "model": "unknown", "serial": "unknown", "emitter": "unknown",
                 "location": "room 5"},
  "devices": [
    {"name": "camera", "kind": "detector", "driver": "simulated"},
    {"name": "beam_shutter", "kind": "shutter", "driver": "simulated",
     "blocks": "electrons_above_specimen", "fails_safe": "yes"},
    {"name": "laser_power", "kind": "gauge", "driver": "simulated"}
  ]
})";

inline SessionStart start(const std::string& directory, const std::string& name, FrameShape shape,
                          std::uint64_t planned) {
  SessionStart start;
  start.directory = directory;
  start.name = name;
  start.shape = shape;
  start.frames_planned = planned;
  start.start_utc_ns = 1'770'924'000'000'000'000;  // 2026-02-12T19:20:00Z
  start.start_world_ns = 5'000'000'000;
  start.series_text = kSeries;
  start.series = nlohmann::json::parse(kSeries);
  start.rig_text = kRig;
  start.rig = nlohmann::json::parse(kRig);
  start.devices = {
      {"camera",
       {{"kind", "detector"},
        {"driver", "simulated"},
        {"version", "0.1.0"},
        {"describe",
         {{"identity", {{"maker", "none"}, {"model", "simulated camera"}, {"serial", "1"}}},
          {"saturation", 65535}}},
        {"settings_set", {{"gain", 2.0}}},
        {"settings", {{"gain", 2.0}, {"temperature_k", 253.0}, {"binning", {1, 1}}}}}},
      {"beam_shutter", {{"kind", "shutter"}, {"settings", nlohmann::json::object()}}},
      {"laser_power",
       {{"kind", "gauge"},
        {"describe", {{"channels", {{{"name", "laser_power"}, {"unit", "mW"}}}}}}}}};
  start.software = {{"name", "creeld"}, {"version", "0.1.0"}, {"build", "test"}};
  start.area_dose_before = {1.5, 0.0};
  return start;
}

/// Different for every number, and none of it zero.
inline std::vector<std::byte> frame(const FrameShape& shape, std::uint64_t number) {
  std::vector<std::byte> bytes(shape.bytes());
  if (shape.pixel == Pixel::f32) {
    for (std::size_t i = 0; i + 4 <= bytes.size(); i += 4) {
      const auto value = static_cast<float>(number) + static_cast<float>(i) * 0.25F + 1.0F;
      std::memcpy(&bytes[i], &value, 4);
    }
    return bytes;
  }
  std::uint64_t state = number * 0x9E3779B97F4A7C15ULL + 1;
  for (auto& byte : bytes) {
    state = state * 6364136223846793005ULL + 1442695040888963407ULL;
    byte = static_cast<std::byte>(1 + (state >> 33) % 255);
  }
  return bytes;
}

inline session::Record record(std::uint64_t number) {
  session::Record record;
  record.exposure = number;
  record.kind = number % 4 == 3 ? 1 : 0;
  record.area = record.kind == 1 ? 0xFFFF : static_cast<std::uint16_t>(number % 2);
  record.start_ns = 5'000'000'000 + static_cast<std::int64_t>(number) * 1'100'000'000;
  record.first_channel_ev = 650;
  record.exposure_set_ns = 1'000'000'000;
  record.exposure_ns = 1'000'000'000;
  record.opened_ns = record.kind == 1 ? 0 : record.start_ns;
  record.closed_ns = record.kind == 1 ? 0 : record.start_ns + 1'000'000'000;
  record.dose = record.kind == 1 ? 0 : 0.02;
  record.dose_errors = record.kind == 1 ? 0 : 0.002;
  // Of every four the first and third lie on area 0, the second on area 1, the fourth is a dark.
  const auto on_area = record.area == 0 ? number / 2 + 1 : number / 4 + 1;
  record.area_dose = (record.area == 0 ? 1.5 : 0.0) + 0.02 * static_cast<double>(on_area);
  record.utc_ns = 1'770'924'000'000'000'000 + record.start_ns - 5'000'000'000;
  record.device_index = number;
  return record;
}

/// As the daemon would end a session of the first `count` records.
inline nlohmann::json summary(std::uint64_t count) {
  std::array<double, 2> given{};
  for (std::uint64_t number = 0; number < count; ++number) {
    if (const auto one = record(number); one.area < given.size()) {
      given[one.area] += one.dose;
    }
  }
  return {
      {"outcome", "finished"},
      {"dose",
       {{"g3/a1", {{"series_e_per_a2", given[0]}}}, {"g3/a2", {{"series_e_per_a2", given[1]}}}}}};
}

}  // namespace creel::store::sample
