#include "daemon/series/live_answer.h"

#include <algorithm>
#include <cmath>

namespace creel {

std::unique_ptr<LiveAnswer> LiveAnswer::make(const Series& series, const std::string& session,
                                             const session::FrameShape& shape,
                                             const nlohmann::json& detector) {
  // Frames of one exposure come faster than a spectrum can be looked into.
  const bool streams = std::any_of(series.blocks.begin(), series.blocks.end(),
                                   [](const Block& block) { return block.frames > 1; });
  const auto metal = std::find_if(
      series.elements.begin(), series.elements.end(),
      [](const std::string& element) { return analysis::white_line_windows(element).ok(); });
  const bool has_metal = metal != series.elements.end();
  if (streams || !series.dispersion_ev || !series.energy_offset_ev ||
      (!has_metal && !series.guards.look_at_frames())) {
    return nullptr;
  }
  analysis::SpectraCollector::Setup setup;
  setup.name = session;
  setup.shape = shape;
  setup.dispersion_ev = *series.dispersion_ev;
  std::unique_ptr<LiveAnswer> live(new LiveAnswer);
  if (has_metal) {
    live->ratio_.emplace(setup, *metal);
  }
  if (series.guards.look_at_frames()) {
    analysis::RunningMeasures::Setup measures;
    measures.spectra = setup;
    const auto gain = detector.find("gain");
    if (gain != detector.end() && gain->is_object() && gain->contains("counts_per_electron") &&
        gain->at("counts_per_electron").is_number()) {
      measures.counts_per_electron = gain->at("counts_per_electron");
    }
    measures.elements = series.elements;
    if (series.guards.damage && has_metal) {
      measures.metal = *metal;
      measures.slice = series.guards.damage->slice_exposures;
    }
    live->measures_.emplace(std::move(measures));
  }
  return live;
}

void LiveAnswer::take(const session::Record& record, std::span<const std::byte> frame) {
  if (ratio_) {
    const auto taken = ratio_->add(analysis::frame_info(record), frame);
    if (!taken.ok()) {
      ratio_.reset();
      give_up("no running white-line ratio any more", taken.error());
    } else {
      frames_ += record.kind == static_cast<std::uint8_t>(ExposureKind::specimen) ? 1 : 0;
    }
  }
  measure(record, frame);
}

void LiveAnswer::measure(const session::Record& record, std::span<const std::byte> frame) {
  if (!measures_) {
    return;
  }
  auto found = measures_->add(analysis::frame_info(record), frame);
  if (!found.ok()) {
    measures_.reset();
    give_up("the guards no longer see what the frames show", found.error());
    return;
  }
  for (FrameMeasures& one : *found) {
    one.exposure = record.exposure;
    one.block = record.block;
    one.vary_value = std::isfinite(record.vary_value) ? record.vary_value : 0;
    measured_.push_back(std::move(one));
  }
}

void LiveAnswer::give_up(const std::string& what, const Error& error) {
  trouble_ += (trouble_.empty() ? "" : "; ") + what + ": " + error.text;
}

std::optional<RunningAnswer> LiveAnswer::news() {
  if (!ratio_ || frames_ < next_) {
    return std::nullopt;
  }
  next_ = frames_ + 1 + frames_ / 50;
  const analysis::RunningEstimate now = ratio_->current();
  if (!now.ratio) {
    return std::nullopt;
  }
  return RunningAnswer{now.ratio->value, now.ratio->sigma, now.specimen_frames};
}

}  // namespace creel
