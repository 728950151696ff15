#include "daemon/analysis/components.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <map>
#include <numeric>

#include "daemon/analysis/shift.h"

namespace creel::analysis {

namespace {

using Row = std::vector<double>;

constexpr double kBeyondLines_ev = 30;
constexpr std::size_t kMargin = 16;        // channels beyond the range
constexpr double kOffsetsPerChannel = 16;  // groups whose axes differ by less share one
constexpr double kWidestError = 0.5;
constexpr double kFwhm = 2.3548;  // 2 sqrt(2 ln 2)

/// A Gaussian of variance `channels2`, its own transpose but for the ends.
Row blurred(const Row& in, double channels2) {
  const auto reach = static_cast<std::ptrdiff_t>(std::ceil(5 * std::sqrt(channels2))) + 1;
  Row kernel;
  double sum = 0;
  for (std::ptrdiff_t i = -reach; i <= reach; ++i) {
    kernel.push_back(std::exp(-0.5 * static_cast<double>(i * i) / channels2));
    sum += kernel.back();
  }
  Row out(in.size(), 0.0);
  const auto n = static_cast<std::ptrdiff_t>(in.size());
  for (std::ptrdiff_t c = 0; c < n; ++c) {
    for (std::ptrdiff_t i = std::max(-reach, -c); i <= std::min(reach, n - 1 - c); ++i) {
      out[static_cast<std::size_t>(c + i)] +=
          in[static_cast<std::size_t>(c)] * kernel[static_cast<std::size_t>(i + reach)] / sum;
    }
  }
  return out;
}

/// From an end member's edge to the specimen's axis, scattering and resolution; and back for
/// functionals.
class Bringing {
 public:
  Bringing(const MeasuredSession& member, const MeasuredSession& specimen)
      : plural_(*specimen.single) {
    const Grid& to = specimen.edge->grid;
    const Grid& from = member.edge->grid;
    shift_ = (from.first_ev - to.first_ev) / to.dispersion_ev;
    if (member.session->zero_loss && specimen.session->zero_loss) {
      missing_ = (std::pow(specimen.session->zero_loss->sigma_ev, 2) -
                  std::pow(member.session->zero_loss->sigma_ev, 2)) /
                 (to.dispersion_ev * to.dispersion_ev);
    }
  }
  /// Channels from the member's axis to the specimen's.
  [[nodiscard]] double shift() const { return shift_; }
  /// Variance that the member lacks, channels^2; negative: it has too much.
  [[nodiscard]] double missing() const { return missing_; }

  /// The specimen will be seen less sharply, by this variance.
  void widen(double channels2) { missing_ += channels2; }

  [[nodiscard]] Row apply(const Row& edge) const {
    Row out(edge.size(), 0.0);
    add_shifted(edge, shift_, out);
    out = plural_.restored(out);
    return missing_ > kLeastBlur ? blurred(out, missing_) : out;
  }
  [[nodiscard]] Row transposed(const Row& u) const {
    return unshifted(plural_.restored_transposed(missing_ > kLeastBlur ? blurred(u, missing_) : u),
                     shift_);
  }

