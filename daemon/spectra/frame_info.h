// What the evaluation must know about a frame besides its pixels. Filled by whoever reads the
// session: nothing in daemon/analysis opens a file.
#pragma once

#include <cmath>
#include <cstdint>

#include "protocol/series/series.h"
#include "protocol/session/layout.h"

namespace creel::analysis {

struct FrameInfo {
  ExposureKind kind = ExposureKind::specimen;
  Where where = Where::specimen;     ///< zero-loss frames in vacuum hold no low-loss spectrum
  std::uint32_t flags = 0;           ///< session::RecordFlag
  std::uint16_t area = 0;            ///< frames of different areas are never mixed before the fit
  std::int64_t exposure_set_ns = 0;  ///< as asked: finds the darks that belong to it
  double first_ev = 0;               ///< lower edge of channel 0 as set, offset supply included
  double middle_s = 0;               ///< world time of the middle of the exposure
  double dose_before = 0;            ///< of the area, e/angstrom^2, when the exposure began
  double dose_after = 0;             ///< and when it had ended
  std::uint64_t events = 0;          ///< of a list of events: places that hold one
};

/// From a session's record; the energy axis is 0 where it states none (darks have none). The dose
/// is the ledger's: earlier sessions on the same area count.
inline FrameInfo frame_info(const session::Record& record) {
  FrameInfo info;
  info.kind = static_cast<ExposureKind>(record.kind);
  info.where = static_cast<Where>(record.where);
  info.flags = record.flags;
  info.area = record.area;
  info.exposure_set_ns = record.exposure_set_ns;
  info.first_ev = std::isfinite(record.first_channel_ev) ? record.first_channel_ev : 0.0;
  info.middle_s =
      1e-9 * (static_cast<double>(record.start_ns) + 0.5 * static_cast<double>(record.exposure_ns));
  info.dose_before = record.area_dose - record.dose;
  info.dose_after = record.area_dose;
  info.events = record.events;
  return info;
}

}  // namespace creel::analysis
