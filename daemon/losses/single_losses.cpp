#include "daemon/losses/single_losses.h"

#include <unsupported/Eigen/FFT>

#include <algorithm>
#include <bit>
#include <cmath>
#include <string>

#include "protocol/physics/constants.h"

namespace creel::analysis {

namespace {

using Wave = std::vector<std::complex<double>>;

constexpr double kFwhmPerSigma = 2.354820045;
// Channels. A peak in the middle between two channels has nothing at half a cycle per channel, and
// there g must be nothing, too: it is 7e-7.
constexpr double kLeastWidth = 4;
constexpr double kNothing = 1e-12;  // of g: beyond, s has no content

Wave transform(const std::vector<double>& samples) {
  Wave wave;
  Eigen::FFT<double> fft;
  fft.fwd(wave, samples);
  return wave;
}

std::vector<double> tapered(std::span<const double> low_loss, const std::vector<double>& taper,
                            std::size_t size) {
  std::vector<double> samples(size, 0.0);
  for (std::size_t c = 0; c < low_loss.size(); ++c) {
    samples[c] = low_loss[c] * taper[c];
  }
  return samples;
}

/// 1 below three quarters of `until_ev`, then a quarter period of a cosine down to 0.
std::vector<double> taper_of(const Grid& grid, double until_ev) {
  std::vector<double> taper(grid.channels);
  for (std::size_t c = 0; c < grid.channels; ++c) {
    const double beyond = std::clamp((grid.centre(c) / until_ev - 0.75) / 0.25, 0.0, 1.0);
    taper[c] = 0.5 * (1.0 + std::cos(physics::kPi * beyond));
  }
  return taper;
}

}  // namespace

Result<SingleLosses> SingleLosses::from(std::span<const double> low_loss, const Grid& grid,
                                        const ZeroLoss& peak, double width_ev, double until_ev) {
  const double half = std::max(2.5 * peak.fwhm_ev(), 1.5 * grid.dispersion_ev);
  const double area = sum_between(low_loss, grid.first_ev, grid.dispersion_ev,
                                  peak.position_ev - half, peak.position_ev + half);
  if (grid.first_ev > peak.position_ev - 3.0 * peak.fwhm_ev() || !(area > 0)) {
    return Error{ErrorCode::refused, "low loss: its axis begins at " +
                                         std::to_string(grid.first_ev) +
                                         " eV; it must hold the whole zero-loss peak, of " +
                                         std::to_string(peak.fwhm_ev()) + " eV full width"};
  }
  SingleLosses made;
  made.zero_loss_ = area;
  made.width_ev_ = std::max({width_ev, peak.fwhm_ev(), kLeastWidth * grid.dispersion_ev});
  made.taper_ = taper_of(grid, std::min(until_ev, grid.end()));
  const std::size_t size = std::bit_ceil(2 * grid.channels);
  const Wave j = transform(tapered(low_loss, made.taper_, size));
  const Wave z = transform(peak_samples(grid, peak, area, size));
  Wave s(size, 0.0);
  made.slope_.assign(size, 0.0);
  double phase_before = 0;
  for (std::size_t k = 0; k <= size / 2; ++k) {
    const double cycles = static_cast<double>(k) / (static_cast<double>(size) * grid.dispersion_ev);
    const double angle = 2.0 * physics::kPi * cycles * made.width_ev_ / kFwhmPerSigma;
    const double pass = std::exp(-0.5 * angle * angle);
    if (pass < kNothing || std::abs(z[k]) <= 0 || std::abs(j[k]) <= 0) {
      break;
    }
    const std::complex<double> ratio = j[k] / z[k];
    // The logarithm's branch: the phase is continuous from 0 on, however thick the specimen.
    const double phase =
        phase_before + std::remainder(std::arg(ratio) - phase_before, 2.0 * physics::kPi);
    phase_before = phase;
    s[k] = pass * area * std::complex<double>(std::log(std::abs(ratio)), phase);
    made.slope_[k] = pass * area / j[k];
    if (k > 0 && k < size / 2) {
      s[size - k] = std::conj(s[k]);
      made.slope_[size - k] = std::conj(made.slope_[k]);
    }
  }
  made.t_over_lambda_ = s[0].real() / area;
  Eigen::FFT<double> fft;
  fft.inv(made.counts_, s);
  const auto positive = static_cast<std::size_t>(std::max(1.0, grid.end() / grid.dispersion_ev));
  made.grid_ = {-0.5 * grid.dispersion_ev, grid.dispersion_ev, std::min(positive, size / 2)};
  made.counts_.resize(made.grid_.channels);
  return made;
}

std::vector<double> SingleLosses::transposed(std::span<const double> u) const {
  std::vector<double> out(u.begin(), u.end());
  out.resize(slope_.size(), 0.0);
  Wave wave = transform(out);
  for (std::size_t k = 0; k < wave.size(); ++k) {
    wave[k] *= std::conj(slope_[k]);
  }
  Eigen::FFT<double> fft;
  fft.inv(out, wave);
  out.resize(taper_.size());
  for (std::size_t c = 0; c < out.size(); ++c) {
    out[c] *= taper_[c];
  }
  return out;
}

}  // namespace creel::analysis
