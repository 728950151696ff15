#include "daemon/spectra/foreign.h"

#include <algorithm>
#include <cmath>

namespace creel::analysis {

namespace {

constexpr std::size_t kFewest = 16;
// The noise is presumed and not learnt: as many pairs as make its estimate exact.
constexpr std::uint64_t kPairs = 1'000'000;

Result<void> check(const ForeignSpectrum& one) {
  const bool numbers = std::all_of(one.counts.begin(), one.counts.end(),
                                   [](double value) { return std::isfinite(value); });
  if (one.counts.size() < kFewest || one.counts.size() != one.grid.channels ||
      !(one.grid.dispersion_ev > 0) || !std::isfinite(one.grid.first_ev) || !numbers) {
    return Error{ErrorCode::invalid_request,
                 "spectrum " + one.name + ": " + std::to_string(one.counts.size()) +
                     " channels; it must have at least " + std::to_string(kFewest) +
                     " with finite counts on an even axis"};
  }
  return {};
}

/// Zero loss to 0 eV, on as many channels as the core loss has; beyond its end it fades to zero.
Result<void> take_low_loss(const ForeignSpectrum& low_loss, SessionSpectra& made) {
  CREEL_TRY(check(low_loss));
  const auto peak =
      fit_zero_loss(low_loss.counts, low_loss.grid.first_ev, low_loss.grid.dispersion_ev);
  if (!peak) {
    return peak.error().during("low loss " + low_loss.name);
  }
  const double least = std::min(-10.0, low_loss.grid.first_ev - peak->position_ev);
  Grid grid{least, made.dispersion_ev, made.channels};
  ForeignSpectrum moved = low_loss;
  moved.grid.first_ev -= peak->position_ev;
  const double end = std::min(moved.grid.end(), grid.end());
  for (std::size_t c = 0; c < moved.counts.size(); ++c) {
    const double part = (end - moved.grid.centre(c)) / (0.25 * end);
    moved.counts[c] *= std::clamp(part, 0.0, 1.0);
  }
  ForeignSpectrum there = rebinned(moved, grid);
  const auto again = fit_zero_loss(there.counts, grid.first_ev, grid.dispersion_ev);
  if (!again) {
    return again.error().during("low loss " + low_loss.name);
  }
  made.low_loss_grid = grid;
  made.low_loss = std::move(there.counts);
  made.zero_loss = *again;
  made.zero_loss_frames = 1;
  return {};
}

}  // namespace

ForeignSpectrum rebinned(const ForeignSpectrum& spectrum, const Grid& grid) {
  std::vector<double> running(spectrum.counts.size() + 1, 0.0);
  for (std::size_t c = 0; c < spectrum.counts.size(); ++c) {
    running[c + 1] = running[c] + spectrum.counts[c];
  }
  const auto until = [&](double ev) {
    const double at = std::clamp((ev - spectrum.grid.first_ev) / spectrum.grid.dispersion_ev, 0.0,
                                 static_cast<double>(spectrum.counts.size()));
    const auto whole = std::min(static_cast<std::size_t>(at), spectrum.counts.size() - 1);
    return running[whole] + (at - static_cast<double>(whole)) * spectrum.counts[whole];
  };
  ForeignSpectrum made{spectrum.name, grid, std::vector<double>(grid.channels)};
  for (std::size_t c = 0; c < grid.channels; ++c) {
    made.counts[c] = until(grid.lower(c + 1)) - until(grid.lower(c));
  }
  return made;
}

Result<SessionSpectra> as_session(const ForeignSpectrum& core, const ForeignSpectrum* low_loss,
                                  double noise_slope) {
  CREEL_TRY(check(core));
  if (!(noise_slope > 0) || !std::isfinite(noise_slope)) {
    return Error{ErrorCode::invalid_request,
                 "spectrum " + core.name + ": variance over counts must be above 0"};
  }
  SessionSpectra made;
  made.name = core.name;
  made.channels = core.grid.channels;
  made.dispersion_ev = core.grid.dispersion_ev;
  made.frames = made.specimen_frames = 1;
  FrameGroup group;
  group.frames = 1;
  group.counts = core.counts;
  group.first_ev = core.grid.first_ev;
  made.core.push_back(std::move(group));
  made.noise.pairs = kPairs;
  made.noise.level = core.counts;
  for (auto& products : made.noise.products) {
    products.assign(made.channels, 0.0);
  }
  for (std::size_t c = 0; c < made.channels; ++c) {
    made.noise.products[0][c] = static_cast<double>(kPairs) * noise_slope * core.counts[c];
  }
  if (low_loss != nullptr) {
    CREEL_TRY(take_low_loss(*low_loss, made));
  }
  return made;
}

}  // namespace creel::analysis
