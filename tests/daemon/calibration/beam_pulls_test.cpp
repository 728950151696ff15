// Calibrations of the beam against the simulated source: dose rate, residual beam, shutter, knife
// edge, emission law, settling. Frames hold totals only; what they rest on (dark subtraction, fits
// of the zero loss) has tests of its own.
#include <gtest/gtest.h>

#include <array>
#include <vector>

#include "daemon/calibration/beam.h"
#include "daemon/calibration/emission.h"
#include "daemon/calibration/profile.h"
#include "daemon/calibration/shutter.h"
#include "sim/random.h"
#include "sim/source.h"
#include "sim/world.h"
#include "tests/daemon/calibration/pulls.h"

namespace creel::calibration {
namespace {

constexpr double kNoise = 10.9;      // K F of an integrating detector
constexpr double kGain = 10;         // K
constexpr double kDarkSigma = 1100;  // counts of a whole frame, one standard deviation
constexpr int kDarks = 40;

/// Frames of one exposure time with their darks, as FrameCollector makes them.
class Recorder {
 public:
  explicit Recorder(sim::Random& random) : random_(random) {}
  void add(ExposureKind kind, double begin_s, double exposure_s, double electrons) {
    const auto exposure = static_cast<std::int64_t>(std::llround(exposure_s * 1e9));
    auto [dark, is_new] = frames.darks.try_emplace(exposure);
    if (is_new) {  // the mean dark is off by its own error, the same for all
      double mean = 0;
      double squares = 0;
      double last = 0;
      for (int i = 0; i < kDarks; ++i) {
        const double one = kDarkSigma * random_.normal();
        squares += i > 0 ? (one - last) * (one - last) : 0;
        last = one;
        mean += one / kDarks;
      }
      dark->second.frames = kDarks;
      dark->second.total = mean;
      dark->second.variance = squares / (2 * (kDarks - 1));
    }
    Frame frame;
    frame.sequence = frames.lit.size();
    frame.kind = kind;
    frame.where = Where::vacuum;
    frame.exposure_set_ns = frame.integration_ns = exposure;
    frame.lit_s = exposure_s;
    frame.start_s = begin_s;
    frame.middle_s = begin_s + 0.5 * exposure_s;
    const double count = electrons + std::sqrt(electrons) * random_.normal();
    const double spread = std::sqrt(std::max(0.0, kNoise - kGain) * kGain * count);
    frame.total = kGain * count + spread * random_.normal() + kDarkSigma * random_.normal() -
                  dark->second.total;
    frames.lit.push_back(frame);
  }
  Frames frames;

