// The lagging damage guard against simulation: false alarms a night, delay in dose.
//
// CREEL_DAMAGE_NIGHTS sets the number of undamaged nights; the damaged ones are a tenth of them.

#include "daemon/guards/damage_guard.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <random>

#include "tests/daemon/guards/measured.h"

namespace creel {
namespace {

using testing::HasSubstr;

#ifdef CREEL_SANITIZED
constexpr int kNights = 500;
#else
constexpr int kNights = 2000;
#endif

int nights() {
  const char* asked = std::getenv("CREEL_DAMAGE_NIGHTS");
  return asked != nullptr ? std::max(20, std::atoi(asked)) : kNights;
}

/// Values a night: as a series of 240 exposures with a reference before every fourth.
constexpr int kExposures = 240;
constexpr int kEvery = 4;
constexpr double kDosePerExposure = 0.1;

std::vector<DamageGuard::Planned> planned() {
  return {{MeasureKind::rate, kExposures},
          {MeasureKind::t_over_lambda, kExposures / kEvery},
          {MeasureKind::low_loss_shape, kExposures / kEvery},
          {MeasureKind::oxygen_carbon, kExposures},
          {MeasureKind::l3_ev, kExposures / 12},
          {MeasureKind::white_line_ratio, kExposures / 12}};
}

DamageLimit limit(double probability) {
  DamageLimit made;
  made.false_alarms_per_night = probability;
  return made;
}

/// One night. `signal`: change of a measure at a dose, in standard deviations of one value.
/// `understated`: real scatter over what counting says. Returns the dose at which the guard rings,
/// nothing when it does not.
template <class Signal>
std::optional<double> night(DamageGuard& guard, std::mt19937& random, Signal&& signal,
                            double understated = 1) {
  std::normal_distribution<double> normal;
  for (int i = 0; i < kExposures; ++i) {
    const double dose = kDosePerExposure * (i + 1);
    const auto tell = [&](MeasureKind kind, double value, double sigma) {
      guard.measured(measured(ExposureKind::specimen, kind,
                              value + sigma * (understated * normal(random) + signal(kind, dose)),
                              0, dose, sigma));
    };
    if (i % kEvery == 0) {
      tell(MeasureKind::t_over_lambda, 0.45, 0.004);
      tell(MeasureKind::low_loss_shape, 0.06, 0.001);
    }
    tell(MeasureKind::oxygen_carbon, 5, 0.1);
    if (i % 12 == 11) {
      tell(MeasureKind::l3_ev, 709, 0.1);
      // It is L2 over L3 that is normal.
      const double ratio =
          1 / (0.22 + 0.025 * (understated * std::clamp(normal(random), -2.5, 2.5) +
                               signal(MeasureKind::white_line_ratio, dose)));
      guard.measured(measured(ExposureKind::specimen, MeasureKind::white_line_ratio, ratio, 0, dose,
                              0.025 * ratio * ratio));
    }
    const Verdict verdict = guard.before(next_exposure());
    if (verdict.what != Verdict::What::go) {
      return verdict.numbers.at("dose_at_detection_e_per_a2").get<double>();
    }
  }
  return std::nullopt;
}

double nothing(MeasureKind, double) {
  return 0;
}

TEST(DamageGuard, RingsInFewerUndamagedNightsThanStated) {
  std::mt19937 random(20260314);
  struct Case {
    double stated, understated;
  };
  int all = 0;
  for (const Case& one :
       {Case{0.01, 1}, Case{0.05, 1}, Case{0.2, 1}, Case{0.05, 1.3}, Case{0.05, 2}}) {
    int alarms = 0;
    for (int i = 0; i < nights(); ++i) {
      DamageGuard guard(limit(one.stated), planned());
      alarms += night(guard, random, nothing, one.understated) ? 1 : 0;
    }
    const double n = nights();
    const double sigma = std::sqrt(one.stated * (1 - one.stated) / n);
    std::printf(
        "  %d undamaged nights, scatter %.1f of counting, stated %.3f: measured %.4f "
        "(+- %.4f for the stated)\n",
        nights(), one.understated, one.stated, alarms / n, sigma);
    EXPECT_LE(alarms / n, one.stated + 2 * sigma);
    all += alarms;
  }
  EXPECT_GT(all, 0) << "a guard that never rings tests nothing";
}

/// First-order damage, in one measure only, from the first electron on.
TEST(DamageGuard, FindsFirstOrderDamageAboutWhenTheIdealTestDoes) {
  std::mt19937 random(7);
  std::normal_distribution<double> normal;
  const double critical = 20;
  const int n = std::max(20, nights() / 10);
  for (const double size : {4.0, 8.0, 16.0}) {  // of complete damage, standard deviations
    const auto signal = [&](MeasureKind kind, double dose) {
      return kind == MeasureKind::oxygen_carbon ? -size * (1 - std::exp(-dose / critical)) : 0.0;
    };
    double sum = 0;
    double ideal_sum = 0;
    int found = 0;
    int ideal_found = 0;
    const double threshold =
        DamageGuard(limit(0.01), planned()).limits(MeasureKind::oxygen_carbon)->cusum;
    for (int i = 0; i < n; ++i) {
      DamageGuard guard(limit(0.01), planned());
      const auto dose = night(guard, random, signal);
      found += dose ? 1 : 0;
      sum += dose.value_or(0);
      // Ideal: mean and standard deviation known, Page's test with the same threshold.
      double statistic = 0;
      for (int j = 0; j < kExposures; ++j) {
        const double at = kDosePerExposure * (j + 1);
        statistic = std::max(
            0.0, statistic - normal(random) - signal(MeasureKind::oxygen_carbon, at) - 0.5);
        if (statistic >= threshold) {
          ideal_sum += at;
          ++ideal_found;
          break;
        }
      }
    }
    // Without noise: where the sum of (signal - k) reaches the threshold.
    double path = 0;
    double without_noise = 0;
    for (int j = 0; j < kExposures && path < threshold; ++j) {
      without_noise = kDosePerExposure * (j + 1);
      path = std::max(0.0, path - signal(MeasureKind::oxygen_carbon, without_noise) - 0.5);
    }
    std::printf(
        "  complete damage = %.0f sigma, critical dose %.0f: found in %.3f of nights at %.2f e/A^2 "
        "(%.2f of the critical dose); ideal %.3f at %.2f; without noise %.2f\n",
        size, critical, static_cast<double>(found) / n, sum / found, sum / found / critical,
        static_cast<double>(ideal_found) / n, ideal_sum / ideal_found, without_noise);
    EXPECT_GT(found, 0.95 * n);
    EXPECT_NEAR(ideal_sum / ideal_found, without_noise, 0.15 * without_noise);
    // Learning while it changes costs about as much dose again as the ideal test needs.
    EXPECT_LT(sum / found, 2.3 * ideal_sum / ideal_found);
  }
}

TEST(DamageGuard, SaysWhatItSawAndAPersonCanContinue) {
  DamageGuard guard(limit(0.01), planned());
  std::mt19937 random(3);
  const auto jump = [](MeasureKind kind, double dose) {
    return kind == MeasureKind::t_over_lambda && dose > 12 ? -4.0 : 0.0;
  };
  ASSERT_TRUE(night(guard, random, jump));
  const Verdict verdict = guard.before(next_exposure());
  EXPECT_EQ(verdict.what, Verdict::What::hold);
  EXPECT_THAT(verdict.reason, HasSubstr("damage guard (lagging): t_over_lambda has fallen from"));
  EXPECT_EQ(verdict.numbers.at("measure"), "t_over_lambda");
  EXPECT_GE(verdict.numbers.at("statistic"), verdict.numbers.at("threshold"));
  EXPECT_NEAR(verdict.numbers.at("change_since_e_per_a2").get<double>(), 12, 2);
  EXPECT_NEAR(verdict.numbers.at("sigma_with_excess").get<double>(), 0.004, 0.003);
  BeforeExposure dark = next_exposure();
  dark.exposure.kind = ExposureKind::dark;
  EXPECT_EQ(guard.before(dark).what, Verdict::What::go);
  guard.went_on();
  EXPECT_EQ(guard.before(next_exposure()).what, Verdict::What::go);
}

TEST(DamageGuard, NotesOnceOnASacrificialArea) {
  DamageLimit noting = limit(0.01);
  noting.then = OnDamage::note;
  DamageGuard guard(noting, planned());
  for (int i = 0; i < 40; ++i) {
    guard.measured(measured(ExposureKind::specimen, MeasureKind::oxygen_carbon,
                            (i < 20 ? 5 : 6) + 0.1 * (i % 3), 0, i, 0.1));
  }
  EXPECT_EQ(guard.before(next_exposure()).what, Verdict::What::note);
  EXPECT_EQ(guard.before(next_exposure()).what, Verdict::What::go);
}

TEST(DamageGuard, TestsOnlyWhatCanBeLearntAndSharesTheProbability) {
  const DamageGuard one(
      limit(0.01),
      {{MeasureKind::oxygen_carbon, 100}, {MeasureKind::l3_ev, 6}, {MeasureKind::rate, 100}});
  EXPECT_FALSE(one.limits(MeasureKind::l3_ev));
  EXPECT_FALSE(one.limits(MeasureKind::rate));
  EXPECT_DOUBLE_EQ(one.limits(MeasureKind::oxygen_carbon)->cusum, cusum_threshold(0.5, 100, 0.005));
  EXPECT_DOUBLE_EQ(one.limits(MeasureKind::oxygen_carbon)->trend, trend_threshold(6, 100, 0.005));
  const DamageGuard two(limit(0.01),
                        {{MeasureKind::oxygen_carbon, 100}, {MeasureKind::t_over_lambda, 100}}, 2);
  EXPECT_DOUBLE_EQ(two.limits(MeasureKind::oxygen_carbon)->cusum,
                   cusum_threshold(0.5, 100, 0.0025));
  EXPECT_DOUBLE_EQ(two.limits(MeasureKind::oxygen_carbon)->trend, trend_threshold(6, 100, 0.00125));
}

}  // namespace
}  // namespace creel
