#include "daemon/analysis/edge.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <string>
#include <utility>

#include "daemon/spectra/shift.h"

namespace creel::analysis {

namespace {

using Functionals = std::vector<std::vector<double>>;

/// Whether the channels that the evaluation needs exist in this group.
bool reaches(const FrameGroup& group, const Grid& grid, const WhiteLineWindows& windows) {
  const double margin = 3 * grid.dispersion_ev;
  const double first = group.first_ev - group.drift_ev;
  return first + margin <= windows.background.from_ev &&
         first + static_cast<double>(grid.channels) * grid.dispersion_ev - margin >=
             windows.after.to_ev;
}

DoseRates rates_of(const std::vector<FrameGroup>& core, const std::vector<std::size_t>& usable) {
  DoseRates rates;
  double dose = 0;
  double logarithms = 0;
  for (const std::size_t i : usable) {
    const double own = core[i].dose_after - core[i].dose_before;
    if (!(core[i].dose_rate > 0) || !(own > 0)) {
      return {};
    }
    rates.least = dose > 0 ? std::min(rates.least, core[i].dose_rate) : core[i].dose_rate;
    rates.most = std::max(rates.most, core[i].dose_rate);
    dose += own;
    logarithms += own * std::log(core[i].dose_rate);
  }
  rates.middle = dose > 0 ? std::exp(logarithms / dose) : 0.0;
  return rates;
}

std::vector<std::size_t> by_dose(const std::vector<FrameGroup>& core,
                                 const std::vector<std::size_t>& usable, const DoseRates& rates) {
  std::vector<std::size_t> order = usable;
  const double border = rates.differ() ? std::sqrt(rates.least * rates.most) : 0.0;
  const auto key = [&core, border](std::size_t i) {
    return std::pair{core[i].dose_rate > border, core[i].dose_before + core[i].dose_after};
  };
  std::stable_sort(order.begin(), order.end(),
                   [&key](std::size_t a, std::size_t b) { return key(a) < key(b); });
  return order;
}

/// The exposures of `order` with their dose rates over the middle one. What an area had before its
/// first exposure, and what it had between exposures, counts at the rate of the next one.
std::vector<DoseInterval> intervals_of(const std::vector<FrameGroup>& core,
                                       std::vector<std::size_t> order, const DoseRates& rates) {
  struct History {
    double dose = 0, logarithms = 0;
  };
  std::map<std::uint16_t, History> areas;
  std::vector<DoseInterval> intervals(core.size());
  std::stable_sort(order.begin(), order.end(), [&core](std::size_t a, std::size_t b) {
    return core[a].dose_before < core[b].dose_before;
  });
  for (const std::size_t i : order) {
    const FrameGroup& group = core[i];
    intervals[i] = {group.dose_before, group.dose_after, static_cast<double>(group.frames)};
    if (!(rates.middle > 0)) {
      continue;
    }
    const double logarithm = std::log(group.dose_rate / rates.middle);
    History& area = areas[group.area];
    area.logarithms += (group.dose_before - area.dose) * logarithm;
    intervals[i].rate = std::exp(logarithm);
    intervals[i].rate_before =
        group.dose_before > 0 ? std::exp(area.logarithms / group.dose_before) : 1.0;
    area.logarithms += (group.dose_after - group.dose_before) * logarithm;
    area.dose = group.dose_after;
  }
  return intervals;
}

/// Which dose group each core group belongs to: about as many exposures in each.
std::vector<std::size_t> assign(const std::vector<FrameGroup>& core,
                                const std::vector<std::size_t>& order, std::size_t groups) {
  double all = 0;
  for (const std::size_t i : order) {
    all += static_cast<double>(core[i].frames);
  }
  std::vector<std::size_t> where(core.size(), 0);
  double before = 0;
  for (const std::size_t i : order) {
    const double middle = before + 0.5 * static_cast<double>(core[i].frames);
    where[i] =
        std::min(groups - 1, static_cast<std::size_t>(middle / all * static_cast<double>(groups)));
    before += static_cast<double>(core[i].frames);
  }
  return where;
}

double dot(std::span<const double> a, std::span<const double> b) {
  return std::inner_product(a.begin(), a.end(), b.begin(), 0.0);
}

/// What was measured group by group, for the check of the noise.
struct Contrast {
  double time_s = 0, per_frame = 0, variance = 0;
};

/// Variance of the line contrast from frame to frame over the expected one.
double noise_factor(std::vector<Contrast>& contrasts) {
  std::stable_sort(contrasts.begin(), contrasts.end(),
                   [](const Contrast& a, const Contrast& b) { return a.time_s < b.time_s; });
  double seen = 0;
  double expected = 0;
  for (std::size_t i = 1; i < contrasts.size(); ++i) {
    const double step = contrasts[i].per_frame - contrasts[i - 1].per_frame;
    const double variance = contrasts[i].variance + contrasts[i - 1].variance;
    seen += step * step / variance;
    expected += 1;
  }
  return expected > 0 ? seen / expected : 1.0;
}

/// Successive differences of n values hold about 2/3 (n - 1) degrees of freedom.
bool more_than_chance(double factor, std::size_t values) {
  const double freedom = 2.0 / 3.0 * static_cast<double>(values - 1);
  return values > 8 && factor > 1.0 + 3.5 * std::sqrt(2.0 / freedom);
}

/// The edge begins where the background window ends.
std::vector<double> beyond_background(const EdgeMeasurement& measured) {
  return overlap(measured.grid, {measured.background_until_ev, measured.grid.end()});
}

/// From functionals of the edge to functionals of the raw, aligned sum.
Functionals on_sum(const EdgeMeasurement& measured, const SingleScattering& single,
                   Functionals functionals) {
  const std::vector<double> keep = beyond_background(measured);
  for (auto& u : functionals) {
    u = single.transposed(u);
    for (std::size_t c = 0; c < u.size(); ++c) {
      u[c] *= keep[c];
    }
    u = measured.background.functional(measured.grid, u);
  }
  return functionals;
}

/// And on to one group's own channels.
Functionals on_group(const Functionals& functionals, const FrameGroup& group, const Grid& grid) {
  Functionals w;
  for (const auto& u : functionals) {
    w.push_back(unshifted(u, offset_of(group, grid)));
  }
  return w;
}

class Measurement {
 public:
  Measurement(const SessionSpectra& session, const WhiteLineWindows& windows,
              const SingleScattering& single)
      : session_(session), windows_(windows), single_(single) {}

