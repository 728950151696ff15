#include "daemon/guards/change_test.h"

#include <algorithm>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>

namespace creel {

namespace {

constexpr double kOvershoot = 1.166;  // Siegmund's correction of both borders, 2 * 0.583
constexpr double kMostScore = 3;  // what one value may weigh: an X-ray on the sensor rings nothing

/// Student's t as a standard normal number, by equal tail probability.
double normal_score(double t, double freedom) {
  const double tail = boost::math::cdf(boost::math::students_t(freedom), -std::fabs(t));
  const double least = boost::math::cdf(boost::math::normal(), -kMostScore);
  const double score = -boost::math::quantile(boost::math::normal(), std::max(tail, least));
  return std::copysign(score, t);
}

/// Where a falling function reaches `wanted`; it does so above `low`.
template <class Function>
double where_it_falls_to(double wanted, double low, Function&& function) {
  double high = 2 * low;
  while (function(high) > wanted) {
    high *= 2;
  }
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (low + high);
    (function(middle) > wanted ? low : high) = middle;
  }
  return high;
}

}  // namespace

double cusum_run_length(double k, double h, double shift) {
  const double d = shift - k;
  const double b = h + kOvershoot;
  if (std::fabs(d * b) < 1e-4) {
    return b * b;
  }
  return (std::expm1(-2 * d * b) + 2 * d * b) / (2 * d * d);
}

double cusum_threshold(double k, std::uint64_t values, double probability) {
  const double n = 2 * static_cast<double>(values);
  return where_it_falls_to(-std::log1p(-probability), 1e-3,
                           [&](double h) { return n / cusum_run_length(k, h); });
}

double trend_threshold(std::uint64_t first, std::uint64_t last, double probability) {
  const double span = 3 * std::log(static_cast<double>(last) / static_cast<double>(first));
  return where_it_falls_to(probability, 1, [&](double b) {
    return boost::math::pdf(boost::math::normal(), b) * ((b - 1 / b) * span + 4 / b);
  });
}

double ChangeTest::trend() const {
  return time_ > 0 ? product_ / std::sqrt(time_) : 0;
}

std::optional<ChangeTest::Alarm> ChangeTest::look() const {
  Alarm alarm;
  if (std::fabs(trend()) >= limits_.trend) {
    alarm.by_trend = true;
    alarm.statistic = std::fabs(trend());
    alarm.threshold = limits_.trend;
    alarm.rising = trend() > 0;
    alarm.since = first_dose_;
    return alarm;
  }
  if (cusum() >= limits_.cusum) {
    alarm.statistic = cusum();
    alarm.threshold = limits_.cusum;
    alarm.rising = up_.sum >= down_.sum;
    alarm.since = alarm.rising ? up_.since : down_.since;
    return alarm;
  }
  return std::nullopt;
}

double ChangeTest::excess() const {
  return values_ < 2 ? 1
                     : std::sqrt(std::max(1.0, differences_ / static_cast<double>(values_ - 1)));
}

double ChangeTest::score(double value, double variance) const {
  const auto n = static_cast<double>(values_);
  const double c = excess();
  const double t = (value - mean_) / (c * std::sqrt(variance + variances_ / (n * n)));
  const double freedom = (n - 1) * (n - 1) / (3 * n - 4);
  return std::clamp(c > 1 ? normal_score(t, freedom) : t, -kMostScore, kMostScore);
}

std::optional<ChangeTest::Alarm> ChangeTest::add(double value, double sigma, double dose) {
  const auto n = static_cast<double>(values_);
  const double variance = sigma * sigma;
  const bool learnt = values_ >= limits_.learn;
  Alarm said;
  if (learnt) {
    const double part = std::sqrt(n / (n + 1)) * (dose - mean_dose_);
    const double u = score(value, variance);
    up_.take(u - limits_.k, dose);
    down_.take(-u - limits_.k, dose);
    product_ += part * u;
    time_ += part * part;
    said.mean = mean_;
    said.sigma = excess() * sigma;
  }
  if (values_ > 0) {
    differences_ += (value - last_) * (value - last_) / (variance + last_variance_);
  } else {
    first_dose_ = dose;
  }
  last_ = value;
  last_variance_ = variance;
  variances_ += variance;
  mean_ += (value - mean_) / (n + 1);
  mean_dose_ += (dose - mean_dose_) / (n + 1);
  ++values_;
  auto alarm = learnt ? look() : std::nullopt;
  if (alarm) {
    alarm->mean = said.mean;
    alarm->sigma = said.sigma;
    alarm->values = values_;
    *this = ChangeTest(limits_);
  }
  return alarm;
}

}  // namespace creel
