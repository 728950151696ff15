#include "daemon/setup/live_frames.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "daemon/spectra/pixels.h"
#include "daemon/spectra/zero_loss.h"
#include "protocol/series/series.h"

namespace creel {

namespace {
constexpr double kDarksKept = 50;  // the mean dark follows a detector that warms up
constexpr std::uint32_t kUnusable = session::kBroken | session::kIncomplete;
}  // namespace

LiveFrames::LiveFrames(const Setup& setup)
    : setup_(setup), row_(setup_.shape.columns), dark_(setup_.shape.columns) {}

Result<std::optional<LiveFrame>> LiveFrames::add(const session::Record& record,
                                                 std::span<const std::byte> frame) {
  CREEL_TRY(analysis::check_frame(setup_.shape, frame, record.events));
  if ((record.flags & kUnusable) != 0) {
    return std::optional<LiveFrame>();
  }
  std::fill(row_.begin(), row_.end(), 0.0);
  highest_ = 0;
  analysis::each_pixel_of(setup_.shape, frame, record.events,
                          [this](std::uint32_t, std::uint32_t column, double value) {
                            row_[column] += value;
                            highest_ = std::max(highest_, value);
                          });
  if (record.kind == static_cast<std::uint8_t>(ExposureKind::dark)) {
    learn_dark();
    return std::optional<LiveFrame>();
  }
  return darks_ > 0 ? std::optional(measure(record)) : std::nullopt;
}

void LiveFrames::learn_dark() {
  darks_ = std::min(darks_ + 1, kDarksKept);
  for (std::size_t c = 0; c < row_.size(); ++c) {
    dark_[c] += (row_[c] - dark_[c]) / darks_;
  }
}

LiveFrame LiveFrames::measure(const session::Record& record) {
  for (std::size_t c = 0; c < row_.size(); ++c) {
    row_[c] -= dark_[c];
  }
  LiveFrame made;
  made.exposure_s = 1e-9 * static_cast<double>(record.exposure_ns);
  made.at_s = 1e-9 * static_cast<double>(record.start_ns) + 0.5 * made.exposure_s;
  made.counts = std::accumulate(row_.begin(), row_.end(), 0.0);
  made.highest = highest_;
  made.saturated = (record.flags & session::kSaturated) != 0;
  const bool gain = setup_.counts_per_electron > 0;
  const double electrons = gain ? made.counts / setup_.counts_per_electron : kNotKnown;
  // The beam falls on the detector while it integrates and the shutter is open.
  const double begins = 1e-9 * static_cast<double>(std::max(record.start_ns, record.opened_ns));
  const double ends = made.at_s + 0.5 * made.exposure_s;
  const bool gated = record.closed_ns > record.opened_ns;
  const double closes = gated ? std::min(ends, 1e-9 * static_cast<double>(record.closed_ns)) : ends;
  const double lit_s = gated ? closes - begins : made.exposure_s;
  if (lit_s > 0) {
    made.rate = (gain ? electrons : made.counts) / lit_s;
    made.per_pulse = electrons / (setup_.pulses_per_s * lit_s);
  }
  if (setup_.dispersion_ev > 0 && std::isfinite(record.first_channel_ev)) {
    const auto peak = analysis::fit_zero_loss(row_, record.first_channel_ev, setup_.dispersion_ev);
    if (peak.ok()) {
      made.zero_loss_ev = peak->position_ev;
      made.fwhm_ev = peak->fwhm_ev();
    }
  }
  return made;
}

}  // namespace creel
