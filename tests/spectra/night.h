// Short first nights, simulated frame by frame and handed to the evaluation as a session would be.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "daemon/analysis/evaluate.h"
#include "sim/world.h"

namespace creel::spectra {

constexpr double kDispersion_ev = 0.5;

/// What is recorded in one session.
struct Night {
  std::string name = "night";
  double begin_s = 0;  ///< world time; different times have different noise and drift
  std::uint32_t exposures = 120;
  double exposure_s = 10;
  double zero_loss_s = 0.002;  ///< longer ones saturate a detector of one row
  std::uint32_t zero_loss_every = 10;
  std::uint32_t zero_loss_count = 5;  ///< each time
  std::uint32_t darks = 20;
  std::uint32_t zero_loss_darks = 10;
  double noise = 1.0;  ///< below 1: counting noise this much smaller and no other, for systematic
                       ///< errors
  double axis_error_ev = 0;  ///< by which the core loss's axis as set is wrong (offset supply)
  double dose_scale = 1.0;   ///< the dose rate as the person believes it, over the true one
  /// What the energy axis does beside the high tension's drift: seconds since the night's begin to
  /// eV by which the zero loss stands lower. Constant during an exposure. Empty: nothing.
  std::function<double(double)> axis_ev;
};

/// A film whose iron is all Fe(II) (0) or all Fe(III) (1) and which the beam does not change.
sim::Laboratory end_member(sim::Laboratory laboratory, double fe3, double t_over_lambda);

/// The laboratory of the nights: flat beam of 2 um, 0.02 e/A^2 s.
sim::Laboratory ink_laboratory();

/// A detector of the nights: `rows` 1 = spectra.
sim::Camera ink_camera(std::uint32_t rows);

/// Records the night. Everything comes from what a session holds: frames, set values, believed
/// dose.
Result<analysis::SessionSpectra> record(const Night& night, const sim::View& view,
                                        const sim::Sensor& sensor,
                                        std::shared_ptr<const analysis::GainMap> gain);

/// The same night, frame by frame.
using FrameSink =
    std::function<Result<void>(const analysis::FrameInfo&, std::span<const std::byte>)>;
Result<void> each_frame(const Night& night, const sim::View& view, const sim::Sensor& sensor,
                        const FrameSink& sink);
/// What its frames are like.
analysis::SpectraCollector::Setup setup_of(const Night& night, const sim::Camera& camera);

/// Evenly lit gain frames, as many darks, of the detector that Sensor(camera, seed, 0) is.
std::shared_ptr<const analysis::GainMap> record_gain(const sim::Camera& camera, std::uint64_t seed,
                                                     std::uint32_t frames);

}  // namespace creel::spectra
