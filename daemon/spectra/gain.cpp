#include "daemon/spectra/gain.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "daemon/spectra/dithered_gain.h"
#include "daemon/spectra/pixels.h"

namespace creel::analysis {

namespace {

constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold | session::kSaturated;
constexpr double kLeast = 0.5, kMost = 1.5;  // responses of pixels that are not bad
constexpr std::size_t kMostVisits = 1000;
constexpr double kSpikeThreshold = 9;  // standard deviations
constexpr double kTolerance = 0.05;    // of the light, from frame to frame

float fill_from_row(const GainMap& map, const std::vector<float>& pixels, std::size_t row,
                    std::size_t column) {
  const std::size_t first = row * map.columns;
  double sum = 0;
  int found = 0;
  for (std::size_t c = column; c-- > 0;) {
    if (map.bad[first + c] == 0) {
      sum += pixels[first + c];
      ++found;
      break;
    }
  }
  for (std::size_t c = column + 1; c < map.columns; ++c) {
    if (map.bad[first + c] == 0) {
      sum += pixels[first + c];
      ++found;
      break;
    }
  }
  return found > 0 ? static_cast<float>(sum / found) : 0.0F;
}

}  // namespace

Result<void> GainReference::add(const FrameInfo& info, std::span<const std::byte> frame) {
  CREEL_TRY(check_frame(shape_, frame, info.events));
  if ((info.kind != ExposureKind::gain && info.kind != ExposureKind::dark) ||
      (info.flags & kUnusable) != 0) {
    return {};
  }
  std::vector<float> pixels;
  pixels.reserve(static_cast<std::size_t>(shape_.rows) * shape_.columns);
  bool numbers = true;
  each_pixel_of(shape_, frame, info.events, [&](std::uint32_t, std::uint32_t, double value) {
    numbers = numbers && std::isfinite(value);
    pixels.push_back(static_cast<float>(value));
  });
  if (!numbers) {
    return {};
  }
  const auto sink = [this](const FrameInfo& of, const std::vector<float>& cleaned) {
    take(of, cleaned);
  };
  if (info.kind == ExposureKind::dark) {
    dark_filters_.try_emplace(info.exposure_set_ns, new_filter())
        .first->second.add(info, std::move(pixels), sink);
    return {};
  }
  ++frames_;
  if (!gain_filter_ || gain_of_.first_ev != info.first_ev ||
      gain_of_.exposure_set_ns != info.exposure_set_ns) {
    if (gain_filter_) {
      gain_filter_->flush(sink);
    }
    gain_filter_ = new_filter();
    gain_of_ = info;
  }
  gain_filter_->add(info, std::move(pixels), sink);
  if (visits_.size() > kMostVisits) {
    return Error{ErrorCode::refused,
                 "gain reference: the energy or the exposure time was changed more than " +
                     std::to_string(kMostVisits) + " times"};
  }
  return {};
}

SpikeFilter GainReference::new_filter() const {
  return {shape_.rows, shape_.columns, kSpikeThreshold, kTolerance};
}

void GainReference::take(const FrameInfo& info, const std::vector<float>& pixels) {
  const bool lit = info.kind == ExposureKind::gain;
  if (lit) {
    std::vector<double> columns(shape_.columns, 0.0);
    for (std::size_t i = 0; i < pixels.size(); ++i) {
      columns[i % shape_.columns] += pixels[i];
    }
    take_visit(info, std::move(columns));
  }
  Sum& sum = (lit ? gain_ : dark_)[info.exposure_set_ns];
  if (sum.frames == 0) {
    sum.sum.assign(pixels.size(), 0.0);
    sum.squares.assign(pixels.size(), 0.0);
    sum.with_total.assign(pixels.size(), 0.0);
    sum.last = pixels;
  }
  const double total = std::accumulate(pixels.begin(), pixels.end(), 0.0) -
                       std::accumulate(sum.last.begin(), sum.last.end(), 0.0);
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    const double step = static_cast<double>(pixels[i]) - sum.last[i];
    sum.sum[i] += pixels[i];
    sum.squares[i] += step * step;
    sum.with_total[i] += total * step;
  }
  sum.total_squares += total * total;
  sum.last = pixels;
  ++sum.frames;
}