 private:
  static constexpr double kLeastBlur = 0.02;  // channels^2: nothing below can be seen
  const SingleScattering& plural_;
  double shift_ = 0, missing_ = 0;
};

/// The channels that take part, cut out so that the fit is quick.
struct Cut {
  std::size_t from = 0, to = 0;
  Cut(const Grid& grid, const Window& range) {
    const auto channel = [&grid](double ev) {
      const double c = (ev - grid.first_ev) / grid.dispersion_ev;
      return static_cast<std::size_t>(std::clamp(c, 0.0, static_cast<double>(grid.channels)));
    };
    from = channel(range.from_ev) - std::min(channel(range.from_ev), kMargin);
    to = std::min(channel(range.to_ev) + kMargin, grid.channels);
  }
  [[nodiscard]] Row of(const Row& all) const {
    return {all.begin() + static_cast<std::ptrdiff_t>(from),
            all.begin() + static_cast<std::ptrdiff_t>(to)};
  }
  [[nodiscard]] Row back(const Row& part, std::size_t channels) const {
    Row all(channels, 0.0);
    std::copy(part.begin(), part.end(), all.begin() + static_cast<std::ptrdiff_t>(from));
    return all;
  }
};

/// Exposures' own dark noise, and that of the mean darks that were subtracted. The latter is common
/// to all groups; for the weights each carries its part.
double floor_of(const MeasuredSession& of, const std::vector<std::size_t>& members) {
  double sum = 0;
  for (const std::size_t index : members) {
    const FrameGroup& group = of.session->core[index];
    const auto frames = static_cast<double>(group.frames);
    const auto dark = of.session->darks.find(group.exposure_set_ns);
    const double shared =
        dark == of.session->darks.end() || dark->second.frames == 0
            ? 0.0
            : static_cast<double>(of.edge->frames) / static_cast<double>(dark->second.frames);
    sum += frames * of.edge->noise.dark_variance * (1 + shared);
  }
  return sum;
}

std::vector<ComponentGroup::Offset> offsets_of(const MeasuredSession& of,
                                               const std::vector<std::size_t>& members) {
  struct Bin {
    double sum = 0, frames = 0;
  };
  std::map<long, Bin> bins;
  double all = 0;
  for (const std::size_t index : members) {
    const FrameGroup& group = of.session->core[index];
    const double offset = offset_of(group, of.edge->grid);
    const auto frames = static_cast<double>(group.frames);
    Bin& bin = bins[std::lround(offset * kOffsetsPerChannel)];
    bin.sum += frames * offset;
    bin.frames += frames;
    all += frames;
  }
  std::vector<ComponentGroup::Offset> offsets;
  offsets.reserve(bins.size());
  for (const auto& [place, bin] : bins) {
    offsets.push_back({bin.sum / bin.frames, bin.frames / all});
  }
  return offsets;
}

std::vector<ComponentGroup> groups_of(const MeasuredSession& of, const Cut& cut) {
  std::vector<ComponentGroup> groups;
  const double factor = of.edge->noise_widened ? of.edge->noise_factor : 1.0;
  for (std::size_t k = 0; k < of.edge->members.size(); ++k) {
    Row counts(of.session->channels, 0.0);
    for (const std::size_t index : of.edge->members[k]) {
      const Row& part = of.session->core[index].counts;
      std::transform(counts.begin(), counts.end(), part.begin(), counts.begin(), std::plus<>());
    }
    ComponentGroup group;
    group.counts = cut.of(counts);
    group.slope = factor * std::max(1e-12, of.edge->noise.slope[0]);
    group.floor = factor * floor_of(of, of.edge->members[k]);
    group.offsets = offsets_of(of, of.edge->members[k]);
    group.doses = of.edge->doses[k];
    groups.push_back(std::move(group));
  }
  return groups;
}

/// Edge for one atom, in a unit of its own: over the height of the continuum behind the lines.
EndMember end_member_of(const MeasuredSession& member, const Bringing& bring, const Cut& cut) {
  EndMember made;
  const double height = member.edge->numbers.front()[kHeight];
  made.edge = cut.of(bring.apply(member.edge->edge));
  for (double& value : made.edge) {
    value /= height;
  }
  const NoiseLine& noise = member.edge->noise;
  const double factor = member.edge->noise_widened ? member.edge->noise_factor : 1.0;
  std::vector<std::size_t> members;
  for (const auto& group : member.edge->members) {
    members.insert(members.end(), group.begin(), group.end());
  }
  const double floor = floor_of(member, members);
  Row variance(member.session->channels, 0.0);
  for (std::size_t c = 0; c < variance.size(); ++c) {
    variance[c] =
        factor * std::max(0.0, noise.slope[0] * member.edge->sum[c] + floor) / (height * height);
  }
  // To whole channels: for weights a fraction of one does not matter.
  Row moved(variance.size(), 0.0);
  add_shifted(variance, std::round(bring.shift()), moved);
  made.variance = cut.of(moved);
  return made;
}

using Two = std::array<std::array<double, 2>, 2>;

/// One session's part in x0 and the rate.
struct Part {
  const SessionSpectra* session;
  CarriedNoise carried;
};

/// Covariance of x0 and rate from everything that is known of the frames' noise.
Two carried_covariance(const std::vector<Part>& parts, double axis_error_ev) {
  Two sum{};
  for (std::size_t i = 0; i < 2; ++i) {
    for (std::size_t j = 0; j < 2; ++j) {
      for (const Part& a : parts) {
        sum[i][j] += a.carried.own(i, j) +
                     axis_error_ev * axis_error_ev * a.carried.by_shift(i) * a.carried.by_shift(j);
        for (const Part& b : parts) {
          sum[i][j] += shared_noise(*a.session, a.carried, i, *b.session, b.carried, j);
        }
      }
    }
  }
  return sum;
}

Part specimen_part(const MeasuredSession& of, const ComponentFit& fit, const Cut& cut) {
  Part part{of.session, CarriedNoise(2)};
  for (std::size_t k = 0; k < of.edge->members.size(); ++k) {
    std::vector<Row> w = {cut.back(fit.of_x0.counts[k], of.session->channels)};
    w.push_back(fit.free[kRate] ? cut.back(fit.of_rate.counts[k], of.session->channels)
                                : Row(of.session->channels, 0.0));
    for (const std::size_t index : of.edge->members[k]) {
      part.carried.add(of.session->core[index], of.edge->noise, of.edge->grid.dispersion_ev, w);
    }
  }
  if (of.edge->noise_widened) {
    part.carried.widen(of.edge->noise_factor);
  }
  return part;
}

/// The height of an end member is measured too, from the same frames.
Part member_part(const MeasuredSession& of, const WhiteLineWindows& windows, const Bringing& bring,
                 const std::array<const Row*, 2>& functionals, const Cut& cut) {
  const double height = of.edge->numbers.front()[kHeight];
  const Row on_height = white_line_functionals(windows, of.edge->grid)[kHeight];
  std::vector<Row> u;
  for (const Row* one : functionals) {
    Row on_edge = one->empty() ? Row(of.session->channels, 0.0)
                               : bring.transposed(cut.back(*one, of.session->channels));
    const double by_height =
        -std::inner_product(on_edge.begin(), on_edge.end(), of.edge->edge.begin(), 0.0) / height;
    for (std::size_t c = 0; c < on_edge.size(); ++c) {
      on_edge[c] = (on_edge[c] + by_height * on_height[c]) / height;
    }
    u.push_back(std::move(on_edge));
  }
  return {of.session, noise_of_functionals(*of.session, *of.edge, *of.single, u)};
}

/// Everything of one fit.
class Sessions {
 public:
  Sessions(const MeasuredSession& specimen, const MeasuredSession& low, const MeasuredSession& high,
           const WhiteLineWindows& windows, const ComponentChoice& choice)
      : specimen_(specimen),
        low_(low),
        high_(high),
        windows_(windows),
        choice_(choice),
        cut_(specimen.edge->grid, component_range(windows)),
        bring_low_(low, specimen),
        bring_high_(high, specimen) {
    const Grid& grid = specimen.edge->grid;
    data_.grid = {grid.lower(cut_.from), grid.dispersion_ev, cut_.to - cut_.from};
    data_.range = component_range(windows);
    data_.before_edge = windows.background;
    data_.groups = groups_of(specimen, cut_);
    data_.low = end_member_of(low, bring_low_, cut_);
    data_.high = end_member_of(high, bring_high_, cut_);
    data_.profile = choice.profile;
    data_.law = choice.law;
    data_.width_error_ev2 = choice.width_error_ev2;
  }

