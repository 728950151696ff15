// Sessions read for the evaluation: their spectra, and what their documents say of them.
#pragma once

#include <memory>
#include <string>

#include "client/report/session_parts.h"
#include "daemon/losses/conditions.h"
#include "daemon/spectra/gain.h"
#include "daemon/spectra/series_calibration.h"
#include "daemon/spectra/session_spectra.h"
#include "protocol/base/result.h"
#include "protocol/series/series.h"
#include "protocol/session/reader.h"

namespace creel::report {

struct SessionInput {
  std::string path;
  session::Documents documents;
  Series series;  ///< parsed from the session's own document
  analysis::SessionSpectra spectra;
  analysis::SeriesCalibration calibration;  ///< what the session says of the instrument
  std::uint64_t damaged = 0;  ///< frames left out because their checksum does not hold
};

/// Reads a session once, frame by frame; memory does not grow with the number of frames. `gain` may
/// be null. Errors name the session: its series document is not valid, it does not say dispersion
/// and energy offset, or there are not the frames that an evaluation needs.
Result<SessionInput> read_session(session::FileSource& source, const std::string& path,
                                  std::shared_ptr<const analysis::GainMap> gain,
                                  const Progress& progress);

/// The gain map of a session with gain frames; its name is the session's.
Result<std::shared_ptr<const analysis::GainMap>> read_gain(session::FileSource& source,
                                                           const std::string& path,
                                                           const Progress& progress);

/// What the series says of specimen and microscope.
analysis::Conditions conditions_of(const Series& series);

/// Why two sessions cannot be compared: another detector, frame shape, dispersion, high tension or
/// collection angle; "" = they can.
std::string differs(const SessionInput& one, const SessionInput& other);

}  // namespace creel::report
