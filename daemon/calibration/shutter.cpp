#include "daemon/calibration/shutter.h"

#include <cmath>
#include <set>

#include "daemon/calibration/fit.h"

namespace creel::calibration {

Result<ShutterTimes> shutter_times(const Frames& frames, double noise) {
  std::vector<const Frame*> used;
  std::set<std::int64_t> times;
  for (const Frame& frame : frames.lit) {
    if ((frame.kind == ExposureKind::zero_loss || frame.kind == ExposureKind::gain) &&
        !frame.saturated) {
      used.push_back(&frame);
      times.insert(frame.exposure_set_ns);
    }
  }
  if (times.size() < 3 || used.size() < 6) {
    return Error{
        ErrorCode::refused,
        "shutter times need exposures of three lengths and six frames at least; there are " +
            std::to_string(times.size()) + " and " + std::to_string(used.size())};
  }
  const double begin = used.front()->middle_s;
  const double span = std::max(1e-9, used.back()->middle_s - begin);
  std::vector<std::vector<double>> slopes;
  std::vector<double> counts;
  std::vector<double> known;
  std::vector<double> level;
  ShutterTimes made;
  analysis::Spread reported;
  for (const Frame* frame : used) {
    const double opening = 1e-9 * static_cast<double>(frame->exposure_set_ns);
    const double t = (frame->middle_s - begin) / span - 0.5;
    slopes.push_back({opening, 1.0, opening * t});
    counts.push_back(frame->total);
    known.push_back(noise * std::max(1.0, frame->total) + frames.dark_variance(*frame));
    level.push_back(std::max(0.0, frame->total));
    made.sequence.push_back(frame->sequence);
    if (frame->closed_s > frame->opened_s) {
      reported.add(frame->closed_s - frame->opened_s - opening);
    }
  }
  const auto fit_with = [&](std::span<const double> sigma) {
    return fit_linear(slopes, counts, sigma);
  };
  auto flicker = extra_scatter(known, level, fit_with);
  if (!flicker) return flicker.error().during("shutter times");
  auto fit = fit_with(widened(known, level, *flicker));
  if (!fit) return fit.error().during("shutter times");
  if (!(fit->value[0] > 5 * fit->sigma(0))) {
    return Error{ErrorCode::refused, "shutter times: the counts do not grow with the opening"};
  }
  made.flicker = *flicker;
  const double rate = fit->value[0];
  const double excess = fit->value[1] / rate;
  const double variance = (fit->covariance[1][1] - 2 * excess * fit->covariance[0][1] +
                           excess * excess * fit->covariance[0][0]) /
                          (rate * rate);
  made.excess_s = Measured(excess, std::sqrt(variance), used.size());
  made.reported_s =
      reported.count > 1
          ? Measured(reported.mean(),
                     reported.scatter() / std::sqrt(static_cast<double>(reported.count)),
                     reported.count)
          : Measured::none("the shutter does not measure where it stands");
  return made;
}

}  // namespace creel::calibration
