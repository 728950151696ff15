#include "sim/world.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "protocol/physics/constants.h"

namespace creel::sim {
namespace {

/// Part of the beam that lies below a straight edge at this distance from its middle.
double part_below(const Source& source, double distance_nm) {
  if (source.profile == Profile::flat) {
    const double u = std::clamp(distance_nm / (0.5 * source.beam_fwhm_nm), -1.0, 1.0);
    return 0.5 + (u * std::sqrt(1.0 - u * u) + std::asin(u)) / physics::kPi;
  }
  const double sigma = source.beam_fwhm_nm / (2.0 * std::sqrt(2.0 * std::log(2.0)));
  return 0.5 * std::erfc(-distance_nm / (sigma * std::sqrt(2.0)));
}

}  // namespace

std::optional<std::size_t> lying_at(const Laboratory& laboratory, double x_um) {
  if (x_um <= laboratory.specimen.film_until_um) {
    return 0;
  }
  for (std::size_t i = 0; i < laboratory.mounted.size(); ++i) {
    if (x_um >= laboratory.mounted[i].from_um && x_um <= laboratory.mounted[i].until_um) {
      return i + 1;
    }
  }
  return std::nullopt;
}

std::vector<std::pair<std::optional<std::size_t>, double>> covered_at(const Laboratory& laboratory,
                                                                      double x_um) {
  constexpr double kFar = 4;  // widths of the beam: beyond, nothing of it falls
  const double far_um = kFar * 1e-3 * laboratory.source.beam_fwhm_nm;
  const double none = std::numeric_limits<double>::infinity();
  struct Span {
    double from, until;
  };
  std::vector<Span> ranges{{-none, laboratory.specimen.film_until_um}};
  for (const Mounted& one : laboratory.mounted) ranges.push_back({one.from_um, one.until_um});
  const bool near = std::any_of(ranges.begin(), ranges.end(), [&](const Span& range) {
    return std::fabs(range.from - x_um) < far_um || std::fabs(range.until - x_um) < far_um;
  });
  if (!near) return {{lying_at(laboratory, x_um), 1.0}};
  const auto below = [&](double edge_um) {
    if (std::isinf(edge_um)) return edge_um > 0 ? 1.0 : 0.0;
    return part_below(laboratory.source, 1e3 * (edge_um - x_um));
  };
  std::vector<std::pair<std::optional<std::size_t>, double>> covered;
  double vacuum = 1;
  for (std::size_t which = 0; which < ranges.size(); ++which) {
    const double part = below(ranges[which].until) - below(ranges[which].from);
    if (part > 0) covered.push_back({which, part});
    vacuum -= part;
  }
  if (vacuum > 0) covered.push_back({std::nullopt, vacuum});
  return covered;
}

const Specimen& specimen(const Laboratory& laboratory, std::size_t which) {
  return which == 0 ? laboratory.specimen : laboratory.mounted.at(which - 1).specimen;
}

std::string_view specimen_name(const Laboratory& laboratory, std::size_t which) {
  return which == 0 ? "film" : std::string_view(laboratory.mounted.at(which - 1).name);
}

Truth truth_of(const Laboratory& laboratory, std::size_t which, std::uint64_t seed) {
  const std::uint64_t own = which == 0 ? 0 : number_of(specimen_name(laboratory, which));
  return truth_of(specimen(laboratory, which), seed, own);
}

View::View(const Laboratory& laboratory, std::uint64_t seed, double dispersion_ev)
    : View(Shells(laboratory.source, laboratory.column, dispersion_ev), laboratory, seed) {}

View::View(const Shells& shells, const Laboratory& laboratory, std::uint64_t seed)
    : laboratory_(laboratory), seed_(seed) {
  for (std::size_t which = 0; which <= laboratory_.mounted.size(); ++which) {
    truths_.push_back(truth_of(laboratory_, which, seed_));
    spectra_.emplace_back(shells, specimen(laboratory_, which), truths_.back());
  }
}

Weights View::weights(const Slice& slice) const {
  return weights(slice, lying_at(laboratory_, slice.place.x_um()));
}

Weights View::weights(const Slice& slice, std::optional<std::size_t> which) const {
  Weights weights{};
  if (!slice.detected) {
    return weights;
  }
  if (!which) {
    weights[static_cast<std::size_t>(Part::vacuum)] = slice.electrons;
    return weights;
  }
  const Profile profile = laboratory_.source.profile;
  const auto survival = [&](double critical_dose) {
    return mean_survival(profile, slice.dose_before, slice.dose_after, critical_dose);
  };
  const Truth& truth = truths_[*which];
  weights = film_weights(truth.fe3_fraction * survival(truth.critical_dose),
                         survival(specimen(laboratory_, *which).mass_loss_dose));
  for (double& weight : weights) {
    weight *= slice.electrons;
  }
  return weights;
}

std::vector<View::Spread> View::spread_of(const Slice& slice) const {
  const double fwhm_ev = slice.lit ? charge_fwhm_ev(laboratory_.source, slice.transmission) : 0.0;
  if (fwhm_ev <= 0) {
    return {{0, 1}};
  }
  // A Gaussian by Gauss-Hermite quadrature (Abramowitz and Stegun 25.4.46 and table 25.10, n = 5):
  // its moments are right up to the ninth, so the result is too unless it is much wider than the
  // zero loss.
  const double sigma_ev = fwhm_ev / (2 * std::sqrt(2 * std::log(2.0)));
  const double inner = std::sqrt(5 - std::sqrt(10.0));
  const double outer = std::sqrt(5 + std::sqrt(10.0));
  const double of_inner = (7 + 2 * std::sqrt(10.0)) / 60;
  const double of_outer = (7 - 2 * std::sqrt(10.0)) / 60;
  return {{-outer * sigma_ev, of_outer},
          {-inner * sigma_ev, of_inner},
          {0, 8.0 / 15},
          {inner * sigma_ev, of_inner},
          {outer * sigma_ev, of_outer}};
}

void View::expected(History& history, std::int64_t begin_ns, std::int64_t end_ns,
                    const EnergyAxis& axis, std::span<double> columns) const {
  std::fill(columns.begin(), columns.end(), 0.0);
  for (const Slice& slice : history.slices(begin_ns, end_ns)) {
    const std::int64_t middle_ns = slice.begin_ns + (slice.end_ns - slice.begin_ns) / 2;
    const double stage_ev =
        kEnergyStep_eV * history.value(Channel::energy_offset, slice.begin_ns, 0);
    // A higher tension makes every electron faster: it arrives where a smaller loss would.
    const double drift_ev =
        high_tension_error_v(laboratory_.source, seed_, static_cast<double>(middle_ns) * 1e-9);
    const double first_ev = axis.first_channel_ev + axis.offset_ev + stage_ev + drift_ev;
    for (const Spread& spread : spread_of(slice)) {
      for (const auto& [which, part] : covered_at(laboratory_, slice.place.x_um())) {
        Weights mixed = weights(slice, which);
        for (double& weight : mixed) weight *= part * spread.weight;
        // All spectra know the vacuum.
        spectra_[which.value_or(0)].add(mixed, first_ev + spread.shift_ev, axis.dispersion_ev,
                                        columns);
      }
    }
  }
}

void View::expected_even(History& history, std::int64_t begin_ns, std::int64_t end_ns,
                         std::span<double> columns) const {
  double sum = 0;
  for (const Slice& slice : history.slices(begin_ns, end_ns)) {
    const Weights mixed = weights(slice);
    const Spectra& seen = spectra_[lying_at(laboratory_, slice.place.x_um()).value_or(0)];
    for (std::size_t part = 0; part < mixed.size(); ++part) {
      if (mixed[part] != 0) {
        sum += mixed[part] * seen.integral(static_cast<Part>(part), kLeastLoss_eV, kMostLoss_eV);
      }
    }
  }
  std::fill(columns.begin(), columns.end(), sum / static_cast<double>(columns.size()));
}

Random frame_random(std::uint64_t seed, std::int64_t begin_ns, std::uint64_t which) {
  return Random(mix(seed, Stream::frame, begin_ns, which));
}

}  // namespace creel::sim
