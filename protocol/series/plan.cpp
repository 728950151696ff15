#include <algorithm>

#include "protocol/series/series.h"

namespace creel {

std::uint64_t times_taken(const Interleave& interleave, std::uint64_t exposures) {
  if (exposures == 0 || interleave.every == 0) return 0;
  return (exposures - 1) / interleave.every + 1;
}

namespace {

/// Place of the block's own exposure number k among everything taken for one value of `vary`.
std::uint64_t place_of(const Block& block, std::uint64_t k) {
  std::uint64_t place = k;
  for (const Interleave& interleave : block.interleave) {
    place += times_taken(interleave, k + 1) * interleave.count;
  }
  return place;
}

/// The first k whose own exposure stands at `place` or after it.
std::uint64_t exposure_at_or_after(const Block& block, std::uint64_t place) {
  std::uint64_t low = 0;
  std::uint64_t high = block.count - 1;
  while (low < high) {
    const std::uint64_t middle = low + (high - low) / 2;
    if (place_of(block, middle) < place) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return low;
}

/// The interleave that stands `offset` places after the first of those before exposure k.
std::uint32_t interleave_before(const Block& block, std::uint64_t k, std::uint64_t offset) {
  for (std::uint32_t i = 0; i < block.interleave.size(); ++i) {
    const Interleave& interleave = block.interleave[i];
    if (interleave.every == 0 || k % interleave.every != 0) continue;
    if (offset < interleave.count) return i;
    offset -= interleave.count;
  }
  CREEL_INVARIANT(false, "a planned exposure belongs to no interleave");
}

}  // namespace

bool PlannedExposure::gives_dose() const {
  return kind != ExposureKind::dark && where == Where::specimen;
}

std::vector<Setting> settings_for(const Series& series, const PlannedExposure& exposure) {
  const Block& block = series.blocks[exposure.block];
  std::vector<Setting> settings = block.settings;
  if (!exposure.interleave) return settings;
  for (const Setting& other : block.interleave[*exposure.interleave].settings) {
    const auto same = std::find_if(settings.begin(), settings.end(),
                                   [&](const Setting& one) { return one.is_same(other); });
    if (same != settings.end()) {
      *same = other;
    } else {
      settings.push_back(other);
    }
  }
  return settings;
}

std::optional<double> first_channel_ev(const Series& series, const PlannedExposure& exposure) {
  const Block& block = series.blocks[exposure.block];
  if (exposure.interleave && block.interleave[*exposure.interleave].energy_offset_ev) {
    return block.interleave[*exposure.interleave].energy_offset_ev;
  }
  return block.energy_offset_ev ? block.energy_offset_ev : series.energy_offset_ev;
}

Plan::Plan(const Series& series) : series_(&series) {
  for (const Block& block : series.blocks) {
    Part part;
    part.first = total_;
    part.per_value = block.count;
    std::uint64_t frames = std::uint64_t{block.count} * block.frames;
    for (const Interleave& interleave : block.interleave) {
      const std::uint64_t taken = times_taken(interleave, block.count) * interleave.count;
      part.per_value += taken;
      frames += taken * interleave.frames;
    }
    const std::uint64_t values = block.vary ? block.vary->values.size() : 1;
    part.total = part.per_value * values;
    frames_ += frames * values;
    total_ += part.total;
    parts_.push_back(part);
  }
}

PlannedExposure Plan::at(std::uint64_t index) const {
  CREEL_INVARIANT(index < total_, "a plan was asked for an exposure beyond its end");
  const auto after =
      std::upper_bound(parts_.begin(), parts_.end(), index,
                       [](std::uint64_t i, const Part& part) { return i < part.first; });
  const Part& part = *std::prev(after);
  const auto number = static_cast<std::size_t>(std::prev(after) - parts_.begin());
  const Block& block = series_->blocks[number];
  const std::uint64_t place = (index - part.first) % part.per_value;

  PlannedExposure planned;
  planned.index = index;
  planned.block = static_cast<std::uint32_t>(number);
  planned.where = block.where;
  if (block.vary) planned.vary_value = block.vary->values[(index - part.first) / part.per_value];
  const std::uint64_t k = exposure_at_or_after(block, place);
  if (place_of(block, k) == place) {
    planned.kind = block.kind;
    planned.exposure = block.exposure;
    planned.frames = block.frames;
  } else {
    const std::uint64_t group_begins = k == 0 ? 0 : place_of(block, k - 1) + 1;
    planned.interleave = interleave_before(block, k, place - group_begins);
    const Interleave& interleave = block.interleave[*planned.interleave];
    planned.kind = interleave.kind;
    planned.exposure = interleave.exposure;
    planned.frames = interleave.frames;
  }
  if (planned.gives_dose()) planned.area = block.area;
  return planned;
}

}  // namespace creel
