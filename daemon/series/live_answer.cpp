#include "daemon/series/live_answer.h"

#include <algorithm>

namespace creel {

std::unique_ptr<LiveAnswer> LiveAnswer::make(const Series& series, const std::string& session,
                                             const session::FrameShape& shape) {
  // Frames of one exposure come faster than a spectrum can be looked into.
  const bool streams = std::any_of(series.blocks.begin(), series.blocks.end(),
                                   [](const Block& block) { return block.frames > 1; });
  const auto metal = std::find_if(
      series.elements.begin(), series.elements.end(),
      [](const std::string& element) { return analysis::white_line_windows(element).ok(); });
  if (streams || metal == series.elements.end() || !series.dispersion_ev ||
      !series.energy_offset_ev) {
    return nullptr;
  }
  analysis::SpectraCollector::Setup setup;
  setup.name = session;
  setup.shape = shape;
  setup.dispersion_ev = *series.dispersion_ev;
  return std::unique_ptr<LiveAnswer>(new LiveAnswer(analysis::RunningRatio(setup, *metal)));
}

void LiveAnswer::take(const session::Record& record, std::span<const std::byte> frame) {
  if (ended_) {
    return;
  }
  const auto taken = ratio_.add(analysis::frame_info(record), frame);
  if (!taken.ok()) {
    ended_ = true;
    trouble_ = "no running white-line ratio any more: " + taken.error().text;
    return;
  }
  frames_ += record.kind == static_cast<std::uint8_t>(ExposureKind::specimen) ? 1 : 0;
}

std::optional<RunningAnswer> LiveAnswer::news() {
  if (ended_ || frames_ < next_) {
    return std::nullopt;
  }
  next_ = frames_ + 1 + frames_ / 50;
  const analysis::RunningEstimate now = ratio_.current();
  if (!now.ratio) {
    return std::nullopt;
  }
  return RunningAnswer{now.ratio->value, now.ratio->sigma, now.specimen_frames};
}

}  // namespace creel
