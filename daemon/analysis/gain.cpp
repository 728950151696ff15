#include "daemon/analysis/gain.h"

#include <algorithm>
#include <cmath>

#include "daemon/analysis/pixels.h"

namespace creel::analysis {

namespace {

constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold | session::kSaturated;

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

GainReference::GainReference(const session::FrameShape& shape, double least, double most)
    : shape_(shape), least_(least), most_(most) {}

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
  Sum& sum = (info.kind == ExposureKind::gain ? gain_ : dark_)[info.exposure_set_ns];
  if (sum.frames == 0) {
    sum.sum.assign(pixels.size(), 0.0);
    sum.squares.assign(pixels.size(), 0.0);
    sum.last = pixels;
  }
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    const double step = static_cast<double>(pixels[i]) - sum.last[i];
    sum.sum[i] += pixels[i];
    sum.squares[i] += step * step;
  }
  sum.last.swap(pixels);
  ++sum.frames;
  return {};
}

std::uint64_t GainReference::frames() const {
  std::uint64_t frames = 0;
  for (const auto& [exposure, sum] : gain_) {
    frames += sum.frames;
  }
  return frames;
}

Result<GainMap> GainReference::map(std::string name) const {
  const Sum* gain = nullptr;
  const Sum* dark = nullptr;
  for (const auto& [exposure, sum] : gain_) {
    const auto found = dark_.find(exposure);
    if (found != dark_.end() && (gain == nullptr || sum.frames > gain->frames)) {
      gain = &sum;
      dark = &found->second;
    }
  }
  if (gain == nullptr) {
    return Error{ErrorCode::refused,
                 frames() == 0 ? "gain reference: there are no usable gain frames"
                               : "gain reference: no dark frames have the exposure time of the "
                                 "gain frames; take some"};
  }
  GainMap map;
  map.rows = shape_.rows;
  map.columns = shape_.columns;
  map.frames = gain->frames;
  map.name = std::move(name);
  const auto n = static_cast<double>(gain->frames);
  const auto m = static_cast<double>(dark->frames);
  std::vector<double> light(gain->sum.size());
  double mean = 0;
  for (std::size_t i = 0; i < light.size(); ++i) {
    light[i] = gain->sum[i] / n - dark->sum[i] / m;
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
    if (!(response >= least_) || !(response <= most_)) {
      map.bad[i] = 1;
      ++map.bad_pixels;
      continue;
    }
    map.response[i] = static_cast<float>(response);
    if (gain->frames > 1) {
      const double own = gain->squares[i] / (2.0 * (n - 1.0)) / n;
      const double of_dark = m > 1 ? dark->squares[i] / (2.0 * (m - 1.0)) / m : 0.0;
      map.variance[i] = static_cast<float>((own + of_dark) / (mean * mean));
    }
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