/// Squares of a pixel's successive differences, less what it should change when the light does: it
/// has `part_of_light` of it. A laser that drops out for a frame is then no noise.
double GainReference::Sum::own_squares(std::size_t pixel, double part_of_light) const {
  return squares[pixel] - 2 * part_of_light * with_total[pixel] +
         part_of_light * part_of_light * total_squares;
}

void GainReference::take_visit(const FrameInfo& info, std::vector<double> columns) {
  if (visits_.empty() || visits_.back().first_ev != info.first_ev ||
      visits_.back().exposure_set_ns != info.exposure_set_ns) {
    visits_.push_back({info.exposure_set_ns, info.first_ev, 1, columns, std::move(columns)});
    return;
  }
  Visit& visit = visits_.back();
  learn_noise(visit, columns);
  for (std::size_t c = 0; c < columns.size(); ++c) {
    visit.sum[c] += columns[c];
  }
  visit.last = std::move(columns);
  ++visit.frames;
}

/// Squares of successive differences, what all channels do together taken out. Needs darks before
/// the light.
void GainReference::learn_noise(const Visit& visit, const std::vector<double>& columns) {
  const auto dark = dark_.find(visit.exposure_set_ns);
  if (dark == dark_.end()) {
    return;
  }
  const std::vector<double> offset = column_darks(dark->second);
  double before = 0;
  double after = 0;
  for (std::size_t c = 0; c < columns.size(); ++c) {
    before += visit.last[c] - offset[c];
    after += columns[c] - offset[c];
  }
  const double light = before + after;
  for (std::size_t c = 0; c < columns.size() && light > 0; ++c) {
    const double level = 0.5 * (visit.last[c] + columns[c]) - offset[c];
    const double step = columns[c] - visit.last[c] - 2 * (after - before) / light * level;
    products_ += 0.5 * step * step;
    levels_ += level;
  }
  pairs_ += 1;
}

std::vector<double> GainReference::column_darks(const Sum& dark) const {
  std::vector<double> mean(shape_.columns, 0.0);
  for (std::size_t i = 0; i < dark.sum.size(); ++i) {
    mean[i % shape_.columns] += dark.sum[i] / static_cast<double>(dark.frames);
  }
  return mean;
}

bool GainReference::moved(std::int64_t exposure_set_ns) const {
  const Visit* first = nullptr;
  for (const Visit& visit : visits_) {
    if (visit.exposure_set_ns != exposure_set_ns) {
      continue;
    }
    if (first != nullptr && visit.first_ev != first->first_ev) {
      return true;
    }
    first = &visit;
  }
  return false;
}

Result<GainMap> GainReference::map(std::string name) const {
  GainReference whole(*this);
  const auto sink = [&whole](const FrameInfo& of, const std::vector<float>& cleaned) {
    whole.take(of, cleaned);
  };
  for (auto& [exposure, filter] : whole.dark_filters_) {
    filter.flush(sink);
  }
  if (whole.gain_filter_) {
    whole.gain_filter_->flush(sink);
  }
  return whole.whole_map(std::move(name));
}

Result<GainMap> GainReference::whole_map(std::string name) const {
  const Sum* gain = nullptr;
  const Sum* dark = nullptr;
  std::int64_t of = 0;
  for (const auto& [exposure, sum] : gain_) {
    const auto found = dark_.find(exposure);
    if (found != dark_.end() && (gain == nullptr || sum.frames > gain->frames)) {
      gain = &sum;
      dark = &found->second;
      of = exposure;
    }
  }
  if (gain == nullptr) {
    return Error{ErrorCode::refused,
                 frames_ == 0 ? "gain reference: there are no usable gain frames"
                              : "gain reference: no dark frames have the exposure time of the "
                                "gain frames; take some"};
  }
  auto map = moved(of) ? dithered_map(of, *dark) : even_map(*gain, *dark);
  if (map.ok()) {
    map->rows = shape_.rows;
    map->columns = shape_.columns;
    map->frames = gain->frames;
    map->name = std::move(name);
  }
  return map;
}