  Result<ComponentAnswer> run() {
    auto answer = with_law(choice_.law);
    if (!answer) {
      return answer;
    }
    const auto plain = with_law(DamageLaw::none);
    answer->plain_x = plain ? plain->x0 : std::nan("");
    answer->sigma_plain_x = plain ? plain->sigma_x0 : std::nan("");
    compare_laws(*answer);
    describe(*answer);
    return answer;
  }

  /// The specimen is the pilot here.
  Result<ComponentAnswer> forecast(const PlannedNight& night) {
    const EdgeMeasurement& edge = *specimen_.edge;
    const auto pilot_frames = static_cast<double>(edge.frames);
    NoiseLine noise = edge.noise;
    for (double& slope : noise.slope) {
      slope *= night.excess_noise;
    }
    noise.dark_variance *= night.read_noise;
    // How much metal the pilot shows is told best by its own fit: its continuum alone is noisy.
    data_.law = DamageLaw::none;
    data_.pivot_ev = edge.background.pivot_ev;
    const auto of_pilot = fit_components(data_);
    if (!of_pilot) {
      return of_pilot.error().during("pilot");
    }
    ComponentFit::Group all;
    for (const ComponentFit::Group& group : of_pilot->groups) {
      all.amplitude += group.amplitude;
      all.height += group.height;
      all.exponent = group.exponent;
    }
    const double fwhm2_channels =
        kFwhm * kFwhm * data_.grid.dispersion_ev * data_.grid.dispersion_ev;
    bring_low_.widen(night.added_fwhm2_ev2 / fwhm2_channels);
    bring_high_.widen(night.added_fwhm2_ev2 / fwhm2_channels);
    data_.low = end_member_of(low_, bring_low_, cut_);
    data_.high = end_member_of(high_, bring_high_, cut_);
    Expected truth;
    truth.x0 = night.x0;
    truth.rate = night.rate;
    data_.law = choice_.law;
    data_.groups.clear();
    for (const PlannedNight::Group& group : night.groups) {
      const double part = group.pilot_frames / pilot_frames;
      ComponentGroup made;
      made.counts.assign(data_.grid.channels, 0.0);
      made.slope = std::max(1e-12, noise.slope[0]);
      made.floor = group.frames * noise.dark_variance;
      made.doses = group.doses;
      data_.groups.push_back(std::move(made));
      truth.groups.push_back(
          {part * night.background * all.amplitude, all.exponent, part * night.metal * all.height});
    }
    auto fit = expected_fit(data_, truth);
    if (!fit) {
      return fit.error();
    }
    return answered(std::move(*fit),
                    [&](const ComponentFit& of) { return planned_part(night, noise, of); });
  }

