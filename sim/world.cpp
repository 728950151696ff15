#include "sim/world.h"

#include <algorithm>

namespace creel::sim {

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

const Spectra& View::seen_in(const Slice& slice) const {
  // All spectra know the vacuum.
  return spectra_[lying_at(laboratory_, slice.place.x_um()).value_or(0)];
}

Weights View::weights(const Slice& slice) const {
  Weights weights{};
  if (!slice.detected) {
    return weights;
  }
  const std::optional<std::size_t> which = lying_at(laboratory_, slice.place.x_um());
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
    seen_in(slice).add(weights(slice), first_ev, axis.dispersion_ev, columns);
  }
}

void View::expected_even(History& history, std::int64_t begin_ns, std::int64_t end_ns,
                         std::span<double> columns) const {
  double sum = 0;
  for (const Slice& slice : history.slices(begin_ns, end_ns)) {
    const Weights mixed = weights(slice);
    for (std::size_t part = 0; part < mixed.size(); ++part) {
      if (mixed[part] != 0) {
        sum += mixed[part] *
               seen_in(slice).integral(static_cast<Part>(part), kLeastLoss_eV, kMostLoss_eV);
      }
    }
  }
  std::fill(columns.begin(), columns.end(), sum / static_cast<double>(columns.size()));
}

Random frame_random(std::uint64_t seed, std::int64_t begin_ns, std::uint64_t which) {
  return Random(mix(seed, Stream::frame, begin_ns, which));
}

}  // namespace creel::sim
