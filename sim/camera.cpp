#include "sim/camera.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <type_traits>
#include <utility>

namespace creel::sim {
namespace {

/// Smallest index whose running sum exceeds `value`.
std::size_t pick(std::span<const double> running, double value) {
  const auto found = std::upper_bound(running.begin(), running.end(), value);
  return std::min<std::size_t>(static_cast<std::size_t>(found - running.begin()),
                               running.size() - 1);
}

}  // namespace

Sensor::Rows Sensor::make_rows(std::vector<double> weights) {
  Rows rows;
  const double sum = std::accumulate(weights.begin(), weights.end(), 0.0);
  double running = 0;
  for (const double weight : weights) {
    rows.share.push_back(weight / sum);
    running += weight / sum;
    rows.running.push_back(running);
  }
  return rows;
}

Sensor::Sensor(const Camera& camera, std::uint64_t seed, std::uint64_t which) : camera_(camera) {
  const std::uint32_t rows = camera_.rows;
  const double sigma = camera_.stripe_fwhm_rows / (2.0 * std::sqrt(2.0 * std::log(2.0)));
  std::vector<double> stripe;
  for (std::uint32_t row = 0; row < rows; ++row) {
    const double distance = (row - 0.5 * (rows - 1)) / sigma;
    stripe.push_back(rows == 1 ? 1.0 : std::exp(-0.5 * distance * distance));
  }
  stripe_ = make_rows(std::move(stripe));
  even_ = make_rows(std::vector<double>(rows, 1.0));
  const std::size_t pixels = static_cast<std::size_t>(rows) * camera_.columns;
  offset_.resize(pixels);
  gain_.resize(pixels);
  Random random(mix(seed, Stream::fixed_pattern, 0, which));
  fill_normal(random, offset_);
  fill_normal(random, gain_);
  for (std::size_t i = 0; i < pixels; ++i) {
    offset_[i] = static_cast<float>(camera_.offset + camera_.offset_pattern * offset_[i]);
    gain_[i] =
        static_cast<float>(camera_.gain * std::max(0.0, 1.0 + camera_.gain_pattern * gain_[i]));
  }
}

/// Electrons on each pixel of `pixels`, which is zero at first. A Poisson number whose electrons
/// choose their rows independently is a Poisson number in each row: both ways below give the same
/// law, each where it is faster.
template <class Pixel>
void Sensor::draw_electrons(std::span<const double> electrons, const Rows& rows, Random& random,
                            std::span<Pixel> pixels) const {
  const std::size_t columns = electrons.size();
  const double few = 0.15 * camera_.rows;
  for (std::size_t column = 0; column < columns; ++column) {
    if (electrons[column] < few) {
      for (std::uint64_t left = random.poisson(electrons[column]); left > 0; --left) {
        Pixel& pixel = pixels[pick(rows.running, random.uniform()) * columns + column];
        pixel = static_cast<Pixel>(pixel + 1);
      }
      continue;
    }
    for (std::size_t row = 0; row < rows.share.size(); ++row) {
      const std::uint64_t count = random.poisson(electrons[column] * rows.share[row]);
      // Only a counting sensor's pixels can be too small for what falls on them: they are full
      // then.
      constexpr std::uint64_t kMost =
          std::is_same_v<Pixel, std::uint16_t> ? 65535U : std::uint64_t{1} << 30;
      pixels[row * columns + column] = static_cast<Pixel>(std::min(count, kMost));
    }
  }
}

/// An electron gives 1 +- gain_spread of its charge: n of them vary by sqrt(n) times that.
void Sensor::amplify(Random& random, std::span<float> charge) const {
  if (camera_.gain_spread <= 0) {
    return;
  }
  const auto spread = static_cast<float>(camera_.gain_spread);
  for (float& pixel : charge) {
    if (pixel > 0) {
      pixel = std::max(0.0F, pixel + spread * std::sqrt(pixel) * random.quick_normal());
    }
  }
}

/// Spreads each pixel over its neighbours, separably, (p, 1 - 2p, p) along rows and then columns;
/// charge that would leave the sensor stays in the last pixel.
void Sensor::blur(Workspace& workspace) const {
  const auto p = static_cast<float>(camera_.point_spread);
  if (p <= 0) {
    return;
  }
  const std::size_t columns = camera_.columns;
  const std::size_t rows = camera_.rows;
  const float q = 1.0F - 2.0F * p;
  std::vector<float>& charge = workspace.charge;
  std::vector<float>& spread = workspace.spread;
  if (columns > 1) {
    for (std::size_t row = 0; row < rows; ++row) {
      const float* in = charge.data() + row * columns;
      float* out = spread.data() + row * columns;
      out[0] = (q + p) * in[0] + p * in[1];
      for (std::size_t i = 1; i + 1 < columns; ++i) {
        out[i] = q * in[i] + p * (in[i - 1] + in[i + 1]);
      }
      out[columns - 1] = (q + p) * in[columns - 1] + p * in[columns - 2];
    }
    charge.swap(spread);
  }
  if (rows > 1) {
    for (std::size_t row = 0; row < rows; ++row) {
      const float* above = charge.data() + (row == 0 ? row : row - 1) * columns;
      const float* in = charge.data() + row * columns;
      const float* below = charge.data() + (row + 1 == rows ? row : row + 1) * columns;
      float* out = spread.data() + row * columns;
      for (std::size_t i = 0; i < columns; ++i) {
        out[i] = q * in[i] + p * (above[i] + below[i]);
      }
    }
    charge.swap(spread);
  }
}

void Sensor::add_spikes(double exposure_s, Random& random, std::span<float> charge) const {
  const std::uint64_t spikes = random.poisson(camera_.spikes_per_s * exposure_s);
  for (std::uint64_t i = 0; i < spikes; ++i) {
    // In electrons, exponential: many small ones, few large ones.
    const double counts = -camera_.spike_counts * std::log(1.0 - random.uniform());
    charge[random.below(charge.size())] += static_cast<float>(counts / camera_.gain);
  }
}

void Sensor::count(std::span<const double> electrons, Random& random, std::span<std::uint32_t> out,
                   Illumination illumination) const {
  std::fill(out.begin(), out.end(), 0U);
  draw_electrons(electrons, illumination == Illumination::even ? even_ : stripe_, random, out);
}

bool Sensor::render(std::span<const double> electrons, double exposure_s, Random& random,
                    Workspace& workspace, std::span<std::uint16_t> out,
                    Illumination illumination) const {
  const std::size_t pixels = offset_.size();
  const Rows& rows = illumination == Illumination::even ? even_ : stripe_;
  const auto full = static_cast<float>(camera_.saturation);
  if (camera_.counting) {
    std::fill(out.begin(), out.end(), std::uint16_t{0});
    draw_electrons(electrons, rows, random, out);
    const auto most = static_cast<std::uint16_t>(full);
    std::uint16_t highest = 0;
    for (std::uint16_t& pixel : out) {
      highest = std::max(highest, pixel);
      pixel = std::min(pixel, most);
    }
    return highest >= most;
  }
  workspace.charge.assign(pixels, 0.0F);
  workspace.spread.resize(pixels);
  workspace.noise.resize(pixels);
  draw_electrons(electrons, rows, random, std::span(workspace.charge));
  amplify(random, workspace.charge);
  add_spikes(exposure_s, random, workspace.charge);
  blur(workspace);
  fill_normal(random, workspace.noise);
  const double dark = camera_.dark_counts_per_s * exposure_s;
  const auto noise = static_cast<float>(std::sqrt(camera_.read_noise * camera_.read_noise + dark));
  const auto shift = static_cast<float>(dark + 0.5);  // rounds to whole counts when cut off below
  const float* charge = workspace.charge.data();
  float highest = 0;
  for (std::size_t i = 0; i < pixels; ++i) {
    const float counts = charge[i] * gain_[i] + offset_[i] + shift + noise * workspace.noise[i];
    highest = std::max(highest, counts);
    out[i] = static_cast<std::uint16_t>(static_cast<std::int32_t>(std::clamp(counts, 0.0F, full)));
  }
  return highest >= full;
}

}  // namespace creel::sim