 private:
  /// The noise of frames that would be what the model expects.
  Part planned_part(const PlannedNight& night, const NoiseLine& noise,
                    const ComponentFit& fit) const {
    Part part{specimen_.session, CarriedNoise(2)};
    const std::size_t channels = specimen_.session->channels;
    for (std::size_t k = 0; k < night.groups.size(); ++k) {
      FrameGroup group;
      group.frames = static_cast<std::uint64_t>(std::max(1.0, std::round(night.groups[k].frames)));
      group.counts = cut_.back(fit.expected[k], channels);
      group.exposure_set_ns = specimen_.session->core.front().exposure_set_ns;
      const std::vector<Row> w = {
          cut_.back(fit.of_x0.counts[k], channels),
          fit.free[kRate] ? cut_.back(fit.of_rate.counts[k], channels) : Row(channels, 0.0)};
      part.carried.add(group, noise, data_.grid.dispersion_ev, w);
    }
    return part;
  }

  Result<ComponentAnswer> with_law(DamageLaw law) {
    data_.law = law;
    auto fit = fit_components(data_);
    if (!fit) {
      return fit.error();
    }
    return answered(std::move(*fit),
                    [this](const ComponentFit& of) { return specimen_part(specimen_, of, cut_); });
  }

  Result<ComponentAnswer> answered(ComponentFit&& found,
                                   const std::function<Part(const ComponentFit&)>& specimen) const {
    ComponentFit* const fit = &found;
    const std::vector<Part> parts = {
        specimen(*fit),
        member_part(low_, windows_, bring_low_, {&fit->of_x0.low, &fit->of_rate.low}, cut_),
        member_part(high_, windows_, bring_high_, {&fit->of_x0.high, &fit->of_rate.high}, cut_)};
    const Two covariance = carried_covariance(parts, choice_.axis_error_ev);
    ComponentAnswer made;
    made.x0 = fit->value[kX0];
    made.sigma_x0 = std::sqrt(covariance[0][0]);
    made.counting_sigma_x0 = fit->sigma(kX0);
    made.k = fit->value[kRate];
    made.sigma_k = fit->free[kRate] ? std::sqrt(covariance[1][1]) : std::nan("");
    made.covariance_x0_k = covariance[0][1];
    made.tell_damage();
    made.chi_square = fit->deviance;
    made.degrees_of_freedom = fit->degrees_of_freedom;
    made.by_axis_tenth_ev = 0.1 * (parts[1].carried.by_shift(0) + parts[2].carried.by_shift(0));
    made.fit = std::move(*fit);
    if (!(made.sigma_x0 <= kWidestError)) {
      return Error{ErrorCode::refused, "oxidation state: the part in the high state would be " +
                                           std::to_string(made.x0) + " +- " +
                                           std::to_string(made.sigma_x0) +
                                           ", which tells nothing; more exposures are needed"};
    }
    return made;
  }

