// How many electrons there are, from frames in vacuum or from a typed current.
#pragma once

#include <limits>
#include <optional>
#include <vector>

#include "daemon/calibration/frames.h"
#include "daemon/spectra/series_calibration.h"
#include "protocol/base/result.h"

namespace creel::calibration {

using analysis::Measured;

/// What a detector makes of an electron.
struct CountsPerElectron {
  double value = std::numeric_limits<double>::quiet_NaN();
  double sigma = 0;
  double noise = std::numeric_limits<double>::quiet_NaN();  ///< variance of counts over their mean
  std::string known_from;
};

/// Counts per second of the frames of one kind and place, mean over the time that they were lit.
struct CountRate {
  Measured per_s;      ///< counting and dark errors only: of these frames, not of the source
  double flicker = 0;  ///< relative, of one frame, beyond counting: how steady the source is
  std::vector<std::uint64_t> sequence;
};
/// @param noise  K F of the detector. refused: no usable frames, or no counts in them.
Result<CountRate> count_rate(const Frames& frames, ExposureKind kind, Where where, double noise);

/// Electrons per second from a current read off a Faraday cup's picoammeter.
Measured electrons_of_current(double current_pa, double sigma_pa);

struct Residual {
  Measured fraction;  ///< of the lit beam; the gain cancels
  CountRate blocked, lit;
};
/// Frames of kind background against frames of kind zero_loss in vacuum.
Result<Residual> residual_beam(const Frames& frames, double noise);

/// A lit area and what it makes of one electron.
struct LitArea {
  bool gaussian = false;
  double fwhm_nm = 0;  ///< full width at half maximum; diameter of a flat one
  double sigma_nm = 0;
};
/// Dose at the middle for one electron, 1/angstrom^2: 1/(2 pi s^2), 1/(pi r^2).
double peak_dose_per_electron(const LitArea& area);
/// What an electron meets on the average: the integral of the squared density, 1/(4 pi s^2) for a
/// Gaussian (half the peak), the same as the peak for a flat beam. Closed form.
double mean_dose_per_electron(const LitArea& area);
/// Part of the electrons within a diameter: 1 - exp(-d^2/(8 s^2)); (d/D)^2 up to 1.
double share_within(const LitArea& area, double diameter_nm);

/// Dose rate at the middle, e/angstrom^2/s, errors of current and size together.
Measured dose_rate(const Measured& electrons_per_s, const LitArea& area);

}  // namespace creel::calibration