  Result<EdgeMeasurement> run(std::size_t groups) {
    CREEL_TRY(align());
    CREEL_TRY(learn());
    auto background = fit_background(made_.sum, made_.grid, windows_.background, constant());
    if (!background) {
      return background.error().during("session " + session_.name);
    }
    made_.background = *background;
    made_.background_until_ev = windows_.background.to_ev;
    make_edge();
    measure(std::max<std::size_t>(1, std::min(groups, usable_.size())));
    return std::move(made_);
  }

 private:
  Result<void> align() {
    made_.grid = {session_.core.front().first_ev, session_.dispersion_ev, session_.channels};
    made_.sum.assign(session_.channels, 0.0);
    for (std::size_t i = 0; i < session_.core.size(); ++i) {
      const FrameGroup& group = session_.core[i];
      if (!reaches(group, made_.grid, windows_)) {
        made_.frames_off_axis += group.frames;
        continue;
      }
      if (usable_.empty()) {
        made_.grid.first_ev = group.first_ev;
      }
      usable_.push_back(i);
      made_.frames += group.frames;
      add_shifted(group.counts, offset_of(group, made_.grid), made_.sum);
    }
    if (usable_.empty()) {
      const Grid& grid = made_.grid;
      return Error{ErrorCode::refused, "session " + session_.name + ": the energy axis covers " +
                                           std::to_string(grid.first_ev) + " to " +
                                           std::to_string(grid.end()) + " eV; the edge needs " +
                                           std::to_string(windows_.background.from_ev) + " to " +
                                           std::to_string(windows_.after.to_ev) + " eV"};
    }
    return check_windows(windows_, made_.grid);
  }

  [[nodiscard]] std::size_t channel(double ev) const {
    const double c = (ev - made_.grid.first_ev) / made_.grid.dispersion_ev;
    return static_cast<std::size_t>(std::clamp(c, 0.0, static_cast<double>(session_.channels)));
  }

  Result<void> learn() {
    auto noise = fit_noise(session_.noise, channel(windows_.background.from_ev),
                           channel(windows_.after.to_ev));
    if (!noise) {
      return noise.error().during("session " + session_.name);
    }
    made_.noise = *noise;
    made_.sigma.resize(session_.channels);
    for (std::size_t c = 0; c < session_.channels; ++c) {
      const double variance = made_.noise.slope[0] * made_.sum[c] +
                              static_cast<double>(made_.frames) * made_.noise.dark_variance;
      made_.sigma[c] = std::sqrt(std::max(0.0, variance));
    }
    return {};
  }

  /// Variance of a channel that does not come from counting, over the gain: for the weights.
  [[nodiscard]] double constant() const {
    const double slope = made_.noise.slope[0];
    return slope > 0 ? static_cast<double>(made_.frames) * made_.noise.dark_variance / slope : 0.0;
  }

  void make_edge() {
    const std::vector<double> keep = beyond_background(made_);
    const std::vector<double> background = made_.background.on(made_.grid);
    made_.edge.resize(session_.channels);
    for (std::size_t c = 0; c < session_.channels; ++c) {
      made_.edge[c] = keep[c] * (made_.sum[c] - background[c]);
    }
    made_.edge = single_.apply(made_.edge);
    made_.edge_sigma = made_.sigma;
  }