  /// Other laws on the same data. A law with one number more pays ln(channels) for it.
  void compare_laws(ComponentAnswer& made) {
    if (!made.fit.free[kRate]) {
      return;
    }
    const double price = std::log(static_cast<double>(made.fit.degrees_of_freedom));
    for (const auto& [law, numbers] :
         {std::pair{DamageLaw::none, -1.0}, std::pair{DamageLaw::first_order, 0.0},
          std::pair{DamageLaw::second_order, 0.0}, std::pair{DamageLaw::plateau, 1.0}}) {
      data_.law = law;
      const auto fit = law == choice_.law ? Result<ComponentFit>(made.fit) : fit_components(data_);
      if (!fit) {
        continue;  // the data do not tell this law's numbers apart
      }
      made.laws.push_back({law, fit->value[kX0], fit->sigma(kX0), fit->value[kRate],
                           fit->value[kPlateau], fit->deviance,
                           fit->deviance - made.fit.deviance + numbers * price});
    }
    data_.law = choice_.law;
  }

  void describe(ComponentAnswer& made) const {
    // Neighbours that share noise make the deviance scatter more.
    double shared = 1;
    const auto& slope = specimen_.edge->noise.slope;
    for (std::size_t lag = 1; lag < kLags; ++lag) {
      shared += 2 * std::pow(slope[lag] / slope[0], 2);
    }
    const auto freedom = static_cast<double>(made.degrees_of_freedom);
    made.unlikely_above = freedom + 3.5 * std::sqrt(2 * freedom * shared);
    const double smooth = std::sqrt(std::max(1.0, specimen_.edge->noise.total_slope() / slope[0]));
    double survived = 0;
    double weight = 0;
    for (std::size_t k = 0; k < data_.groups.size(); ++k) {
      ComponentFit::Group& group = made.fit.groups[k];
      group.sigma_own_x *= smooth;  // its functional is broad, so neighbours add up
      survived += group.height * mean_survival(data_.groups[k].doses, made.k, choice_.profile,
                                               choice_.law, made.fit.value[kPlateau]);
      weight += group.height;
    }
    made.mean_survival = weight > 0 && survived > 0 ? survived / weight : 1;
    const double sharp = std::min(bring_low_.missing(), bring_high_.missing());
    made.too_sharp_ev = sharp < 0 ? kFwhm * std::sqrt(-sharp) * data_.grid.dispersion_ev : 0.0;
    made.counts.assign(data_.grid.channels, 0.0);
    for (const ComponentGroup& group : data_.groups) {
      made.doses.push_back(mean_dose(group.doses));
      std::transform(made.counts.begin(), made.counts.end(), group.counts.begin(),
                     made.counts.begin(), std::plus<>());
    }
    for (std::size_t c = 0; c < data_.grid.channels; ++c) {
      made.energy_ev.push_back(data_.grid.centre(c));
    }
  }

  const MeasuredSession &specimen_, &low_, &high_;
  const WhiteLineWindows& windows_;
  ComponentChoice choice_;
  Cut cut_;
  Bringing bring_low_, bring_high_;
  ComponentData data_;
};

}  // namespace

Window component_range(const WhiteLineWindows& windows) {
  return {windows.background.from_ev, windows.l2.to_ev + kBeyondLines_ev};
}

Result<ComponentAnswer> forecast_sessions(const PlannedNight& night, const MeasuredSession& pilot,
                                          const MeasuredSession& low, const MeasuredSession& high,
                                          const WhiteLineWindows& windows,
                                          const ComponentChoice& choice) {
  return Sessions(pilot, low, high, windows, choice).forecast(night);
}

Result<ComponentAnswer> fit_sessions(const MeasuredSession& specimen, const MeasuredSession& low,
                                     const MeasuredSession& high, const WhiteLineWindows& windows,
                                     const ComponentChoice& choice) {
  return Sessions(specimen, low, high, windows, choice).run();
}

}  // namespace creel::analysis
