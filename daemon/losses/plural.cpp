#include "daemon/losses/plural.h"

#include <unsupported/Eigen/FFT>

#include <algorithm>
#include <bit>
#include <cmath>
#include <string>

#include "protocol/physics/constants.h"

namespace creel::analysis {

namespace {

using Wave = std::vector<std::complex<double>>;

Wave transform(const std::vector<double>& samples) {
  Wave wave;
  Eigen::FFT<double> fft;
  fft.fwd(wave, samples);
  return wave;
}

/// 1 below 0.75 * until, a quarter period of a cosine down to 0 at `until`.
double taper(double ev, double until_ev) {
  const double from = 0.75 * until_ev;
  if (ev <= from || ev >= until_ev) {
    return ev <= from ? 1.0 : 0.0;
  }
  return 0.5 * (1.0 + std::cos(physics::kPi * (ev - from) / (until_ev - from)));
}

}  // namespace

SingleScattering::SingleScattering(std::size_t channels) : channels_(channels) {}

Result<SingleScattering> SingleScattering::from(std::span<const double> low_loss, const Grid& grid,
                                                const ZeroLoss& peak, double width_ev,
                                                double until_ev) {
  const double half = 2.5 * peak.fwhm_ev();
  const double area = sum_between(low_loss, grid.first_ev, grid.dispersion_ev,
                                  peak.position_ev - half, peak.position_ev + half);
  if (grid.first_ev > peak.position_ev - 3.0 * peak.fwhm_ev() || !(area > 0)) {
    return Error{ErrorCode::refused, "low loss: its axis begins at " +
                                         std::to_string(grid.first_ev) +
                                         " eV; it must hold the whole zero-loss peak, of " +
                                         std::to_string(peak.fwhm_ev()) + " eV full width"};
  }
  const std::size_t size = std::bit_ceil(2 * grid.channels);
  until_ev = std::min(until_ev, grid.end());
  std::vector<double> measured(size, 0.0);
  for (std::size_t c = 0; c < grid.channels; ++c) {
    measured[c] = low_loss[c] * taper(grid.centre(c), until_ev);
  }
  const Wave j = transform(measured);
  const Wave z = transform(peak_samples(grid, peak, area, size));
  SingleScattering made;
  made.channels_ = grid.channels;
  made.response_.resize(size);
  made.inverse_.resize(size);
  const double sigma_ev = width_ev / (2.0 * std::sqrt(2.0 * std::log(2.0)));
  for (std::size_t k = 0; k < size; ++k) {
    const double cycles = static_cast<double>(std::min(k, size - k)) /
                          (static_cast<double>(size) * grid.dispersion_ev);
    const double phase = 2.0 * physics::kPi * cycles * sigma_ev;
    const double pass = std::exp(-0.5 * phase * phase);
    made.response_[k] = pass < 1e-12 ? 1.0 : 1.0 + pass * (z[k] / j[k] - 1.0);
    made.inverse_[k] = 1.0 / made.response_[k];
  }
  return made;
}

std::vector<double> SingleScattering::filtered(std::span<const double> in, const Wave& by,
                                               bool backward) const {
  std::vector<double> out(in.begin(), in.end());
  if (by.empty()) {
    return out;
  }
  out.resize(by.size(), 0.0);
  Eigen::FFT<double> fft;
  Wave wave;
  fft.fwd(wave, out);
  for (std::size_t k = 0; k < wave.size(); ++k) {
    wave[k] *= backward ? std::conj(by[k]) : by[k];
  }
  fft.inv(out, wave);
  out.resize(channels_);
  return out;
}

std::vector<double> SingleScattering::apply(std::span<const double> edge) const {
  return filtered(edge, response_, false);
}

std::vector<double> SingleScattering::restored(std::span<const double> edge) const {
  return filtered(edge, inverse_, false);
}

std::vector<double> SingleScattering::restored_transposed(std::span<const double> u) const {
  return filtered(u, inverse_, true);
}

double SingleScattering::noise_gain() const {
  if (response_.empty() || channels_ == 0) {
    return 1;
  }
  std::vector<double> one(channels_, 0.0);
  one[channels_ / 2] = 1;
  double squares = 0;
  for (const double value : apply(one)) {
    squares += value * value;
  }
  return std::sqrt(squares);
}

std::vector<double> SingleScattering::transposed(std::span<const double> u) const {
  return filtered(u, response_, true);
}

}  // namespace creel::analysis