  void measure(std::size_t groups) {
    made_.dose_rates = rates_of(session_.core, usable_);
    const auto order = by_dose(session_.core, usable_, made_.dose_rates);
    const auto intervals = intervals_of(session_.core, order, made_.dose_rates);
    const auto where = assign(session_.core, order, groups);
    made_.numbers.assign(groups, {});
    made_.carried.assign(groups, CarriedNoise(kQuantities));
    made_.doses.resize(groups);
    made_.members.resize(groups);
    const auto quantities = white_line_functionals(windows_, made_.grid);
    const Functionals functionals =
        on_sum(made_, single_, std::vector(quantities.begin(), quantities.end()));
    EdgeNumbers whole{};
    for (std::size_t i = 0; i < kQuantities; ++i) {
      whole[i] = dot(functionals[i], made_.sum);
    }
    const double l3 = whole[kL3Low] + whole[kL3High];
    std::vector<Contrast> contrasts;
    for (const std::size_t index : order) {
      const FrameGroup& group = session_.core[index];
      const std::size_t k = where[index];
      const Functionals w = on_group(functionals, group, made_.grid);
      EdgeNumbers numbers{};
      for (std::size_t i = 0; i < kQuantities; ++i) {
        numbers[i] = dot(w[i], group.counts);
        made_.numbers[k][i] += numbers[i];
      }
      CarriedNoise carried(kQuantities);
      carried.add(group, made_.noise, made_.grid.dispersion_ev, w);
      made_.carried[k].add(carried);
      made_.doses[k].push_back(intervals[index]);
      made_.members[k].push_back(index);
      contrasts.push_back(contrast(group, numbers, carried, whole[kL2], l3));
    }
    made_.noise_factor = noise_factor(contrasts);
    if (more_than_chance(made_.noise_factor, contrasts.size())) {
      made_.noise_widened = true;
      for (CarriedNoise& carried : made_.carried) {
        carried.widen(made_.noise_factor);
      }
    }
  }

  /// L2 of the whole times L3 minus L3 of the whole times L2: what the ratio's noise consists of,
  /// without what both lines do together.
  static Contrast contrast(const FrameGroup& group, const EdgeNumbers& numbers,
                           const CarriedNoise& carried, double l2, double l3) {
    const EdgeNumbers weight = {l2, l2, -l3, 0};
    Contrast made;
    const auto frames = static_cast<double>(group.frames);
    made.time_s = group.middle_s;
    for (std::size_t i = 0; i < kLines; ++i) {
      made.per_frame += weight[i] * numbers[i] / frames;
      for (std::size_t j = 0; j < kLines; ++j) {
        made.variance += weight[i] * weight[j] * carried.own(i, j) / (frames * frames);
      }
    }
    return made;
  }

  const SessionSpectra& session_;
  const WhiteLineWindows& windows_;
  const SingleScattering& single_;
  EdgeMeasurement made_;
  std::vector<std::size_t> usable_;  // core groups
};

}  // namespace

Result<SingleScattering> single_scattering_of(const SessionSpectra& session, double width_ev) {
  if (session.low_loss.empty() || !session.zero_loss) {
    return SingleScattering(session.channels);
  }
  auto single =
      SingleScattering::from(session.low_loss, session.low_loss_grid, *session.zero_loss, width_ev);
  if (!single) {
    return single.error().during("session " + session.name);
  }
  return single;
}

double offset_of(const FrameGroup& group, const Grid& grid) {
  return (group.first_ev - group.drift_ev - grid.first_ev) / grid.dispersion_ev;
}

CarriedNoise noise_of_functionals(const SessionSpectra& session, const EdgeMeasurement& measured,
                                  const SingleScattering& single,
                                  std::span<const std::vector<double>> u) {
  CarriedNoise carried(u.size());
  const Functionals functionals = on_sum(measured, single, {u.begin(), u.end()});
  for (const auto& members : measured.members) {
    for (const std::size_t index : members) {
      const FrameGroup& group = session.core[index];
      carried.add(group, measured.noise, measured.grid.dispersion_ev,
                  on_group(functionals, group, measured.grid));
    }
  }
  if (measured.noise_widened) {
    carried.widen(measured.noise_factor);
  }
  return carried;
}

Result<EdgeMeasurement> measure_edge(const SessionSpectra& session, const WhiteLineWindows& windows,
                                     const SingleScattering& single, std::size_t groups) {
  if (session.core.empty()) {
    return Error{ErrorCode::refused, "session " + session.name + ": no specimen exposures"};
  }
  return Measurement(session, windows, single).run(groups);
}

}  // namespace creel::analysis
