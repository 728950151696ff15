// The series that takes a calibration: made from a series that it is to serve, so that devices,
// settings, places and exposure times are the same.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/series/series.h"

namespace creel::calibrate {

/// What a person may say about a calibration; all have defaults.
struct SeriesOptions {
  std::string area;          ///< name of the area that gets the dose; "" = the first
  std::uint32_t frames = 0;  ///< instead of the kind's own number; 0 = that
  double exposure_s = 0;     ///< of evenly lit frames; 0 = those of the series' gain block, or 1 s
  std::string even;       ///< "DEVICE.SETTING=LIT,AFTER": spreads the beam evenly over the detector
  bool dithered = false;  ///< gain: a spectrum that is moved, instead of even light
  std::string supply;     ///< "DEVICE.SETTING": moves the energy axis; "" = found in the series
  double range_ev = 70;   ///< how far the supply is moved
  std::string attenuator;  ///< "STAGE.AXIS": of the laser, in per cent of its power
  std::string edge;        ///< "AXIS=POSITION": where a straight edge of the specimen is
  double reach_um = 0;     ///< each side of it; 0 = 1.5 lit diameters
};

/// @param base  the series that the calibration serves, as parsed.
/// The answer passes parse_series(). invalid_request: an unknown kind, or what the options say is
/// not in the series. refused: what the kind needs is not in the series (a zero-loss block, a
/// vacuum position where the stage moves, an area).
Result<nlohmann::json> series_for(std::string_view kind, const Series& base,
                                  const SeriesOptions& options);

}  // namespace creel::calibrate
