// Spectra that Creel did not record: one spectrum without its frames, evaluated as a session is.
//
// What is lost: noise cannot be learnt from frames, so it is presumed (variance = slope * counts);
// there is no dose, so the answer is the mean over whatever dose the spectrum had; drift and darks
// are what its author made of them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "daemon/spectra/session_spectra.h"

namespace creel::analysis {

struct ForeignSpectrum {
  std::string name;
  Grid grid;                   ///< true losses; >= 16 channels
  std::vector<double> counts;  ///< finite
};

/// Counts on an axis of another dispersion and beginning, by their running sum (straight lines
/// between its points), so that none is lost or doubled. Channels beyond the old axis are zero. The
/// noise of neighbours is then shared where the new channels are narrower.
ForeignSpectrum rebinned(const ForeignSpectrum& spectrum, const Grid& grid);

/// The spectrum as a session of one exposure.
/// @param low_loss     of the same specimen, zero loss within 10 eV of 0; nothing: plural
/// scattering
///                     stays in it. Brought to the dispersion of `core`.
/// @param noise_slope  variance over counts: 1 for counted electrons, counts per electron times the
///                     excess noise for a detector that integrates. > 0.
/// invalid_request: sizes or numbers that cannot be; refused: no zero loss in the low loss.
Result<SessionSpectra> as_session(const ForeignSpectrum& core, const ForeignSpectrum* low_loss,
                                  double noise_slope);

}  // namespace creel::analysis
