#include "daemon/spectra/series_calibration.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "daemon/spectra/edges.h"
#include "daemon/spectra/pixels.h"
#include "daemon/spectra/shift.h"
#include "protocol/base/text.h"
#include "protocol/physics/constants.h"

namespace creel::analysis {

namespace {

constexpr double kNan = kNotGiven;
constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold;
constexpr double kNearReading_s = 60;   // a reading further away says nothing about a reference
constexpr std::size_t kGainBlock = 32;  // channels: far wider than a point spread
constexpr double kAngstromPerNm = 10;

double square(double value) {
  return value * value;
}

/// Counts above dark of some references with the variance that counting and darks give the sum.
struct Light {
  std::uint64_t frames = 0;
  double counts = 0, pulses = 0, lit_s = 0;
  double variance = 0;
};

/// References of one place whose darks exist, in order.
std::vector<ReferenceTotal> usable_in(const InstrumentFrames& frames, Where where) {
  std::vector<ReferenceTotal> found;
  for (const ReferenceTotal& one : frames.references) {
    if (one.where == where && one.lit_s > 0 && frames.darks.contains(one.exposure_set_ns)) {
      found.push_back(one);
    }
  }
  return found;
}

/// @param noise_gain  variance of the counts over their mean: gain times excess noise.
Light light_of(const InstrumentFrames& frames, std::span<const ReferenceTotal> references,
               double noise_gain) {
  Light light;
  std::map<std::int64_t, double> taken;
  for (const ReferenceTotal& one : references) {
    const InstrumentFrames::Dark& dark = frames.darks.at(one.exposure_set_ns);
    light.counts += one.counts - dark.totals.mean();
    light.lit_s += one.lit_s;
    taken[one.exposure_set_ns] += 1;
    ++light.frames;
  }
  light.variance = noise_gain * std::max(0.0, light.counts);
  for (const auto& [exposure, n] : taken) {  // all share one mean dark: its error n times
    const InstrumentFrames::Dark& dark = frames.darks.at(exposure);
    light.variance += dark.variance() * (n + n * n / static_cast<double>(dark.totals.count));
  }
  return light;
}

struct Gains {
  double used = kNan, sigma = kNan;  // counts per electron
  double noise = kNan;               // counts' variance over their mean
};

/// The detector's claim where it makes one, as well known as photon transfer bears it out: the
/// difference counts as one standard deviation, because excess noise and a wrong claim look alike.
Gains gains_of(SeriesCalibration& made) {
  Gains gains;
  const Measured& seen = made.gain;
  gains.noise = seen.given() ? seen.value : made.stated.counts_per_electron.value_or(kNan);
  if (made.stated.counts_per_electron) {
    gains.used = *made.stated.counts_per_electron;
    gains.sigma = seen.given() ? std::hypot(seen.sigma, seen.value - gains.used) : kNan;
    made.gain_used =
        Measured(gains.used, gains.sigma, seen.rests_on,
                 seen.given() ? "the detector's own claim; its error is the difference to photon "
                                "transfer, which cannot tell a wrong claim from excess noise"
                              : "the detector's own claim, which nothing in this session bears "
                                "out: errors that need it are not given");
  } else if (seen.given()) {
    gains.used = seen.value;
    gains.sigma = seen.sigma;
    made.gain_used = Measured(seen.value, seen.sigma, seen.rests_on,
                              "photon transfer; a detector with excess noise F reads F times too "
                              "high here, and electrons F times too low");
  } else {
    made.gain_used = Measured::none("the detector states no gain and photon transfer gave none: " +
                                    seen.sentence);
  }
  return gains;
}

Measured rate_per_pulse(const Light& light, const Gains& gains, double rate_hz) {
  const double scale = 1.0 / (gains.used * light.lit_s * rate_hz);
  return {light.counts * scale, std::sqrt(light.variance) * scale, light.frames};
}

ElectronsPerPulse per_pulse(const InstrumentFrames& frames, Where where, const Gains& gains,
                            double rate_hz) {
  const std::vector<ReferenceTotal> all = usable_in(frames, where);
  ElectronsPerPulse made;
  made.where = where;
  const Light light = light_of(frames, all, gains.noise);
  made.mean = rate_per_pulse(light, gains, rate_hz);
  made.sigma_counting = made.mean.sigma;
  made.mean.sigma = std::hypot(made.mean.sigma, made.mean.value * gains.sigma / gains.used);
  if (where == Where::specimen) {
    made.mean.sentence =
        "through the specimen: a lower bound, of the electrons that reached the detector on its "
        "energy axis";
  }
  if (all.size() < 2) {
    made.first = made.last = made.change =
        Measured::none("a trend needs two references at least; there is one");
    return made;
  }
  const std::size_t part = std::max<std::size_t>(1, all.size() / 5);
  const std::span<const ReferenceTotal> span(all);
  made.first = rate_per_pulse(light_of(frames, span.first(part), gains.noise), gains, rate_hz);
  made.last = rate_per_pulse(light_of(frames, span.last(part), gains.noise), gains, rate_hz);
  if (!(made.first.value > 0)) {
    made.change = Measured::none("the first references hold no light");
    return made;
  }
  const double ratio = made.last.value / made.first.value;
  made.change = Measured(
      ratio - 1,
      std::hypot(made.last.sigma / made.first.value, ratio * made.first.sigma / made.first.value),
      made.first.rests_on + made.last.rests_on);
  return made;
}

std::string why_no_references(const InstrumentFrames& frames) {
  if (!frames.references.empty()) {
    return "no zero-loss reference has darks of its exposure time";
  }
  return frames.saturated > 0 ? "all zero-loss references are saturated (" +
                                    std::to_string(frames.saturated) + "): expose them shorter"
                              : "the session holds no usable zero-loss reference";
}

void measure_electrons(const InstrumentFrames& frames, const Gains& gains,
                       SeriesCalibration& made) {
  const bool vacuum = !usable_in(frames, Where::vacuum).empty();
  const bool through = !usable_in(frames, Where::specimen).empty();
  if (!vacuum && !through) {
    made.per_pulse_withheld = why_no_references(frames);
  } else if (!std::isfinite(gains.used)) {
    made.per_pulse_withheld = made.gain_used.sentence;
  } else if (!made.stated.repetition_rate_hz) {
    made.per_pulse_withheld = "the series does not state laser.repetition_rate_khz";
  } else {
    for (const Where where : {Where::vacuum, Where::specimen}) {
      if (where == Where::vacuum ? vacuum : through) {
        made.per_pulse.push_back(per_pulse(frames, where, gains, *made.stated.repetition_rate_hz));
      }
    }
  }
}

void measure_dose_rate(const InstrumentFrames& frames, const Gains& gains,
                       SeriesCalibration& made) {
  const std::vector<ReferenceTotal> vacuum = usable_in(frames, Where::vacuum);
  if (vacuum.empty()) {
    made.dose_rate_withheld =
        "no usable zero-loss references were taken in vacuum (where: vacuum); through the "
        "specimen they are no measure of the dose";
    return;
  }
  if (!std::isfinite(gains.used)) {
    made.dose_rate_withheld = made.gain_used.sentence;
    return;
  }
  if (made.stated.lit_diameters_nm.empty()) {
    made.dose_rate_withheld = "no area of the series states its lit_diameter_nm";
    return;
  }
  const Light light = light_of(frames, vacuum, gains.noise);
  const double per_s = light.counts / (gains.used * light.lit_s);
  const double relative =
      std::hypot(std::sqrt(light.variance) / light.counts, gains.sigma / gains.used);
  for (const auto& [area, diameter_nm] : made.stated.lit_diameters_nm) {
    AreaDoseRate one;
    one.area = area;
    one.lit_diameter_nm = diameter_nm;
    const double rate = per_s / (physics::kPi * square(0.5 * diameter_nm * kAngstromPerNm));
    one.rate = Measured(rate, std::fabs(rate) * relative, light.frames,
                        "mean over the lit area; the error of its diameter is not in it");
    const double stated_sigma = made.stated.dose_rate * made.stated.dose_rate_relative;
    one.against_stated = (rate - made.stated.dose_rate) / std::hypot(one.rate.sigma, stated_sigma);
    made.dose_rates.push_back(std::move(one));
  }
}

/// Counts per second and milliwatt, from every reference with a reading near it in time.
void measure_against_power(const InstrumentFrames& frames,
                           const std::vector<PowerReading>& readings, SeriesCalibration& made) {
  made.counts_per_mw_scatter = kNan;
  if (readings.empty()) {
    made.counts_per_mw =
        Measured::none(made.stated.power_gauge.empty()
                           ? "none of the series' gauges has a channel in W, mW or uW"
                           : "there is no valid reading of " + made.stated.power_gauge);
    return;
  }
  std::vector<ReferenceTotal> references = usable_in(frames, Where::vacuum);
  const bool vacuum = !references.empty();
  if (!vacuum) {
    references = usable_in(frames, Where::specimen);
  }
  Spread found;
  for (const ReferenceTotal& one : references) {
    const auto nearest = std::min_element(
        readings.begin(), readings.end(), [&one](const PowerReading& a, const PowerReading& b) {
          return std::fabs(a.taken_s - one.middle_s) < std::fabs(b.taken_s - one.middle_s);
        });
    if (std::fabs(nearest->taken_s - one.middle_s) <= kNearReading_s) {
      const double counts = one.counts - frames.darks.at(one.exposure_set_ns).totals.mean();
      found.add(counts / (one.lit_s * nearest->power_mw));
    }
  }
  if (found.count < 2) {
    made.counts_per_mw = Measured::none(
        "fewer than two zero-loss references have a laser reading within a minute of them");
    return;
  }
  made.counts_per_mw_scatter = found.scatter() / std::fabs(found.mean());
  made.counts_per_mw =
      Measured(found.mean(), found.scatter() / std::sqrt(static_cast<double>(found.count)),
               found.count, vacuum ? "references in vacuum" : "references through the specimen");
}

void measure_offset(const SessionSpectra& spectra, SeriesCalibration& made) {
  made.zero_loss_sigma_scatter = kNan;
  const std::vector<Drift::Point>& points = spectra.drift.points();
  if (points.empty()) {
    made.zero_loss_ev = made.first_channel_ev =
        Measured::none("no zero-loss reference shows a peak that stands out");
    return;
  }
  Spread positions;
  for (const Drift::Point& point : points) {
    positions.add(point.position_ev);
  }
  const double n = static_cast<double>(positions.count);
  // Of one position by counting (Barlow 1989, sec. 5.2), where there are too few to see a scatter.
  const double by_counting =
      spectra.zero_loss && made.gain.given()
          ? spectra.zero_loss->sigma_ev * std::sqrt(made.gain.value / spectra.zero_loss->area)
          : kNan;
  const double by_scatter = spectra.drift.scatter_ev() / std::sqrt(n);
  made.zero_loss_sigma_scatter = std::isfinite(by_scatter) ? by_scatter : by_counting;
  const double sigma =
      std::hypot(made.zero_loss_sigma_scatter, kZeroLossShape_channels * spectra.dispersion_ev);
  made.zero_loss_ev = Measured(positions.mean(), sigma, spectra.zero_loss_frames,
                               n < 3 ? "too few references for a scatter: counting error only"
                                     : "mean over the session, drift included; error by the "
                                       "scatter from one reference to the next");
  if (!made.stated.energy_offset_ev) {
    made.first_channel_ev = Measured::none("the series does not state microscope.energy_offset_ev");
  } else {
    made.first_channel_ev = Measured(*made.stated.energy_offset_ev - positions.mean(), sigma,
                                     spectra.zero_loss_frames, "");
  }
}

/// A sum spectrum whose zero loss lies at 0 eV, its channels' variance, and by how much its axis
/// was moved against that of the zero-loss frames.
struct Aligned {
  Grid grid;
  std::vector<double> counts, variance;
  double moved_ev = 0;
  std::uint64_t frames = 0;
};

Aligned aligned_core(const SessionSpectra& spectra, double gain) {
  Aligned made;
  made.grid = {spectra.core.front().first_ev, spectra.dispersion_ev, spectra.channels};
  made.moved_ev = made.grid.first_ev - spectra.low_loss_grid.first_ev;
  made.counts.assign(spectra.channels, 0.0);
  for (const FrameGroup& group : spectra.core) {
    add_shifted(group.counts,
                (group.first_ev - group.drift_ev - made.grid.first_ev) / spectra.dispersion_ev,
                made.counts);
    made.frames += group.frames;
  }
  const double dark = static_cast<double>(made.frames) * spectra.noise.dark_variance;
  for (const double counts : made.counts) {
    made.variance.push_back(gain * std::max(0.0, counts) + dark);
  }
  return made;
}

Aligned aligned_low_loss(const SessionSpectra& spectra, double gain) {
  Aligned made;
  made.grid = spectra.low_loss_grid;
  made.counts = spectra.low_loss;
  made.frames = spectra.zero_loss_frames;
  const double dark = static_cast<double>(made.frames) * spectra.noise.dark_variance;
  for (const double counts : made.counts) {
    made.variance.push_back(gain * std::max(0.0, counts) + dark);
  }
  return made;
}

/// d = (E_table - moved)/(channels between), the zero loss being at 0 eV on the aligned axis.
void try_edge(const Aligned& on, const Edge& edge, SeriesCalibration& made) {
  const auto rise = find_edge_rise(on.counts, on.variance, on.grid, edge.onset_ev);
  if (!rise) {
    return;
  }
  const double channels = (rise->at_ev - on.moved_ev) / on.grid.dispersion_ev;
  if (!(channels > 1)) {
    return;
  }
  const double found = (edge.onset_ev - on.moved_ev) / channels;
  const double of_edge = kEdgeTableSigma_ev / channels;
  const double of_counting = found * rise->sigma_ev / (channels * on.grid.dispersion_ev);
  const double sigma = std::hypot(of_edge, of_counting);
  if (made.dispersion_ev.given() && made.dispersion_ev.sigma <= sigma) {
    return;
  }
  std::string said = "zero loss and " + edge.name() + " at " + number(edge.onset_ev, 5) + " +- " +
                     number(kEdgeTableSigma_ev, 2) +
                     " eV (X-Ray Data Booklet, LBNL/PUB-490, 2009, table 1-1; chemical shift and "
                     "differences between tables in the error)";
  if (on.moved_ev != 0) {
    said += "; presumes that the axis was moved by exactly the " + number(on.moved_ev, 5) +
            " eV that were set between the two";
  }
  made.dispersion_ev = Measured(found, sigma, on.frames, std::move(said));
  made.dispersion_sigma_counting = of_counting;
  made.dispersion_against_stated = (found - made.stated.dispersion_ev) / sigma;
  made.edge = edge.name();
  made.edge_table_ev = edge.onset_ev;
  made.edge_seen_ev = rise->at_ev;
}

void measure_dispersion(const SessionSpectra& spectra, SeriesCalibration& made) {
  made.dispersion_sigma_counting = made.dispersion_against_stated = kNan;
  made.edge_table_ev = made.edge_seen_ev = kNan;
  if (!made.gain.given() || spectra.drift.empty()) {
    made.dispersion_ev = Measured::none(
        spectra.drift.empty() ? "no zero loss places the axis"
                              : "the noise of the channels is not known: " + made.gain.sentence);
    return;
  }
  const Aligned core = aligned_core(spectra, made.gain.value);
  const Aligned low = aligned_low_loss(spectra, made.gain.value);
  for (const std::string& element : made.stated.elements) {
    const auto edge = main_edge(element);
    if (edge) {
      try_edge(core, *edge, made);
    }
    if (edge && !low.counts.empty()) {
      try_edge(low, *edge, made);
    }
  }
  if (!made.dispersion_ev.given()) {
    made.dispersion_ev = Measured::none(
        "no edge of the specimen's elements whose energy is known stands out on the axis");
  }
}

Measured of_spread(const Spread& spread, std::string why_none) {
  if (spread.count == 0) {
    return Measured::none(std::move(why_none));
  }
  return {spread.mean(), spread.scatter() / std::sqrt(static_cast<double>(spread.count)),
          spread.count, spread.count < 2 ? "measured once: no scatter" : ""};
}

void measure_shutter(const InstrumentFrames& frames, const ShutterDelays& delays,
                     SeriesCalibration& made) {
  const std::string none = frames.not_measured > 0 ? "the shutter does not measure where it stands"
                                                   : "no opening of the shutter was measured";
  const std::string no_orders =
      "the session does not hold when orders were given (event shutter_times): it was recorded "
      "before there was one, has not ended, or its shutter does not measure";
  made.opening_s = of_spread(delays.opening, no_orders);
  made.closing_s = of_spread(delays.closing, no_orders);
  made.opening_scatter_s = delays.opening.scatter();
  made.closing_scatter_s = delays.closing.scatter();
  made.opened_before_s = of_spread(frames.opened_before_s, none);
  made.closed_after_s = of_spread(frames.closed_after_s, none);
  made.open_for_s = of_spread(frames.open_for_s, none);
  const std::string one_time =
      "the device reports one time for each movement, not its beginning and end" +
      (made.stated.travel_s ? "; it describes itself with " + number(*made.stated.travel_s * 1e3) +
                                  " ms from the order to the end of the movement"
                            : std::string());
  made.opening_delay_s = of_spread(delays.opening_delay, one_time);
  made.opening_travel_s = of_spread(delays.opening_travel, one_time);
  made.closing_delay_s = of_spread(delays.closing_delay, one_time);
  made.closing_travel_s = of_spread(delays.closing_travel, one_time);
}

}  // namespace

Measured::Measured(double of, double error, std::uint64_t count, std::string said)
    : value(of), sigma(error), rests_on(count), sentence(std::move(said)) {}

bool Measured::given() const {
  return std::isfinite(value);
}

Measured Measured::none(std::string why) {
  return {kNan, kNan, 0, std::move(why)};
}

void Spread::add(double value) {
  least = count == 0 ? value : std::min(least, value);
  most = count == 0 ? value : std::max(most, value);
  ++count;
  sum += value;
  squares += value * value;
}

double Spread::mean() const {
  return count == 0 ? kNan : sum / static_cast<double>(count);
}

double Spread::scatter() const {
  const auto n = static_cast<double>(count);
  return count < 2 ? kNan : std::sqrt(std::max(0.0, (squares - sum * sum / n) / (n - 1)));
}

double InstrumentFrames::Dark::variance() const {
  return totals.count < 2 ? kNan : squares / (2.0 * static_cast<double>(totals.count - 1));
}

Result<void> CalibrationCollector::add(const session::Record& record,
                                       std::span<const std::byte> frame) {
  const auto kind = static_cast<ExposureKind>(record.kind);
  CREEL_TRY(check_frame(shape_, frame, record.events));
  take_shutter(record);
  if (kind != ExposureKind::dark && kind != ExposureKind::zero_loss) {
    return {};
  }
  double counts = 0;
  each_pixel_of(shape_, frame, record.events,
                [&counts](std::uint32_t, std::uint32_t, double value) { counts += value; });
  if ((record.flags & kUnusable) != 0 || !std::isfinite(counts)) {
    ++frames_.left_out;
    return {};
  }
  if (kind == ExposureKind::dark) {
    InstrumentFrames::Dark& dark = frames_.darks[record.exposure_set_ns];
    dark.squares += dark.totals.count == 0 ? 0.0 : square(counts - dark.last);
    dark.last = counts;
    dark.totals.add(counts);
    return {};
  }
  if ((record.flags & session::kSaturated) != 0) {
    ++frames_.saturated;
    return {};
  }
  if (frames_.references.size() >= kMostReferences) {
    ++frames_.left_out;
    return {};
  }
  const bool by_shutter = gating_ == Gating::shutter &&
                          (record.flags & session::kShutterNotMeasured) == 0 &&
                          record.closed_ns > record.opened_ns;
  const std::int64_t by_detector = gating_ == Gating::detector && record.exposure_ns > 0
                                       ? record.exposure_ns
                                       : record.exposure_set_ns;
  const std::int64_t lit_ns = by_shutter ? record.closed_ns - record.opened_ns : by_detector;
  frames_.references.push_back(
      {static_cast<Where>(record.where), record.exposure_set_ns, 1e-9 * static_cast<double>(lit_ns),
       1e-9 *
           (static_cast<double>(record.start_ns) + 0.5 * static_cast<double>(record.exposure_ns)),
       counts});
  return {};
}

/// Only exposures of one frame: of many, the earlier frames are stored before the shutter closes.
void CalibrationCollector::take_shutter(const session::Record& record) {
  if (record.opened_ns == 0 || (record.flags & (kUnusable | session::kMoreToCome)) != 0 ||
      record.exposure_ns <= 0 ||
      (gating_ == Gating::detector && record.start_ns < record.opened_ns)) {
    return;
  }
  if ((record.flags & session::kShutterNotMeasured) != 0) {
    ++frames_.not_measured;
    return;
  }
  const auto seconds_between = [](std::int64_t from, std::int64_t to) {
    return 1e-9 * static_cast<double>(to - from);
  };
  frames_.open_for_s.add(seconds_between(record.opened_ns, record.closed_ns));
  frames_.opened_before_s.add(seconds_between(record.opened_ns, record.start_ns));
  frames_.closed_after_s.add(
      seconds_between(record.start_ns + record.exposure_ns, record.closed_ns));
}

Measured photon_transfer_gain(const FrameNoise& noise) {
  if (noise.pairs < 2) {
    return Measured::none("photon transfer needs at least three specimen exposures in a row");
  }
  struct Block {
    double slope, weight;
  };
  std::vector<Block> blocks;
  const auto pairs = static_cast<double>(noise.pairs);
  double rough_noise = 0;
  double rough_level = 0;
  for (int round = 0; round < 2; ++round) {
    blocks.clear();
    for (std::size_t first = 0; first + kGainBlock <= noise.level.size(); first += kGainBlock) {
      double above = 0;
      double level = 0;
      for (std::size_t c = first; c < first + kGainBlock; ++c) {
        above += noise.products[0][c] / pairs - noise.dark_variance;
        for (std::size_t lag = 1; lag < kLags && c + lag < noise.level.size(); ++lag) {
          above += 2.0 * noise.products[lag][c] / pairs;
        }
        level += noise.level[c];
      }
      const double dark = static_cast<double>(kGainBlock) * noise.dark_variance;
      if (!(level > dark) || !std::isfinite(above)) {
        continue;  // light must be more than noise
      }
      // By counts first, then by what the first slope says of the blocks' noise.
      blocks.push_back(
          {above / level,
           round == 0 ? level : square(level / (rough_noise / rough_level * level + dark))});
      rough_noise += round == 0 ? above : 0.0;
      rough_level += round == 0 ? level : 0.0;
    }
  }
  if (blocks.size() < 4) {
    return Measured::none("photon transfer: fewer than four blocks of channels hold light");
  }
  double weight = 0;
  double sum = 0;
  for (const Block& block : blocks) {
    weight += block.weight;
    sum += block.weight * block.slope;
  }
  const double slope = sum / weight;
  double squares = 0;
  for (const Block& block : blocks) {
    squares += square(block.weight * (block.slope - slope));
  }
  const auto n = static_cast<double>(blocks.size());
  const double sigma = std::sqrt(squares * n / (n - 1)) / weight;
  if (!(slope > 3 * sigma)) {
    return Measured::none(
        "photon transfer: the noise of the exposures does not grow clearly with "
        "their counts");
  }
  return {slope, sigma, noise.pairs + 1,
          "photon transfer; gain times the detector's excess noise, hence an upper bound"};
}

Result<EdgeRise> find_edge_rise(std::span<const double> counts, std::span<const double> variance,
                                const Grid& grid, double near_ev) {
  constexpr double kBefore_ev = 60, kGap_ev = 10, kReach_ev = 8, kClear = 8;
  const Window before{std::max(near_ev - kBefore_ev, grid.first_ev), near_ev - kGap_ev};
  if (before.to_ev - before.from_ev < 15 || near_ev + kReach_ev > grid.end()) {
    return Error{ErrorCode::refused, "the axis does not reach around the edge"};
  }
  const auto background = fit_background(counts, grid, before);
  if (!background) {
    return background.error();
  }
  const auto channel = [&grid](double ev) {
    return static_cast<std::size_t>(
        std::max(0.0, std::floor((ev - grid.first_ev) / grid.dispersion_ev)));
  };
  // The rise ends at the maximum of a running mean over some 2 eV: a white line, or the plateau.
  const std::size_t lo = channel(near_ev - kGap_ev);
  std::size_t hi = std::min(channel(near_ev + kReach_ev), counts.size() - 1);
  const std::size_t half = std::max<std::size_t>(1, channel(grid.first_ev + 1.0));
  double highest = -std::numeric_limits<double>::infinity();
  std::size_t top = hi;
  for (std::size_t c = channel(near_ev - 0.5 * kReach_ev); c + half <= hi; ++c) {
    double mean = 0;
    for (std::size_t i = c - half; i <= c + half; ++i) {
      mean += (counts[i] - background->at(grid.centre(i))) / static_cast<double>(2 * half + 1);
    }
    if (mean > highest) {
      highest = mean;
      top = c;
    }
  }
  hi = top + 1;
  // height, position, width of a step: Gauss-Newton from the half height.
  double height = highest;
  double width = 1.0;
  double at = grid.centre(top);
  for (std::size_t c = top; c > lo; --c) {
    if (counts[c] - background->at(grid.centre(c)) < 0.5 * highest) {
      at = grid.lower(c + 1);
      break;
    }
  }
  Eigen::Matrix3d normal;
  double moved = 1;
  for (int round = 0; round < 60 && moved > 1e-6; ++round) {
    normal.setZero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    for (std::size_t c = lo; c < hi; ++c) {
      const double z = (grid.centre(c) - at) / width;
      const double density = std::exp(-0.5 * z * z) / std::sqrt(2 * physics::kPi);
      const double below = 0.5 * std::erfc(-z / std::sqrt(2.0));
      const Eigen::Vector3d slope(below, -height * density / width, -height * density * z / width);
      const double weight = 1.0 / std::max(variance[c], 1e-12);
      const double off = counts[c] - background->at(grid.centre(c)) - height * below;
      normal += weight * slope * slope.transpose();
      right += weight * off * slope;
    }
    const Eigen::Vector3d step = normal.ldlt().solve(right);
    const double move = std::clamp(step[1], -0.5, 0.5);
    const double widen = std::clamp(step[2], -0.3 * width, 0.3 * width);
    height = std::max(0.1 * highest, height + step[0]);
    at += move;
    width += widen;
    moved = std::max(std::fabs(move), std::fabs(widen));
  }
  const Eigen::Matrix3d covariance = normal.inverse();
  EdgeRise rise{at, std::sqrt(covariance(1, 1)), height, std::sqrt(covariance(0, 0))};
  const bool sane = moved < 1e-3 && std::isfinite(rise.sigma_ev) && rise.height > 0 &&
                    std::fabs(at - near_ev) < kReach_ev && width < kReach_ev &&
                    rise.sigma_ev < 2.0 && rise.height > kClear * rise.sigma_height;
  if (!sane) {
    return Error{ErrorCode::refused, "the edge does not stand out of background and noise"};
  }
  return rise;
}

SeriesCalibration calibrate(const InstrumentFrames& frames, const SessionSpectra& spectra,
                            const StatedInstrument& stated,
                            const std::vector<PowerReading>& readings,
                            const ShutterDelays& delays) {
  SeriesCalibration made;
  made.stated = stated;
  made.gain = photon_transfer_gain(spectra.noise);
  const Gains gains = gains_of(made);
  measure_electrons(frames, gains, made);
  measure_dose_rate(frames, gains, made);
  measure_against_power(frames, readings, made);
  measure_offset(spectra, made);
  measure_dispersion(spectra, made);
  measure_shutter(frames, delays, made);
  return made;
}

}  // namespace creel::analysis
