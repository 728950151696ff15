#include "daemon/analysis/components.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <map>
#include <numeric>
#include <optional>

#include "daemon/spectra/shift.h"

namespace creel::analysis {

namespace {

using Row = std::vector<double>;

constexpr double kBeyondLines_ev = 30;
constexpr std::size_t kMargin = 16;        // channels beyond the range
constexpr double kOffsetsPerChannel = 16;  // groups whose axes differ by less share one
constexpr double kWidestError = 0.5;
constexpr double kFwhm = 2.3548;         // 2 sqrt(2 ln 2)
constexpr double kZeroLossShape = 0.01;  // channels: as series_calibration.h

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

constexpr double kLeastBlur = 0.02;  // channels^2: nothing below can be seen

/// How far the axis may have been from where the references say, by groups of core groups.
Strayed strayed(const MeasuredSession& of, std::span<const std::vector<std::size_t>> groups) {
  std::vector<std::vector<Moment>> moments;
  for (const auto& members : groups) {
    double all = 0;
    for (const std::size_t index : members) {
      all += static_cast<double>(of.session->core[index].frames);
    }
    moments.emplace_back();
    for (const std::size_t index : members) {
      const FrameGroup& group = of.session->core[index];
      moments.back().push_back({group.middle_s, static_cast<double>(group.frames) / all});
    }
  }
  return Wander(of.session->drift, of.edge->noise.total_slope(),
                kZeroLossShape * of.session->dispersion_ev)
      .of(moments);
}
Strayed strayed_as_one(const MeasuredSession& of) {
  std::vector<std::vector<std::size_t>> all(1);
  for (const auto& members : of.edge->members) {
    all.front().insert(all.front().end(), members.begin(), members.end());
  }
  return strayed(of, all);
}

/// By how much (eV^2) an end member's sum is broader than its zero loss: its exposures were moved
/// to where the references said.
double blurred_by_axis(const MeasuredSession& member) {
  const Strayed one = strayed_as_one(member);
  return one.wandering_ev2.front() + one.by_errors_ev2.front();
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
                  std::pow(member.session->zero_loss->sigma_ev, 2) - blurred_by_axis(member)) /
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

/// The mean darks that were subtracted, as the fit wants them.
class Darks {
 public:
  Darks(const SessionSpectra& session, const Cut& cut) {
    for (const auto& [exposure, dark] : session.darks) {
      places_[exposure] = variances.size();
      variances.push_back(cut.of(dark.variance));
      for (double& value : variances.back()) {
        value /= static_cast<double>(std::max<std::uint64_t>(1, dark.frames));
      }
    }
  }
  [[nodiscard]] std::optional<std::size_t> place(std::int64_t exposure_set_ns) const {
    const auto found = places_.find(exposure_set_ns);
    return found == places_.end() ? std::nullopt : std::optional(found->second);
  }
  std::vector<Row> variances;

