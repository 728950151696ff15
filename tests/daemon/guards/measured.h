// What guards are told in their tests.
#pragma once

#include "daemon/guards/guard.h"

namespace creel {

inline FrameMeasures measured(ExposureKind kind, MeasureKind measure, double value,
                              std::uint16_t area = 0, double dose = 0, double sigma = 0.01) {
  FrameMeasures made;
  made.kind = kind;
  made.area = area;
  made.dose = dose;
  made.measures = {{measure, value, sigma}};
  return made;
}

inline FrameMeasures reference(MeasureKind measure, double value, std::uint16_t area = 0) {
  return measured(ExposureKind::zero_loss, measure, value, area);
}

inline BeforeExposure next_exposure(double now_s = 0) {
  BeforeExposure view;
  view.exposure.kind = ExposureKind::specimen;
  view.exposure.area = "A1";
  view.exposure.exposure = seconds(10);
  view.now = WorldTime{} + from_seconds(now_s);
  view.takes = seconds(10);
  return view;
}

}  // namespace creel
