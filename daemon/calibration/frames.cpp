#include "daemon/calibration/frames.h"

#include <cmath>
#include <limits>
#include <numeric>

#include "daemon/spectra/pixels.h"

namespace creel::calibration {

namespace {

constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold;
constexpr double kNan = std::numeric_limits<double>::quiet_NaN();

double seconds_of(std::int64_t ns) {
  return 1e-9 * static_cast<double>(ns);
}

std::int64_t integration(const session::Record& record) {
  return record.exposure_ns > 0 ? record.exposure_ns : record.exposure_set_ns;
}

Frame described(const session::Record& record, Gating gating) {
  Frame made;
  made.sequence = record.sequence;
  made.kind = static_cast<ExposureKind>(record.kind);
  made.where = static_cast<Where>(record.where);
  made.block = record.block;
  made.saturated = (record.flags & session::kSaturated) != 0;
  made.exposure_set_ns = record.exposure_set_ns;
  made.integration_ns = integration(record);
  const bool measured = (record.flags & session::kShutterNotMeasured) == 0 &&
                        record.opened_ns > 0 && record.closed_ns > record.opened_ns;
  if (measured) {
    made.opened_s = seconds_of(record.opened_ns);
    made.closed_s = seconds_of(record.closed_ns);
  }
  if (gating == Gating::detector) {
    made.lit_s = seconds_of(made.integration_ns);
  } else {
    made.lit_s = measured ? made.closed_s - made.opened_s : seconds_of(record.exposure_set_ns);
  }
  made.start_s = seconds_of(record.start_ns);
  made.middle_s = made.start_s + 0.5 * seconds_of(record.exposure_ns);
  made.vary = record.vary_value;
  made.first_ev = record.first_channel_ev;
  return made;
}

}  // namespace

Result<void> FrameCollector::add(const session::Record& record, std::span<const std::byte> frame) {
  CREEL_TRY(analysis::check_frame(shape_, frame, record.events));
  std::vector<double> counts(shape_.columns, 0.0);
  analysis::each_pixel_of(
      shape_, frame, record.events,
      [&counts](std::uint32_t, std::uint32_t column, double value) { counts[column] += value; });
  const double total = std::accumulate(counts.begin(), counts.end(), 0.0);
  if ((record.flags & kUnusable) != 0 || !std::isfinite(total)) {
    ++frames_.left_out;
    return {};
  }
  if (static_cast<ExposureKind>(record.kind) == ExposureKind::dark) {
    take_dark(record, counts, total);
    return {};
  }
  if (frames_.lit.size() >= kMostFrames) {
    return Error{ErrorCode::refused,
                 "more than " + std::to_string(kMostFrames) +
                     " frames with beam: that is no calibration; give a shorter session"};
  }
  Frame made = described(record, gating_);
  made.total = total;
  made.counts = std::move(counts);
  frames_.lit.push_back(std::move(made));
  return {};
}

void FrameCollector::take_dark(const session::Record& record, const std::vector<double>& counts,
                               double total) {
  frames_.dark_sequence.push_back(record.sequence);
  Dark& dark = darks_[integration(record)];
  if (dark.frames == 0) {
    dark.sum.assign(counts.size(), 0.0);
  } else {
    dark.squares += (total - dark.last_total) * (total - dark.last_total);
    for (std::size_t c = 0; c < counts.size(); ++c) {
      const double step = counts[c] - dark.last[c];
      dark.channel_squares += step * step / static_cast<double>(counts.size());
    }
  }
  for (std::size_t c = 0; c < counts.size(); ++c) dark.sum[c] += counts[c];
  dark.total += total;
  dark.last = counts;
  dark.last_total = total;
  ++dark.frames;
}

Frames FrameCollector::finish() const {
  Frames made;
  made.left_out = frames_.left_out;
  made.dark_sequence = frames_.dark_sequence;
  for (const auto& [exposure, dark] : darks_) {
    DarkSum& sum = made.darks[exposure];
    const auto n = static_cast<double>(dark.frames);
    sum.frames = dark.frames;
    sum.total = dark.total / n;
    // Successive differences: J. von Neumann et al., Ann. Math. Statist. 12, 153 (1941).
    sum.variance = dark.frames < 2 ? kNan : dark.squares / (2 * (n - 1));
    sum.channel_variance = dark.frames < 2 ? kNan : dark.channel_squares / (2 * (n - 1));
    for (const double counts : dark.sum) sum.mean.push_back(counts / n);
  }
  for (const Frame& frame : frames_.lit) {
    const auto dark = made.darks.find(frame.integration_ns);
    if (dark == made.darks.end()) {
      ++made.without_dark;
      continue;
    }
    Frame& lit = made.lit.emplace_back(frame);
    lit.total -= dark->second.total;
    for (std::size_t c = 0; c < lit.counts.size(); ++c) lit.counts[c] -= dark->second.mean[c];
  }
  return made;
}

std::vector<const Frame*> Frames::of(ExposureKind kind, Where where, bool saturated) const {
  std::vector<const Frame*> found;
  for (const Frame& frame : lit) {
    if (frame.kind == kind && frame.where == where && (saturated || !frame.saturated)) {
      found.push_back(&frame);
    }
  }
  return found;
}

double Frames::dark_variance(const Frame& frame) const {
  const DarkSum& dark = darks.at(frame.integration_ns);
  return std::isfinite(dark.variance) ? dark.variance * (1 + 1 / static_cast<double>(dark.frames))
                                      : 0.0;
}

}  // namespace creel::calibration
