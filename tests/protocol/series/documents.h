// Documents for the tests: small, complete, one field a line, so that a test can change one line
// and name it.
#pragma once

#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <sstream>
#include <string>

#include "protocol/series/rig.h"
#include "protocol/series/series.h"

namespace creel::testing_documents {

inline const std::string kSeries = R"({
  "creel_series": 0,
  "name": "ink",
  "operator": "someone",
  "specimen": {
    "name": "ink film", "description": "ink on carbon", "form": "thin_film",
    "elements": ["C", "O", "Fe"],
    "thickness_nm": 50,
    "density_g_per_cm3": 1.5,
    "preparation": {
      "method": "drop cast", "date": "2026-03-12T16:40:00+01:00", "by": "someone",
      "support_grid": "copper",
      "steps": [{"at": "2026-03-12", "what": "dropped"}]
    }
  },
  "areas": [
    {"name": "a", "grid": "g1", "dose_limit_e_per_a2": 40},
    {"name": "b", "grid": "g1", "dose_limit_e_per_a2": 40}
  ],
  "microscope": {
    "high_tension_kv": 200, "mode": "diffraction", "camera_length_mm": 60,
    "collection_semi_angle_mrad": 10,
    "convergence_semi_angle_mrad": 0.5,
    "dispersion_ev_per_channel": 0.5, "energy_offset_ev": -24
  },
  "laser": {
    "wavelength_nm": 257.5, "pulse_width_fs": 300,
    "repetition_rate_khz": 1000,
    "pulse_energy_nj": 20
  },
  "beam": {
    "dose_rate_e_per_a2_s": 0.02,
    "relative_uncertainty": 0.1,
    "method": "Faraday cup", "measured_at": "2026-03-14T20:50:00Z",
    "residual_e_per_a2_s": 0.0001
  },
  "devices": {
    "detector": "camera",
    "shutter": "beam_shutter",
    "cathode_shutter": "cathode_shutter",
    "gauges": ["room"]
  },
  "gating": {"by": "detector"},
  "blocks": [
    {"name": "darks", "kind": "dark",
     "exposure_s": 10, "count": 4},
    {"name": "film-a", "kind": "specimen", "area": "a",
     "exposure_s": 10,
     "count": 20,
     "interleave": [{"kind": "dark", "every": 5}]},
    {"name": "film-b", "kind": "specimen", "area": "b",
     "exposure_s": 1, "count": 20}
  ],
  "guards": {"dose_e_per_a2": 30},
  "after_restart": "hold"
}
)";

inline const std::string kRig = R"({
  "creel_rig": 0,
  "name": "bench",
  "microscope": {"maker": "unknown", "model": "unknown", "serial": "unknown",
                 "emitter": "unknown", "location": "unknown"},
  "devices": [
    {"name": "camera", "kind": "detector", "driver": "simulated"},
    {"name": "beam_shutter", "kind": "shutter", "driver": "simulated",
     "blocks": "electrons_above_specimen",
     "fails_safe": "yes",
     "fallback": "cathode_shutter"},
    {"name": "cathode_shutter", "kind": "shutter", "driver": "simulated",
     "blocks": "cathode_laser",
     "fails_safe": "yes",
     "fallback": "beam_shutter"},
    {"name": "room", "kind": "gauge", "driver": "simulated"},
    {"name": "delay_line", "kind": "stage", "driver": "simulated"}
  ]
}
)";

/// `text` with its only `from` replaced.
inline std::string with(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  EXPECT_NE(at, std::string::npos) << "the test's document has no " << from;
  EXPECT_EQ(text.find(from, at + 1), std::string::npos)
      << "the test's document has more than one " << from;
  return at == std::string::npos ? text : text.replace(at, from.size(), to);
}

inline std::string series_fault(const std::string& text) {
  const auto series = parse_series(text, "s.json");
  return series.ok() ? "no fault" : series.error().text;
}

inline std::string rig_fault(const std::string& text) {
  const auto rig = parse_rig(text, "r.json");
  return rig.ok() ? "no fault" : rig.error().text;
}

/// A file of the source tree.
inline std::string source_file(const std::string& path) {
  const char* root = std::getenv("CREEL_SOURCE");
  EXPECT_NE(root, nullptr) << "run by ctest, or set CREEL_SOURCE to the source folder";
  std::ifstream file(std::string(root == nullptr ? "." : root) + "/" + path);
  EXPECT_TRUE(file.good()) << path;
  std::stringstream text;
  text << file.rdbuf();
  return text.str();
}

}  // namespace creel::testing_documents
