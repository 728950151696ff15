#include "sim/history.h"

#include <gtest/gtest.h>

#include <cmath>

#include "sim/random.h"

namespace creel::sim {
namespace {

constexpr std::int64_t kSecond = 1'000'000'000;

/// A source without drift, so that doses can be worked out by hand.
Source steady() {
  Source source;
  source.pulse_rate_hz = 1e6;
  source.electrons_per_pulse = 1;
  source.laser_drift = source.laser_noise = source.walk_off = source.warm_up = 0;
  source.residual_fraction = 0.01;
  source.profile = Profile::flat;
  source.beam_fwhm_nm = 1000;  // diameter: area pi * 5000^2 angstrom^2 = 7.853982e7
  return source;
}
constexpr double kArea_A2 = 7.853981634e7;

Event beam(double t_s, bool open) {
  return {static_cast<std::int64_t>(t_s * 1e9), Channel::beam, open ? 1 : 0};
}
Event cathode(double t_s, bool open) {
  return {static_cast<std::int64_t>(t_s * 1e9), Channel::cathode, open ? 1 : 0};
}
Event move_x(double t_s, double um) {
  return {static_cast<std::int64_t>(t_s * 1e9), Channel::stage_x,
          static_cast<std::int32_t>(std::lround(um / kStageStep_um))};
}
void take(History& history, const std::vector<Event>& events) {
  ASSERT_TRUE(history.add(events));
}

TEST(History, WithoutAShutterThereIsNoBeam) {
  History history(steady(), 1);
  EXPECT_TRUE(history.slices(0, 100 * kSecond).empty());
  EXPECT_EQ(history.dose({}, 100 * kSecond), 0);
}

TEST(History, DoseIsElectronsOverAreaWhileOpen) {
  History history(steady(), 1);
  take(history, {beam(1, true), beam(3, false), beam(10, true), beam(10.5, false)});
  // 1e6 electrons/s for 2 s, then 2.5 s, over the area: by hand.
  EXPECT_NEAR(history.dose({}, 2 * kSecond), 1e6 * 1.01 / kArea_A2, 1e-9);
  EXPECT_NEAR(history.dose({}, 5 * kSecond), 2e6 * 1.01 / kArea_A2, 1e-9);
  EXPECT_NEAR(history.dose({}, 100 * kSecond), 2.5e6 * 1.01 / kArea_A2, 1e-9);
}

TEST(History, CathodeShutterLeavesTheResidualBeam) {
  History history(steady(), 1);
  take(history, {cathode(0, false), beam(1, true), cathode(2, true), beam(3, false)});
  const auto slices = history.slices(0, 10 * kSecond);
  ASSERT_EQ(slices.size(), 2u);
  EXPECT_FALSE(slices[0].lit);
  EXPECT_NEAR(slices[0].electrons, 1e4, 1e-6);
  EXPECT_TRUE(slices[1].lit);
  EXPECT_NEAR(slices[1].electrons, 1.01e6, 1e-3);
  EXPECT_NEAR(slices[1].dose_before, 1e4 / kArea_A2, 1e-12);
  EXPECT_NEAR(slices[1].dose_after, (1e4 + 1.01e6) / kArea_A2, 1e-9);
}

TEST(History, ShutterBelowTheSpecimenDoesNotEndDose) {
  History history(steady(), 1);
  take(history, {beam(1, true), {2 * kSecond, Channel::below, 0}, beam(3, false)});
  const auto slices = history.slices(0, 10 * kSecond);
  ASSERT_EQ(slices.size(), 2u);
  EXPECT_TRUE(slices[0].detected);
  EXPECT_FALSE(slices[1].detected);
  EXPECT_NEAR(history.dose({}, 10 * kSecond), 2.02e6 / kArea_A2, 1e-9);
}

TEST(History, WarmUpStartsWhenTheCathodeIsLit) {
  Source source = steady();
  source.warm_up = 0.5;
  source.warm_up_s = 10;
  source.residual_fraction = 0;
  History history(source, 1);
  take(history, {cathode(0, false), cathode(5, true), beam(5, true), beam(25, false)});
  // integral of 1 - 0.5 exp(-t/10) over 0..20: 20 - 5 (1 - e^-2).
  const double hand = 1e6 * (20 - 5 * (1 - std::exp(-2.0)));
  EXPECT_NEAR(history.dose({}, 30 * kSecond) * kArea_A2, hand, 1e-6 * hand);
}

TEST(History, EachPlaceHasItsOwnDoseAndNeighboursGetTheTail) {
  Source source = steady();
  source.profile = Profile::gaussian;
  source.residual_fraction = 0;
  History history(source, 1);
  take(history, {beam(1, true), beam(2, false), move_x(5, 1.0), beam(6, true), beam(9, false)});
  const double sigma_A = 1000.0 / 2.354820045 * 10;
  const double peak = 1e6 / (2 * 3.14159265358979 * sigma_A * sigma_A);
  const double tail = std::exp(-0.5 * std::pow(1e4 / sigma_A, 2));
  const std::int32_t there = 100;  // 1 um in steps of 10 nm
  EXPECT_NEAR(history.dose({0, 0}, 4 * kSecond), peak, 1e-6 * peak);
  EXPECT_NEAR(history.dose({there, 0}, 4 * kSecond), peak * tail, 1e-6 * peak);
  EXPECT_NEAR(history.dose({0, 0}, 20 * kSecond), peak + 3 * peak * tail, 1e-6 * peak);
  EXPECT_NEAR(history.dose({there, 0}, 20 * kSecond), 3 * peak + peak * tail, 1e-6 * peak);
  // The past has not changed.
  EXPECT_NEAR(history.dose({there, 0}, 7 * kSecond), peak + peak * tail, 1e-6 * peak);
  EXPECT_EQ(history.value(Channel::stage_x, 4 * kSecond, 0), 0);
  EXPECT_EQ(history.value(Channel::stage_x, 5 * kSecond, 0), there);
}

TEST(History, SameAnswersWhateverWasAskedBeforeAndInWhateverOrderEventsCame) {
  Source source;  // with all its drifts
  source.dropouts_per_hour = 30;
  std::vector<Event> events;
  Random random(42);
  double t = 1;
  for (int i = 0; i < 200; ++i) {
    events.push_back(beam(t, true));
    events.push_back(beam(t + 0.3 + 30 * random.uniform(), false));
    if (i % 7 == 0) {
      events.push_back(cathode(t + 0.1, i % 2 == 0));
    }
    t += 35;
  }
  History all_at_once(source, 3);
  take(all_at_once, events);
  const auto end = static_cast<std::int64_t>(t * 1e9);
  std::ignore = all_at_once.dose({}, end);

  History in_pieces(source, 3);
  std::size_t given = 0;
  for (std::int64_t now = 0; now <= end; now += 7 * kSecond) {
    std::vector<Event> part;
    while (given < events.size() && events[given].t_ns <= now + 40 * kSecond) {
      part.insert(part.begin(), events[given++]);  // and the wrong way round
    }
    take(in_pieces, part);
    const auto a = in_pieces.slices(now, now + 3 * kSecond);
    const auto b = all_at_once.slices(now, now + 3 * kSecond);
    ASSERT_EQ(a.size(), b.size()) << now;
    for (std::size_t i = 0; i < a.size(); ++i) {
      EXPECT_EQ(a[i].begin_ns, b[i].begin_ns);
      EXPECT_EQ(a[i].electrons, b[i].electrons);
      // Dose may be summed in other pieces.
      EXPECT_NEAR(a[i].dose_before, b[i].dose_before, 1e-6 * (1 + b[i].dose_before));
    }
  }
}

TEST(History, AnEventInThePastIsRefusedNotMisplaced) {
  History history(steady(), 1);
  take(history, {beam(1, true)});
  std::ignore = history.dose({}, 10 * kSecond);
  EXPECT_FALSE(history.add(std::vector<Event>{beam(5, false)}));
  EXPECT_TRUE(history.add(std::vector<Event>{beam(10, false)}));
}

TEST(Source, CurrentGoesAsAPowerOfTheLaser) {
  Source source = steady();
  source.residual_fraction = 0;
  source.photon_order = 3;
  source.laser_drift = 0.05;
  for (const double t : {100.0, 2000.0, 30000.0}) {
    const double relative = laser_power_mw(source, 9, t) / source.laser_power_mw;
    EXPECT_NEAR(current(source, 9, t, 1e9), 1e6 * std::pow(relative, 3), 1e-3);
  }
}

TEST(Source, ExponentOfPhotoEmissionIsRecoveredFromTheDrift) {
  // Multi-photon emission: the current goes as the n-th power of the pulse energy, n the number of
  // photons that an electron needs, ceil(work function / photon energy); the slope of log current
  // over log power is n (common practice). Here as a laboratory would find it, from power readings
  // and beam current along a drift, by least squares.
  for (const double order : {1.0, 2.0, 3.0}) {
    Source source = steady();
    source.residual_fraction = 0;
    source.photon_order = order;
    source.laser_drift = 0.05;
    double n = 0;
    double sx = 0;
    double sy = 0;
    double sxx = 0;
    double sxy = 0;
    for (double t = 0; t < 50000; t += 100) {
      const double x = std::log(laser_power_mw(source, 9, t));
      const double y = std::log(electrons(source, 9, t, t + 0.01, false, -1e9));
      n += 1;
      sx += x;
      sy += y;
      sxx += x * x;
      sxy += x * y;
    }
    EXPECT_NEAR((n * sxy - sx * sy) / (n * sxx - sx * sx), order, 1e-3);
  }
}

TEST(Source, SmoothNoiseIsTheSameHoweverItIsAskedFor) {
  SmoothNoise in_order(4, Stream::laser_fast, 4.0);
  for (double t = -20; t < 100; t += 0.3) {
    EXPECT_EQ(in_order.at(t), smooth_noise(4, Stream::laser_fast, t, 4.0)) << t;
  }
  EXPECT_EQ(in_order.at(-7), smooth_noise(4, Stream::laser_fast, -7, 4.0));
}

TEST(Source, LaserDropsOutAsOftenAndAsLongAsAsked) {
  Source source = steady();
  source.dropouts_per_hour = 6;
  source.dropout_s = 20;
  int out = 0;
  const int seconds = 100 * 3600;
  for (int t = 0; t < seconds; ++t) {
    out += laser_out(source, 4, t) ? 1 : 0;
    if (laser_out(source, 4, t)) {
      EXPECT_EQ(laser_power_mw(source, 4, t), 0);
    }
  }
  EXPECT_NEAR(out, 600 * 20, 600);  // 600 drop-outs of 20 s, each counted to within a second
}

TEST(Source, DriftHasTheSizeItSays) {
  Source source = steady();
  source.high_tension_drift_v = 0.3;
  double square = 0;
  const int n = 20000;
  for (int i = 0; i < n; ++i) {
    square += std::pow(high_tension_error_v(source, 8, i * 977.0), 2) / n;
  }
  EXPECT_NEAR(std::sqrt(square), 0.3, 0.03);
}

}  // namespace
}  // namespace creel::sim
