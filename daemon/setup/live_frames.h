// What one frame of a set-up shows. Pure numerics: no file, no clock. One thread.
#pragma once

#include <cstdint>
#include <limits>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/session/layout.h"
#include "protocol/session/shape.h"

namespace creel {

constexpr double kNotKnown = std::numeric_limits<double>::quiet_NaN();

/// NaN where it cannot be told.
struct LiveFrame {
  double at_s = 0;                  ///< world time of the middle of the exposure
  double exposure_s = 0;            ///< as the detector says
  double counts = 0;                ///< above dark, over all pixels
  double rate = 0;                  ///< a second: electrons, or counts where the gain is unknown
  double per_pulse = kNotKnown;     ///< electrons that reached the detector for each laser pulse
  double zero_loss_ev = kNotKnown;  ///< on the axis as typed
  double fwhm_ev = kNotKnown;       ///< of the zero loss
  double highest = 0;               ///< of all pixels, as read
  bool saturated = false;           ///< the detector says so: counts are a lower bound
};

class LiveFrames {
 public:
  struct Setup {
    session::FrameShape shape;
    double dispersion_ev = kNotKnown;        ///< per channel, as typed
    double counts_per_electron = kNotKnown;  ///< as the detector says
    double pulses_per_s = kNotKnown;         ///< of the cathode laser, as typed
  };
  explicit LiveFrames(const Setup& setup);

  /// Darks are learnt from and show nothing; so do frames before the first dark, and those that
  /// broke. invalid_request for a frame that does not have the shape.
  Result<std::optional<LiveFrame>> add(const session::Record& record,
                                       std::span<const std::byte> frame);

 private:
  void learn_dark();
  [[nodiscard]] LiveFrame measure(const session::Record& record);

  Setup setup_;
  std::vector<double> row_, dark_;  ///< summed over the rows
  double highest_ = 0;
  double darks_ = 0;  ///< that the mean holds; old ones fade
};

}  // namespace creel