 private:
  sim::Random& random_;
};

sim::Source source_of(sim::Random& random) {
  sim::Source source;
  source.electrons_per_pulse = 1 + 8 * random.uniform();
  source.residual_fraction = 0.001 + 0.004 * random.uniform();
  source.photon_order = 1 + std::floor(4 * random.uniform());
  source.warm_up = 0.03 + 0.05 * random.uniform();
  source.warm_up_s = 15 + 30 * random.uniform();
  source.walk_off = 0.005;
  source.laser_drift = 0.004;
  return source;
}

TEST(BeamPulls, DoseRateByCountingAndByATypedCurrent) {
  Pulls counting("dose rate, counting");
  Pulls typed("dose rate, current");
  Pulls gain("counts per electron");
  for (int seed = 1; seed <= kSeeds; ++seed) {
    sim::Random random(sim::mix(static_cast<std::uint64_t>(seed), sim::Stream::truth, 2));
    const sim::Source source = source_of(random);
    Recorder recorder(random);
    double electrons = 0;
    for (int i = 0; i < 40; ++i) {
      const double begin = 100 + 0.1 * i;
      const double one = sim::electrons(source, static_cast<std::uint64_t>(seed), begin,
                                        begin + 0.002, false, -1e6);
      electrons += one;
      recorder.add(ExposureKind::zero_loss, begin, 0.002, one);
    }
    const double truth = electrons / (40 * 0.002);
    const auto rate = count_rate(recorder.frames, ExposureKind::zero_loss, Where::vacuum, kNoise);
    ASSERT_TRUE(rate.ok()) << rate.error().text;
    counting.add(rate->per_s.value / kGain, truth, rate->per_s.sigma / kGain);
    EXPECT_LT(rate->flicker, 0.05);
    // A current read with 2 % and a diameter with 1 %: the dose rate at the middle.
    const double read_pa = truth * 1.602176634e-7 * (1 + 0.02 * random.normal());
    const Measured current = electrons_of_current(read_pa, 0.02 * read_pa);
    const double diameter = 2000 * (1 + 0.01 * random.normal());
    const LitArea area{false, diameter, 0.01 * diameter};
    const Measured dose = dose_rate(current, area);
    typed.add(dose.value, truth * peak_dose_per_electron({false, 2000, 0}), dose.sigma);
    const double counts_per_electron = rate->per_s.value / current.value;
    gain.add(counts_per_electron, kGain,
             counts_per_electron *
                 std::hypot(rate->per_s.sigma / rate->per_s.value, current.sigma / current.value));
  }
  counting.expect_honest();
  typed.expect_honest();
  gain.expect_honest();
}

TEST(BeamPulls, ResidualBeam) {
  Pulls pulls("residual beam");
  for (int seed = 1; seed <= kSeeds; ++seed) {
    sim::Random random(sim::mix(static_cast<std::uint64_t>(seed), sim::Stream::truth, 3));
    const sim::Source source = source_of(random);
    Recorder recorder(random);
    double lit = 0;
    for (int i = 0; i < 20; ++i) {
      const double begin = 100 + 0.3 * i;
      const double one = sim::electrons(source, static_cast<std::uint64_t>(seed), begin,
                                        begin + 0.02, false, -1e6);
      lit += one;
      recorder.add(ExposureKind::zero_loss, begin, 0.02, one);
      recorder.add(ExposureKind::background, begin + 0.1, 0.1,
                   sim::electrons(source, static_cast<std::uint64_t>(seed), begin + 0.1,
                                  begin + 0.2, true, 0));
    }
    const double truth =
        source.residual_fraction * sim::nominal_current(source) / (lit / (20 * 0.02));
    const auto found = residual_beam(recorder.frames, kNoise);
    ASSERT_TRUE(found.ok()) << found.error().text;
    pulls.add(found->fraction.value, truth, found->fraction.sigma);
  }
  pulls.expect_honest();
}

TEST(BeamPulls, ShutterByGrowingOpenings) {
  Pulls pulls("shutter excess");
  for (int seed = 1; seed <= kSeeds; ++seed) {
    sim::Random random(sim::mix(static_cast<std::uint64_t>(seed), sim::Stream::truth, 4));
    const sim::Source source = source_of(random);
    const double excess = -0.003 + 0.008 * random.uniform();
    Recorder recorder(random);
    double begin = 50;
    for (int round = 0; round < 6; ++round) {
      for (const double opening : {0.005, 0.1, 0.01, 0.05, 0.02, 0.2}) {
        const double electrons = sim::electrons(source, static_cast<std::uint64_t>(seed), begin,
                                                begin + opening + excess, false, -1e6);
        recorder.add(ExposureKind::zero_loss, begin, opening, electrons);
        begin += opening + 0.3;
      }
    }
    const auto found = shutter_times(recorder.frames, kNoise);
    ASSERT_TRUE(found.ok()) << found.error().text;
    pulls.add(found->excess_s.value, excess, found->excess_s.sigma);
  }
  pulls.expect_honest();
}

/// Part of the beam on the film's side of an edge, by summing the source's own density on a grid:
/// nothing of the calibration's closed forms is in it.
double part_beside(const sim::Source& source, double distance_nm) {
  const double reach = 2.5 * source.beam_fwhm_nm;
  constexpr int kSteps = 400;
  double beside = 0;
  double all = 0;
  for (int i = 0; i < kSteps; ++i) {
    const double x = -reach + (i + 0.5) * 2 * reach / kSteps;
    double line = 0;
    for (int j = 0; j < kSteps; ++j) {
      line += sim::relative_dose(source, std::hypot(x, -reach + (j + 0.5) * 2 * reach / kSteps));
    }
    all += line;
    beside += x > distance_nm ? line : 0;
  }
  return beside / all;
}

TEST(BeamPulls, ProfileByAKnifeEdge) {
  for (const sim::Profile profile : {sim::Profile::gaussian, sim::Profile::flat}) {
    Pulls pulls(profile == sim::Profile::flat ? "profile, flat" : "profile, Gaussian");
    sim::Source source;
    source.profile = profile;
    source.beam_fwhm_nm = 2000;
    std::vector<double> parts;
    for (int i = -20; i <= 20; ++i) parts.push_back(part_beside(source, -150.0 * i));
    int right = 0;
    for (int seed = 1; seed <= kSeeds; ++seed) {
      sim::Random random(sim::mix(static_cast<std::uint64_t>(seed), sim::Stream::truth, 5));
      std::vector<EdgePoint> points;
      for (int i = -20; i <= 20; ++i) {
        const double part = parts[points.size()];
        const double electrons = 40000 * (0.55 + 0.45 * part) * (1 + 0.003 * random.normal());
        const double counts =
            kGain * (electrons + std::sqrt(kNoise / kGain * electrons) * random.normal());
        points.push_back({0.15 * i, counts, std::sqrt(kNoise * counts)});
      }
      const auto found = knife_edge(points);
      ASSERT_TRUE(found.ok()) << found.error().text;
      right += found->area.gaussian == (profile == sim::Profile::gaussian) ? 1 : 0;
      if (found->area.gaussian == (profile == sim::Profile::gaussian)) {
        pulls.add(found->area.fwhm_nm, 2000, found->area.sigma_nm);
      }
    }
    std::printf("right shape in %d of %d\n", right, kSeeds);
    EXPECT_EQ(right, kSeeds);
    pulls.expect_honest();
  }
}

TEST(BeamPulls, WideningByCharge) {
  // Whole spectra of the world at the powers that the series takes, with counting noise.
  constexpr int kVacuum_um = -600;
  constexpr double kFirst_ev = -24;
  constexpr std::int64_t kStep_ns = 10'000'000;
  Pulls added("widening by charge");
  Pulls sharp("sharp zero loss");
  sim::Laboratory laboratory;
  laboratory.specimen.film_until_um = kVacuum_um;
  const sim::Shells shells(laboratory.source, laboratory.column, 0.5);
  for (int seed = 1; seed <= kSeeds; ++seed) {
    const auto own_seed = static_cast<std::uint64_t>(seed);
    sim::Random random(sim::mix(own_seed, sim::Stream::truth, 7));
    laboratory.source = source_of(random);
    laboratory.source.photon_order = 1;
    laboratory.source.charge_widening_ev =
        (0.2 + 0.6 * random.uniform()) / laboratory.source.electrons_per_pulse;
    const sim::View view(shells, laboratory, own_seed);
    sim::History history(laboratory.source, own_seed);
    Frames frames;
    std::int64_t begin = 1'000'000'000;
    std::vector<sim::Event> events = {{0, sim::Channel::beam, 1}};
    for (int i = 0; i < 18; ++i) {
      const int part = std::array{100, 50, 80, 60, 90, 70}[static_cast<std::size_t>(i % 6)];
      events.push_back({begin + static_cast<std::int64_t>(2 * i) * kStep_ns,
                        sim::Channel::attenuator, sim::kAttenuatorOpen / 100 * part});
    }
    ASSERT_TRUE(history.add(events));
    for (int i = 0; i < 18; ++i, begin += 2 * kStep_ns) {
      Frame frame;
      frame.kind = ExposureKind::zero_loss;
      frame.where = Where::vacuum;
      frame.lit_s = 1e-9 * kStep_ns;
      frame.first_ev = kFirst_ev;
      frame.counts.resize(200);
      sim::EnergyAxis axis;
      axis.first_channel_ev = kFirst_ev;
      view.expected(history, begin, begin + kStep_ns, axis, frame.counts);
      for (double& count : frame.counts) {
        const double mean_count = std::max(0.0, count);
        count = kGain * (mean_count + std::sqrt(kNoise / kGain * mean_count) * random.normal());
        frame.total += count;
      }
      frames.lit.push_back(frame);
    }
    const auto found = charge_widening(frames, 0.5, kNoise);
    ASSERT_TRUE(found.ok()) << found.error().text;
    // The world widens by the nominal charge behind the attenuator; its mean here is 0.75.
    added.add(found->added_ev2.value, std::pow(sim::charge_fwhm_ev(laboratory.source, 0.75), 2),
              found->added_ev2.sigma);
    sharp.add(found->sharp_ev2.value, 0.64, found->sharp_ev2.sigma);
  }
  added.expect_honest();
  sharp.expect_honest();
}

TEST(BeamPulls, EmissionLawAndSettling) {
  Pulls order("photon order");
  Pulls settles("settling time");
  Pulls missing("missing at first");
  for (int seed = 1; seed <= kSeeds; ++seed) {
    const auto own_seed = static_cast<std::uint64_t>(seed);
    sim::Random random(sim::mix(own_seed, sim::Stream::truth, 6));
    sim::Source source = source_of(random);
    source.residual_fraction = 0;
    std::vector<EmissionPoint> points;
    double begin = 3000;
    for (int round = 0; round < 6; ++round) {
      for (const double part : {1.0, 0.5, 0.8, 0.6, 0.9, 0.7}) {
        const double electrons =
            sim::electrons(source, own_seed, begin, begin + 0.5, false, -1e6, part);
        const double read = part * sim::laser_power_mw(source, own_seed, begin) +
                            0.002 * source.laser_power_mw * random.normal();
        points.push_back({read, (electrons + std::sqrt(electrons) * random.normal()) / 0.5, begin});
        begin += 6;
      }
    }
    const auto law = emission_law(points);
    ASSERT_TRUE(law.ok()) << law.error().text;
    order.add(law->order.value, source.photon_order, law->order.sigma);

    source.photon_order = 1;
    source.laser_drift = source.walk_off = 0;
    source.laser_noise = 0.001;
    source.residual_fraction = 0.002;
    Recorder recorder(random);
    recorder.add(ExposureKind::background, 99.9, 0.1, 1000);
    recorder.frames.lit.back().closed_s = 100;
    for (int i = 0; i < 150; ++i) {
      const double at = 100 + 1.5 * i;
      recorder.add(ExposureKind::zero_loss, at, 0.05,
                   sim::electrons(source, own_seed, at, at + 0.05, false, 100));
    }
    const auto found = settling(recorder.frames, kNoise, 0.005);
    ASSERT_TRUE(found.ok()) << found.error().text;
    settles.add(found->time_s.value, source.warm_up_s, found->time_s.sigma);
    // The residual beam does not settle: it dilutes what is missing.
    missing.add(found->missing.value, source.warm_up / 1.002, found->missing.sigma);
  }
  order.expect_honest();
  settles.expect_honest();
  missing.expect_honest();
}

}  // namespace
}  // namespace creel::calibration
