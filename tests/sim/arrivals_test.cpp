// When electrons arrive: with the pulses of the laser, or at any time when it is blocked.
#include "sim/arrivals.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

namespace creel::sim {
namespace {

constexpr std::int64_t kBegin_ns = 7'000'000'000'300;  // 300 ns after a pulse at 1 MHz
constexpr std::int64_t kEnd_ns = kBegin_ns + 10'000'000;

Slice beam(std::int64_t from_ns, std::int64_t until_ns, bool lit, double electrons) {
  Slice slice;
  slice.begin_ns = kBegin_ns + from_ns;
  slice.end_ns = kBegin_ns + until_ns;
  slice.lit = lit;
  slice.electrons = electrons;
  return slice;
}

std::vector<std::uint64_t> draw(const Source& source, const std::vector<Slice>& slices,
                                double resolution_ns, int electrons) {
  const Arrivals arrivals(source, slices, kBegin_ns, kEnd_ns);
  Random random(5);
  std::vector<std::uint64_t> times;
  for (int i = 0; i < electrons; ++i) {
    times.push_back(arrivals.draw(resolution_ns, random));
  }
  return times;
}

TEST(Arrivals, ComeExactlyWithTheLaserPulses) {
  // Period, in ps, for the rates that lasers have; the third is not a whole number of ns.
  for (const auto& [rate, period] :
       {std::pair{1e6, 1'000'000ULL}, {1e3, 1'000'000'000ULL}, {76e6, 13'158ULL}}) {
    Source source;
    source.pulse_rate_hz = rate;
    const auto times = draw(source, {beam(0, 10'000'000, true, 1)}, 0, 2000);
    const std::uint64_t begin = static_cast<std::uint64_t>(kBegin_ns) * 1000;
    for (const std::uint64_t time : times) {
      ASSERT_EQ((begin + time) % period, 0U) << rate;
      ASSERT_LT(time, 10'000'000'000U);
    }
    EXPECT_GT(*std::max_element(times.begin(), times.end()), 8'000'000'000U);
  }
}

TEST(Arrivals, AreBlurredByTheResolutionOfTheDetector) {
  const auto times = draw({}, {beam(0, 10'000'000, true, 1)}, 20, 20'000);
  double squares = 0;
  for (const std::uint64_t time : times) {
    const double from_pulse_ns =
        std::remainder(static_cast<double>(time) * 1e-3 + 300, 1000);  // 1 MHz
    squares += from_pulse_ns * from_pulse_ns;
  }
  // Standard error of a standard deviation: sigma / sqrt(2 n), here 0.1 ns; five of them.
  EXPECT_NEAR(std::sqrt(squares / 20'000), 20, 0.5);
}

TEST(Arrivals, OfTheResidualBeamComeAtAnyTime) {
  const auto times = draw({}, {beam(0, 10'000'000, false, 1)}, 0, 20'000);
  double sum = 0;
  int with_pulse = 0;
  for (const std::uint64_t time : times) {
    sum += static_cast<double>(time) * 1e-6;
    with_pulse += (time + 300'000) % 1'000'000 == 0 ? 1 : 0;
  }
  // Uniform on 0..10 ms: mean 5000 us, standard error 2887 / sqrt(20000) = 20 us.
  EXPECT_NEAR(sum / 20'000, 5000, 100);
  EXPECT_LE(with_pulse, 2);
}

TEST(Arrivals, AreSharedOutAsTheElectronsAreAndOnlyWhereTheyAreDetected) {
  Slice unseen = beam(4'000'000, 6'000'000, true, 50);
  unseen.detected = false;
  const auto times =
      draw({}, {beam(1'000'000, 4'000'000, true, 3), unseen, beam(6'000'000, 9'000'000, false, 1)},
           0, 20'000);
  const auto early = std::count_if(times.begin(), times.end(), [](std::uint64_t time) {
    return time >= 1'000'000'000 && time < 4'000'000'000;
  });
  const auto late = std::count_if(times.begin(), times.end(), [](std::uint64_t time) {
    return time >= 6'000'000'000 && time < 9'000'000'000;
  });
  EXPECT_EQ(early + late, 20'000);
  EXPECT_NEAR(static_cast<double>(early), 15'000, 5 * std::sqrt(20'000 * 0.75 * 0.25));
}

TEST(Arrivals, OfABeamShorterThanOnePeriodAreWithinIt) {
  for (const std::uint64_t time : draw({}, {beam(100, 300, true, 1)}, 0, 100)) {
    EXPECT_GE(time, 100'000U);
    EXPECT_LT(time, 300'000U);
  }
  EXPECT_EQ(draw({}, {}, 1, 1)[0], 0U);
}

}  // namespace
}  // namespace creel::sim