 private:
  std::map<std::int64_t, std::size_t> places_;
};

/// Exposures' own dark noise, and that of the mean darks that were subtracted.
double floor_of(const MeasuredSession& of, const std::vector<std::size_t>& members) {
  double own = 0;
  std::map<std::int64_t, double> taken;
  for (const std::size_t index : members) {
    const FrameGroup& group = of.session->core[index];
    own += static_cast<double>(group.frames);
    taken[group.exposure_set_ns] += static_cast<double>(group.frames);
  }
  double shared = 0;
  for (const auto& [exposure, frames] : taken) {
    const auto dark = of.session->darks.find(exposure);
    shared += dark == of.session->darks.end() || dark->second.frames == 0
                  ? 0.0
                  : frames * frames / static_cast<double>(dark->second.frames);
  }
  return (own + shared) * of.edge->noise.dark_variance;
}

/// A group whose exposures all have one dark shares its noise with the others; one that mixes
/// exposure times has to carry it alone.
void set_noise(const MeasuredSession& of, const std::vector<std::size_t>& members,
               const Darks& darks, ComponentGroup& group) {
  const double factor = of.edge->noise_widened ? of.edge->noise_factor : 1.0;
  group.slope = factor * std::max(1e-12, of.edge->noise.slope[0]);
  const std::int64_t exposure = of.session->core[members.front()].exposure_set_ns;
  double frames = 0;
  bool alike = true;
  for (const std::size_t index : members) {
    const FrameGroup& one = of.session->core[index];
    alike = alike && one.exposure_set_ns == exposure;
    frames += static_cast<double>(one.frames);
  }
  const auto dark = darks.place(exposure);
  if (!alike || !dark) {
    group.floor = factor * floor_of(of, members);
    return;
  }
  group.floor = factor * frames * of.edge->noise.dark_variance;
  group.dark = *dark;
  group.darks_taken = frames;
}

/// `wandering_ev2`: variance of the exposures about the group's mean beyond what references say. A
/// normal distribution by three points (Abramowitz and Stegun 25.4.46).
std::vector<ComponentGroup::Offset> offsets_of(const MeasuredSession& of,
                                               const std::vector<std::size_t>& members,
                                               double wandering_ev2) {
  struct Bin {
    double sum = 0, frames = 0;
  };
  std::map<long, Bin> bins;
  double all = 0;
  const auto add = [&bins](double offset, double frames) {
    Bin& bin = bins[std::lround(offset * kOffsetsPerChannel)];
    bin.sum += frames * offset;
    bin.frames += frames;
  };
  const double channels = std::sqrt(wandering_ev2) / of.edge->grid.dispersion_ev;
  for (const std::size_t index : members) {
    const FrameGroup& group = of.session->core[index];
    const double offset = offset_of(group, of.edge->grid);
    const auto frames = static_cast<double>(group.frames);
    all += frames;
    if (channels * channels < kLeastBlur) {
      add(offset, frames);
      continue;
    }
    add(offset, frames * 2 / 3);
    add(offset - std::sqrt(3.0) * channels, frames / 6);
    add(offset + std::sqrt(3.0) * channels, frames / 6);
  }
  std::vector<ComponentGroup::Offset> offsets;
  offsets.reserve(bins.size());
  for (const auto& [place, bin] : bins) {
    offsets.push_back({bin.sum / bin.frames, bin.frames / all});
  }
  return offsets;
}

std::vector<ComponentGroup> groups_of(const MeasuredSession& of, const Cut& cut, const Darks& darks,
                                      const Strayed& strayed) {
  std::vector<ComponentGroup> groups;
  for (std::size_t k = 0; k < of.edge->members.size(); ++k) {
    Row counts(of.session->channels, 0.0);
    for (const std::size_t index : of.edge->members[k]) {
      const Row& part = of.session->core[index].counts;
      std::transform(counts.begin(), counts.end(), part.begin(), counts.begin(), std::plus<>());
    }
    ComponentGroup group;
    group.counts = cut.of(counts);
    set_noise(of, of.edge->members[k], darks, group);
    // The references' errors are in where the exposures are said to lie; they did not lie there.
    group.offsets = offsets_of(of, of.edge->members[k],
                               std::max(0.0, strayed.wandering_ev2[k] - strayed.by_errors_ev2[k]));
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
  Two by_axis{};  ///< by what the references leave open of its axis
};

/// Covariance of x0 and rate from everything that is known of the frames' noise.
Two carried_covariance(const std::vector<Part>& parts, double axis_error_ev) {
  Two sum{};
  for (std::size_t i = 0; i < 2; ++i) {
    for (std::size_t j = 0; j < 2; ++j) {
      for (const Part& a : parts) {
        sum[i][j] += a.carried.own(i, j) + a.by_axis[i][j] +
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
  Part part{of.session, CarriedNoise(2), {}};
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

/// What the shifts' own error adds: they are held to the references.
Two by_shifts(const ComponentFit& fit, const std::vector<double>& covariance) {
  Two sum{};
  const std::array<const Row*, 2> by = {&fit.of_x0.shift, &fit.of_rate.shift};
  for (std::size_t i = 0; i < 2; ++i) {
    for (std::size_t j = 0; j < 2; ++j) {
      for (std::size_t k = 0; k < by[i]->size(); ++k) {
        for (std::size_t l = 0; l < by[j]->size(); ++l) {
          sum[i][j] += (*by[i])[k] * covariance[k * by[j]->size() + l] * (*by[j])[l];
        }
      }
    }
  }
  return sum;
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
  Part part{of.session, noise_of_functionals(*of.session, *of.edge, *of.single, u), {}};
  const double variance = strayed_as_one(of).covariance_ev2.front();
  for (std::size_t i = 0; i < 2; ++i) {
    for (std::size_t j = 0; j < 2; ++j) {
      part.by_axis[i][j] = variance * part.carried.by_shift(i) * part.carried.by_shift(j);
    }
  }
  return part;
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
    const Darks darks(*specimen.session, cut_);
    const Strayed axis = strayed(specimen, specimen.edge->members);
    data_.groups = groups_of(specimen, cut_, darks, axis);
    data_.darks = darks.variances;
    data_.shift_covariance_ev2 = axis.covariance_ev2;
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
    plan_shifts(night.groups.size());
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
  /// As far from the references as the pilot's groups may be on the average, each by itself.
  void plan_shifts(std::size_t groups) {
    const std::size_t n = specimen_.edge->members.size();
    double variance = 0;
    for (std::size_t k = 0; k < n; ++k) {
      variance += data_.shift_covariance_ev2[k * (n + 1)] / static_cast<double>(n);
    }
    data_.shift_covariance_ev2.assign(groups * groups, 0.0);
    for (std::size_t k = 0; k < groups; ++k) {
      data_.shift_covariance_ev2[k * (groups + 1)] = variance;
    }
  }

  /// The noise of frames that would be what the model expects.
  Part planned_part(const PlannedNight& night, const NoiseLine& noise,
                    const ComponentFit& fit) const {
    Part part{specimen_.session, CarriedNoise(2), {}};
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
    std::vector<Part> parts = {
        specimen(*fit),
        member_part(low_, windows_, bring_low_, {&fit->of_x0.low, &fit->of_rate.low}, cut_),
        member_part(high_, windows_, bring_high_, {&fit->of_x0.high, &fit->of_rate.high}, cut_)};
    parts.front().by_axis = by_shifts(*fit, data_.shift_covariance_ev2);
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

  /// Other laws on the same data. A law with one number more pays ln(channels) for it. What laws
  /// differ by is broader than the noise that neighbours share, so the deviance is divided by its
  /// excess (K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2nd ed.,
  /// Springer 2002, sec. 2.5).
  void compare_laws(ComponentAnswer& made) {
    if (!made.fit.free[kRate]) {
      return;
    }
    const double price = std::log(static_cast<double>(made.fit.degrees_of_freedom));
    const NoiseLine& noise = specimen_.edge->noise;
    const double excess = std::max(1.0, noise.total_slope() / noise.slope[0]);
    if (!specimen_.edge->dose_rates.differ()) {
      made.rate_law_withheld =
          "all exposures were taken at one dose rate, so what it does cannot be told";
    }
    for (const auto& [law, numbers] :
         {std::pair{DamageLaw::none, -1.0}, std::pair{DamageLaw::first_order, 0.0},
          std::pair{DamageLaw::second_order, 0.0}, std::pair{DamageLaw::plateau, 1.0},
          std::pair{DamageLaw::rate_power, 1.0}}) {
      if (law == DamageLaw::rate_power && !made.rate_law_withheld.empty()) {
        continue;
      }
      data_.law = law;
      const auto fit = law == choice_.law ? Result<ComponentFit>(made.fit) : fit_components(data_);
      if (!fit) {
        continue;  // the data do not tell this law's numbers apart
      }
      made.laws.push_back({law, fit->value[kX0], fit->sigma(kX0), fit->value[kRate],
                           fit->value[kShape], fit->deviance,
                           (fit->deviance - made.fit.deviance) / excess + numbers * price});
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
                                               choice_.law, made.fit.value[kShape]);
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