Result<GainMap> GainReference::even_map(const Sum& gain, const Sum& dark) const {
  GainMap map;
  const auto n = static_cast<double>(gain.frames);
  const auto m = static_cast<double>(dark.frames);
  std::vector<double> light(gain.sum.size());
  double mean = 0;
  for (std::size_t i = 0; i < light.size(); ++i) {
    light[i] = gain.sum[i] / n - dark.sum[i] / m;
    mean += light[i] / static_cast<double>(light.size());
  }
  if (!(mean > 0)) {
    return Error{ErrorCode::refused,
                 "gain reference: the gain frames are no brighter than the "
                 "darks"};
  }
  map.response.assign(light.size(), 1.0F);
  map.variance.assign(light.size(), 0.0F);
  map.bad.assign(light.size(), 0);
  for (std::size_t i = 0; i < light.size(); ++i) {
    const double response = light[i] / mean;
    if (!(response >= kLeast) || !(response <= kMost)) {
      map.bad[i] = 1;
      ++map.bad_pixels;
      continue;
    }
    map.response[i] = static_cast<float>(response);
    if (gain.frames > 1) {
      const double part = light[i] / (mean * static_cast<double>(light.size()));
      const double own = gain.own_squares(i, part) / (2.0 * (n - 1.0)) / n;
      const double of_dark = m > 1 ? dark.squares[i] / (2.0 * (m - 1.0)) / m : 0.0;
      map.variance[i] = static_cast<float>((own + of_dark) / (mean * mean));
    }
  }
  return map;
}

Result<GainMap> GainReference::dithered_map(std::int64_t exposure_set_ns, const Sum& dark) const {
  if (!(dispersion_ev_ > 0)) {
    return Error{ErrorCode::refused,
                 "gain reference: its frames were taken at several energies, and the session does "
                 "not say microscope.dispersion_ev_per_channel, which tells by how many channels "
                 "the spectrum was moved"};
  }
  const std::vector<double> offset = column_darks(dark);
  const auto m = static_cast<double>(dark.frames);
  double dark_variance = 0;  // of a channel of one frame
  for (const double square : dark.squares) {
    dark_variance += square / (2.0 * std::max(1.0, m - 1.0)) / shape_.columns;
  }
  if (!(levels_ > 0) || !(products_ > pairs_ * dark_variance * shape_.columns)) {
    return Error{ErrorCode::refused,
                 "gain reference: the noise of the moved spectrum cannot be told; take darks "
                 "first, and two frames at each energy at least"};
  }
  const double noise = (products_ - pairs_ * dark_variance * shape_.columns) / levels_;
  std::vector<DitheredFrame> frames;
  for (const Visit& visit : visits_) {
    if (visit.exposure_set_ns != exposure_set_ns) {
      continue;
    }
    const auto n = static_cast<double>(visit.frames);
    DitheredFrame& frame = frames.emplace_back();
    frame.moved =
        static_cast<int>(std::lround((visit.first_ev - visits_.front().first_ev) / dispersion_ev_));
    frame.dark_variance = dark_variance * n;
    frame.frames = n;
    for (std::size_t c = 0; c < visit.sum.size(); ++c) {
      frame.counts.push_back(visit.sum[c] - n * offset[c]);
    }
  }
  const auto found = dithered_gain(frames, noise, std::sqrt(dark_variance / m));
  if (!found.ok()) {
    return found.error().during("gain reference");
  }
  GainMap map;
  map.by_channel = true;
  map.misfit = found->chi2 / static_cast<double>(std::max<std::size_t>(1, found->freedom));
  map.spread = found->spread;
  map.sigma_spread = found->sigma_spread;
  map.bad.assign(std::size_t{shape_.rows} * shape_.columns, 0);
  for (std::size_t i = 0; i < map.bad.size(); ++i) {
    const double sigma = found->sigma[i % shape_.columns];
    map.response.push_back(static_cast<float>(found->response[i % shape_.columns]));
    map.variance.push_back(static_cast<float>(sigma * sigma));
  }
  return map;
}

void correct_gain(const GainMap& map, std::vector<float>& pixels) {
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    pixels[i] /= map.response[i];
  }
  if (map.bad_pixels == 0) {
    return;
  }
  for (std::size_t row = 0; row < map.rows; ++row) {
    for (std::size_t column = 0; column < map.columns; ++column) {
      if (map.bad[row * map.columns + column] != 0) {
        pixels[row * map.columns + column] = fill_from_row(map, pixels, row, column);
      }
    }
  }
}

}  // namespace creel::analysis
