#include "sim/world.h"

#include <algorithm>

namespace creel::sim {

View::View(const Laboratory& laboratory, std::uint64_t seed, double dispersion_ev)
    : laboratory_(laboratory),
      seed_(seed),
      truth_(truth_of(laboratory.specimen, seed)),
      spectra_(laboratory.source, laboratory.column, laboratory.specimen, truth_, dispersion_ev) {}

Weights View::weights(const Slice& slice) const {
  Weights weights{};
  if (!slice.detected) {
    return weights;
  }
  const Specimen& specimen = laboratory_.specimen;
  if (slice.place.x_um() > specimen.film_until_um) {
    weights[static_cast<std::size_t>(Part::vacuum)] = slice.electrons;
    return weights;
  }
  const Profile profile = laboratory_.source.profile;
  const double fe3 = truth_.fe3_fraction * mean_survival(profile, slice.dose_before,
                                                         slice.dose_after, truth_.critical_dose);
  const double intact =
      mean_survival(profile, slice.dose_before, slice.dose_after, specimen.mass_loss_dose);
  weights = film_weights(fe3, intact);
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
    spectra_.add(weights(slice), first_ev, axis.dispersion_ev, columns);
  }
}

Random frame_random(std::uint64_t seed, std::int64_t begin_ns, std::uint64_t which) {
  return Random(mix(seed, Stream::frame, begin_ns, which));
}

}  // namespace creel::sim
