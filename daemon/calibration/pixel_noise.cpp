#include "daemon/calibration/pixel_noise.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>
#include <optional>

#include "daemon/calibration/fit.h"
#include "daemon/spectra/pixels.h"

namespace creel::calibration {

namespace {

constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold | session::kSaturated;
constexpr std::uint32_t kReach = 2;  // pixels: further a point spread carries no noise worth it
constexpr double kSpike = 8;         // standard deviations

struct Scattered {
  double mean = 0, sigma = 0;
};

/// Mean over tiles with its error.
Scattered over_tiles(const std::vector<double>& values) {
  const auto n = static_cast<double>(values.size());
  Scattered made;
  for (const double value : values) made.mean += value / n;
  double squares = 0;
  for (const double value : values) squares += (value - made.mean) * (value - made.mean);
  made.sigma = n > 1 ? std::sqrt(squares / (n * (n - 1))) : std::nan("");
  return made;
}

/// A function of several numbers that every tile has: value at their means, error by leaving out
/// one tile after another (M. H. Quenouille, Biometrika 43, 353 (1956)).
Measured jackknife(const std::vector<std::vector<double>>& tiles, std::uint64_t frames,
                   const std::function<double(const std::vector<double>&)>& function) {
  if (tiles.size() < 4) return Measured::none("the sensor is too small for an error from tiles");
  const auto n = static_cast<double>(tiles.size());
  std::vector<double> sum(tiles.front().size(), 0.0);
  for (const auto& tile : tiles) {
    for (std::size_t k = 0; k < sum.size(); ++k) sum[k] += tile[k];
  }
  std::vector<double> without;
  std::vector<double> left(sum.size());
  for (const auto& tile : tiles) {
    for (std::size_t k = 0; k < sum.size(); ++k) left[k] = (sum[k] - tile[k]) / (n - 1);
    without.push_back(function(left));
  }
  std::vector<double> mean(sum);
  for (double& one : mean) one /= n;
  const Scattered scatter = over_tiles(without);
  return {function(mean), scatter.sigma * (n - 1), frames};
}

/// One tile's numbers of a level less those of its darks; nothing where either was never clean.
struct Clean {
  double level, all_lags, none, column_1, column_2, row_1, dark_none;
};
std::optional<Clean> clean(const NoiseLevel::Tile& lit, const NoiseLevel::Tile& dark) {
  if (lit.pairs < 1 || dark.pairs < 1) return std::nullopt;
  const auto less = [&](double NoiseLevel::Tile::*part) {
    return lit.*part / lit.pairs - dark.*part / dark.pairs;
  };
  using Tile = NoiseLevel::Tile;
  return Clean{less(&Tile::level),    less(&Tile::all_lags), less(&Tile::none),
               less(&Tile::column_1), less(&Tile::column_2), less(&Tile::row_1),
               dark.none / dark.pairs};
}

/// Calls take(exposure_s, frames, tiles) for each exposure time with light and darks.
Result<void> each_level(
    const NoiseCollector& noise,
    const std::function<void(double, std::uint64_t, const std::vector<Clean>&)>& take) {
  bool any = false;
  for (const auto& [exposure, lit] : noise.gain()) {
    const auto dark = noise.dark().find(exposure);
    if (lit.frames < 3 || dark == noise.dark().end() || dark->second.frames < 3) continue;
    std::vector<Clean> tiles;
    for (std::size_t i = 0; i < lit.tiles.size(); ++i) {
      if (const auto one = clean(lit.tiles[i], dark->second.tiles[i])) tiles.push_back(*one);
    }
    const double light =
        std::accumulate(tiles.begin(), tiles.end(), 0.0,
                        [](double sum, const Clean& tile) { return sum + tile.level; });
    if (tiles.size() < 4 || !(light > 0)) continue;
    take(1e-9 * static_cast<double>(exposure), lit.frames, tiles);
    any = true;
  }
  if (any) return {};
  return Error{ErrorCode::refused,
               "no exposure time has three evenly lit frames (kind gain) brighter than three darks "
               "of the same time"};
}

/// r = 2 p q / (q^2 + 2 p^2) with q = 1 - 2 p, solved for p in [0, 1/3].
double neighbour_part(double correlation) {
  double low = 0;
  double high = 1.0 / 3.0;
  for (int round = 0; round < 50; ++round) {
    const double p = 0.5 * (low + high);
    const double q = 1 - 2 * p;
    (2 * p * q / (q * q + 2 * p * p) < correlation ? low : high) = p;
  }
  return 0.5 * (low + high);
}

}  // namespace

NoiseCollector::NoiseCollector(const session::FrameShape& shape)
    : shape_(shape),
      tile_rows_(std::min<std::uint32_t>(shape.rows, 16)),
      tile_columns_(std::clamp<std::uint32_t>(shape.columns / 16, 16, 64)),
      row_reach_(shape.rows > 2 * kReach ? kReach : 0) {}

Result<void> NoiseCollector::add(const analysis::FrameInfo& info,
                                 std::span<const std::byte> frame) {
  CREEL_TRY(analysis::check_frame(shape_, frame, info.events));
  const bool is_gain = info.kind == ExposureKind::gain;
  if ((!is_gain && info.kind != ExposureKind::dark) || (info.flags & kUnusable) != 0) return {};
  std::vector<float> pixels;
  pixels.reserve(std::size_t{shape_.rows} * shape_.columns);
  bool numbers = true;
  analysis::each_pixel_of(shape_, frame, info.events,
                          [&](std::uint32_t, std::uint32_t, double value) {
                            numbers = numbers && std::isfinite(value);
                            pixels.push_back(static_cast<float>(value));
                          });
  if (!numbers) return {};
  NoiseLevel& level = (is_gain ? gain_ : dark_)[info.exposure_set_ns];
  std::vector<float>& last = last_[{static_cast<std::uint8_t>(info.kind), info.exposure_set_ns}];
  if (level.frames > 0) take_pair(last, pixels, level);
  last.swap(pixels);
  level.pixels = static_cast<double>(last.size());
  ++level.frames;
  return {};
}

void NoiseCollector::take_pair(const std::vector<float>& before, const std::vector<float>& after,
                               NoiseLevel& level) {
  const std::size_t rows = shape_.rows;
  const std::size_t columns = shape_.columns;
  std::vector<double> step(before.size());
  double mean = 0;
  for (std::size_t i = 0; i < step.size(); ++i) {
    step[i] = static_cast<double>(after[i]) - before[i];
    mean += step[i] / static_cast<double>(step.size());
  }
  // The scatter that most pixels have, whatever a few were hit by: from the lower half of |D|.
  std::vector<double> size;
  for (std::size_t i = 0; i < step.size(); i += 1 + step.size() / 4096) {
    size.push_back(std::fabs(step[i] - mean));
  }
  std::nth_element(size.begin(), size.begin() + static_cast<long>(size.size() / 2), size.end());
  const double limit = kSpike * std::max(1.0, size[size.size() / 2] / 0.6745);  // normal quartile
  std::vector<char> hit(step.size(), 0);
  double clean_mean = 0;
  double clean_level = 0;
  double clean_pixels = 0;
  for (std::size_t i = 0; i < step.size(); ++i) {
    hit[i] = std::fabs(step[i] - mean) > limit ? 1 : 0;
    if (hit[i] == 0) {
      clean_mean += step[i];
      clean_level += 0.5 * (static_cast<double>(after[i]) + before[i]);
      clean_pixels += 1;
    }
  }
  mean = clean_pixels > 0 ? clean_mean / clean_pixels : mean;
  for (double& one : step) one -= mean;
  level.frame_means.push_back(clean_pixels > 0 ? clean_level / clean_pixels : 0);

  const double box_pixels = (2.0 * kReach + 1) * (2.0 * row_reach_ + 1);
  const std::size_t down = rows / tile_rows_;
  const std::size_t across = columns / tile_columns_;
  level.tiles.resize(down * across);
  for (std::size_t tile = 0; tile < down * across; ++tile) {
    // No pixel of another tile takes part, so that tiles scatter independently.
    const std::size_t first_row = tile / across * tile_rows_ + row_reach_;
    const std::size_t last_row = tile / across * tile_rows_ + tile_rows_ - row_reach_;
    const std::size_t first = tile % across * tile_columns_ + kReach;
    const std::size_t last = tile % across * tile_columns_ + tile_columns_ - kReach;
    NoiseLevel::Tile sums;
    bool touched = false;
    double count = 0;
    for (std::size_t r = first_row; r < last_row; ++r) {
      for (std::size_t c = first; c < last; ++c) {
        const std::size_t at = r * columns + c;
        double box = 0;
        for (std::size_t y = r - row_reach_; y <= r + row_reach_; ++y) {
          for (std::size_t x = y * columns + c - kReach; x <= y * columns + c + kReach; ++x) {
            box += step[x];
            touched = touched || hit[x] != 0;
          }
        }
        sums.level += 0.5 * (static_cast<double>(after[at]) + before[at]);
        sums.all_lags += 0.5 * step[at] * box;
        sums.none += 0.5 * step[at] * step[at];
        sums.column_1 += 0.25 * step[at] * (step[at - 1] + step[at + 1]);
        sums.column_2 += 0.25 * step[at] * (step[at - 2] + step[at + 2]);
        if (row_reach_ > 0) {
          sums.row_1 += 0.25 * step[at] * (step[at - columns] + step[at + columns]);
        }
        count += 1;
      }
    }
    if (touched || count < 1) continue;
    NoiseLevel::Tile& into = level.tiles[tile];
    into.pairs += 1;
    into.level += sums.level / count;
    // The frame's own mean was taken off, and with it a part box/pixels of what they share.
    into.all_lags += sums.all_lags / (count * (1 - box_pixels / clean_pixels));
    into.none += sums.none / count;
    into.column_1 += sums.column_1 / count;
    into.column_2 += sums.column_2 / count;
    into.row_1 += sums.row_1 / count;
  }
}

Result<PhotonTransfer> photon_transfer(const NoiseCollector& noise) {
  PhotonTransfer made;
  std::vector<double> ratio;
  std::vector<double> weight;
  std::vector<double> sigma;
  std::uint64_t frames = 0;
  double dark_variance = 0;
  double dark_sigma = 0;
  CREEL_TRY(each_level(
      noise, [&](double exposure_s, std::uint64_t taken, const std::vector<Clean>& tiles) {
        std::vector<double> variance;
        std::vector<double> dark;
        std::vector<std::vector<double>> both;
        double level = 0;
        for (const Clean& tile : tiles) {
          variance.push_back(tile.all_lags);
          dark.push_back(tile.dark_none);
          both.push_back({tile.all_lags, tile.level});
          level += tile.level / static_cast<double>(tiles.size());
        }
        const Scattered of = over_tiles(variance);
        made.levels.push_back({exposure_s, level, of.mean, of.sigma});
        const Measured slope = jackknife(
            both, taken, [](const std::vector<double>& mean) { return mean[0] / mean[1]; });
        if (slope.given() && slope.sigma > 0) {
          ratio.push_back(slope.value);
          sigma.push_back(slope.sigma);
          weight.push_back(1);
          frames += taken;
        }
        const Scattered dark_of = over_tiles(dark);
        if (dark_variance == 0 || dark_of.sigma < dark_sigma) {
          dark_variance = dark_of.mean;
          dark_sigma = dark_of.sigma;
        }
      }));
  std::vector<std::vector<double>> slopes(ratio.size(), {1.0});
  auto fit = fit_linear(slopes, ratio, sigma);
  if (!fit) return fit.error().during("photon transfer");
  made.counts_per_electron =
      Measured(fit->value[0], fit->sigma(0), frames,
               "times the excess noise of a single electron, which photon transfer cannot tell "
               "apart: 1 for a detector that counts");
  const double root = std::sqrt(std::max(0.0, dark_variance));
  made.noise = Measured(root, root > 0 ? 0.5 * dark_sigma / root : 0.0, frames);
  return made;
}

Result<PointSpread> point_spread(const NoiseCollector& noise) {
  PointSpread made;
  double best = 0;
  CREEL_TRY(each_level(noise, [&](double, std::uint64_t frames, const std::vector<Clean>& tiles) {
    double light = 0;
    std::vector<std::vector<double>> numbers;
    for (const Clean& tile : tiles) {
      numbers.push_back({tile.none, tile.column_1, tile.column_2, tile.row_1});
      light += tile.level;
    }
    light *= static_cast<double>(frames);
    if (light <= best) return;  // the brightest tells best
    best = light;
    using Numbers = std::vector<double>;
    made.column_1 = jackknife(numbers, frames, [](const Numbers& n) { return n[1] / n[0]; });
    made.column_2 = jackknife(numbers, frames, [](const Numbers& n) { return n[2] / n[0]; });
    made.row_1 = jackknife(numbers, frames, [](const Numbers& n) { return n[3] / n[0]; });
    made.neighbour =
        jackknife(numbers, frames, [](const Numbers& n) { return neighbour_part(n[1] / n[0]); });
  }));
  if (!made.column_1.given()) {
    return Error{ErrorCode::refused, "point spread: " + made.column_1.sentence};
  }
  const double p = made.neighbour.value;
  const double q = 1 - 2 * p;
  const double expected = p * p / (q * q + 2 * p * p);
  if (std::fabs(made.column_2.value - expected) > 5 * made.column_2.sigma) {
    made.neighbour.sentence =
        "two columns away the noise is not what a spread over one pixel gives: the spread reaches "
        "further, and this number is only a measure of it";
  }
  return made;
}

Result<DarkLibrary> dark_library(const NoiseCollector& noise) {
  DarkLibrary made;
  std::vector<std::vector<double>> slopes;
  std::vector<double> mean;
  std::vector<double> mean_sigma;
  std::vector<double> variance;
  std::vector<double> variance_sigma;
  std::uint64_t frames = 0;
  for (const auto& [exposure, level] : noise.dark()) {
    if (level.frames < 3) continue;
    std::vector<double> means;
    std::vector<double> none;
    for (const NoiseLevel::Tile& tile : level.tiles) {
      if (tile.pairs < 1) continue;
      means.push_back(tile.level / tile.pairs);
      none.push_back(tile.none / tile.pairs);
    }
    if (none.size() < 2) continue;
    DarkLibrary::Level one;
    one.exposure_s = 1e-9 * static_cast<double>(exposure);
    // Pixels are independent from frame to frame. What they do together (a drifting offset) shows
    // in the frames' means, whose pairs share one frame each with the next; it counts when it is
    // more than chance makes of it.
    const Scattered together = over_tiles(level.frame_means);
    const Scattered of = over_tiles(none);
    const double n = static_cast<double>(level.frames);
    const double alone = std::sqrt(of.mean / (level.pixels * (n - 1)));
    const double seen = std::sqrt(2.0) * together.sigma;
    const bool more = seen > alone * (1 + 3 / std::sqrt(n));
    one.mean = Measured(together.mean, more ? seen : alone, level.frames,
                        more ? "the level of the whole sensor wanders from frame to frame" : "");
    one.variance = Measured(of.mean, of.sigma, level.frames);
    made.levels.push_back(one);
    slopes.push_back({1.0, one.exposure_s});
    mean.push_back(one.mean.value);
    mean_sigma.push_back(one.mean.sigma);
    variance.push_back(of.mean);
    variance_sigma.push_back(of.sigma);
    frames += level.frames;
  }
  if (made.levels.empty()) {
    return Error{ErrorCode::refused, "no exposure time has three darks"};
  }
  const std::string lone = "darks of one exposure time only: offset and rate cannot be told apart";
  made.offset = made.rate = made.read_noise = Measured::none(lone);
  if (made.levels.size() < 2) return made;
  auto level = fit_linear(slopes, mean, mean_sigma);
  auto spread = fit_linear(slopes, variance, variance_sigma);
  if (!level) return level.error().during("darks");
  if (!spread) return spread.error().during("darks");
  made.offset = Measured(level->value[0], level->sigma(0), frames);
  made.rate = Measured(level->value[1], level->sigma(1), frames);
  const double root = std::sqrt(std::max(0.0, spread->value[0]));
  made.read_noise =
      root > 0 ? Measured(root, 0.5 * spread->sigma(0) / root, frames)
               : Measured::none("the variance at no exposure time is none that could be told");
  return made;
}

}  // namespace creel::calibration
