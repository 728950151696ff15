#include "daemon/spectra/drift.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace creel::analysis {

namespace {

bool earlier(const Drift::Point& a, const Drift::Point& b) {
  return a.time_s < b.time_s;
}

/// The number of references at or before this time: 0 is before the first.
std::size_t interval_of(std::span<const double> times, double time_s) {
  return static_cast<std::size_t>(std::upper_bound(times.begin(), times.end(), time_s) -
                                  times.begin());
}

/// One moment of one group, placed.
struct Placed {
  std::size_t interval = 0, group = 0;
  double part = 0;
  double along = 0;   // between references: how much of the way, 0..1; outside: 0
  double beyond = 0;  // outside: seconds to the nearest reference
};

/// Of two moments of the same interval, over q.
double bridge(const Placed& a, const Placed& b, double length_s) {
  return length_s > 0 ? length_s * std::min(a.along, b.along) * (1 - std::max(a.along, b.along))
                      : std::min(a.beyond, b.beyond);
}

}  // namespace

Drift::Drift(std::vector<Point> points, std::vector<double> exposures_s)
    : points_(std::move(points)) {
  std::stable_sort(points_.begin(), points_.end(), earlier);
  std::sort(exposures_s.begin(), exposures_s.end());
  std::size_t before = 0;  // exposures before the reference that is being joined
  for (const Point& point : points_) {
    const std::size_t now = interval_of(exposures_s, point.time_s);
    if (joined_.empty() || now != before) {
      joined_.push_back({});
    }
    before = now;
    Reference& into = joined_.back();
    into.time_s += point.time_s;
    into.position_ev += point.position_ev;
    into.per_count_ev2 += point.per_count_ev2;
    ++into.points;
  }
  for (Reference& one : joined_) {
    const auto n = static_cast<double>(one.points);
    one.time_s /= n;
    one.position_ev /= n;
    one.per_count_ev2 /= n * n;
  }
}

double Drift::at(double time_s) const {
  if (joined_.empty()) {
    return 0;
  }
  const auto after =
      std::upper_bound(joined_.begin(), joined_.end(), time_s,
                       [](double t, const Reference& reference) { return t < reference.time_s; });
  if (after == joined_.begin()) {
    return joined_.front().position_ev;
  }
  if (after == joined_.end()) {
    return joined_.back().position_ev;
  }
  const Reference& a = *std::prev(after);
  const double part = (time_s - a.time_s) / (after->time_s - a.time_s);
  return a.position_ev + part * (after->position_ev - a.position_ev);
}

double Drift::least_ev() const {
  double least = points_.empty() ? 0 : points_.front().position_ev;
  for (const Point& point : points_) {
    least = std::min(least, point.position_ev);
  }
  return least;
}

double Drift::most_ev() const {
  double most = points_.empty() ? 0 : points_.front().position_ev;
  for (const Point& point : points_) {
    most = std::max(most, point.position_ev);
  }
  return most;
}

double Drift::scatter_ev() const {
  if (points_.size() < 3) {
    return std::numeric_limits<double>::quiet_NaN();
  }
  double squares = 0;
  for (std::size_t i = 1; i < points_.size(); ++i) {
    const double step = points_[i].position_ev - points_[i - 1].position_ev;
    squares += step * step;
  }
  return std::sqrt(squares / (2.0 * static_cast<double>(points_.size() - 1)));
}

double Drift::own_variance_ev2() const {
  constexpr std::size_t kFewest = 4;  // degrees of freedom
  double squares = 0;
  std::size_t freedom = 0;
  std::size_t at = 0;
  for (const Reference& one : joined_) {
    for (std::size_t i = 0; i < one.points; ++i, ++at) {
      squares += std::pow(points_[at].position_ev - one.position_ev, 2);
    }
    freedom += one.points - 1;
  }
  return freedom >= kFewest ? squares / static_cast<double>(freedom) : 0.0;
}

Wander::Wander(const Drift& drift, double per_electron, double shape_ev) {
  const double scatter = drift.own_variance_ev2();
  for (const Drift::Reference& one : drift.references()) {
    times_.push_back(one.time_s);
    errors_.push_back(std::max(one.per_count_ev2 * std::max(0.0, per_electron),
                               scatter / static_cast<double>(one.points)) +
                      shape_ev * shape_ev);
  }
  learn_steps(drift.references());
}

void Wander::learn_steps(std::span<const Drift::Reference> references) {
  const std::size_t n = references.size();
  steps_.assign(n + 1, 0.0);
  double excess_sum = 0;
  double share_sum = 0;
  std::vector<double> own(n + 1, 0.0);
  for (std::size_t i = 1; i < n; ++i) {  // between references i - 1 and i
    const std::size_t neighbours = (i > 1 ? 1 : 0) + (i + 1 < n ? 1 : 0);
    double difference = 0;
    double share = 0;
    std::vector<double> weight(n, 0.0);  // of each reference in the difference of slopes
    for (const std::size_t j : {i - 1, i, i + 1}) {
      if (j == 0 || j == n) {
        continue;
      }
      const double factor = j == i ? 1.0 : -1.0 / static_cast<double>(neighbours);
      const double length = references[j].time_s - references[j - 1].time_s;
      weight[j] += factor / length;
      weight[j - 1] -= factor / length;
      share += factor * factor / length;
    }
    double error = 0;
    for (std::size_t j = 0; j < n; ++j) {
      difference += weight[j] * references[j].position_ev;
      error += weight[j] * weight[j] * errors_[j];
    }
    const double excess = difference * difference - error;
    own[i] = std::max(0.0, excess / share);
    excess_sum += excess;
    share_sum += share;
  }
  const double all = share_sum > 0 ? std::max(0.0, excess_sum / share_sum) : 0.0;
  for (std::size_t i = 0; i <= n; ++i) {
    steps_[i] = all + 0.5 * std::max(0.0, own[i] - all);
  }
}

Strayed Wander::of(std::span<const std::vector<Moment>> groups) const {
  const std::size_t n = groups.size();
  const std::size_t references = times_.size();
  Strayed made{std::vector<double>(n * n, 0.0), std::vector<double>(n, 0.0),
               std::vector<double>(n, 0.0)};
  if (references == 0) {
    return made;
  }
  std::vector<std::vector<Placed>> by_interval(references + 1);
  std::vector<double> carried(n * references, 0.0);  // each group's part of each reference
  for (std::size_t k = 0; k < n; ++k) {
    for (const Moment& moment : groups[k]) {
      Placed one{interval_of(times_, moment.time_s), k, moment.part, 0, 0};
      const std::size_t left = std::max<std::size_t>(one.interval, 1) - 1;
      const std::size_t right = std::min(one.interval, references - 1);
      if (left != right) {
        one.along = (moment.time_s - times_[left]) / (times_[right] - times_[left]);
      } else {
        one.beyond = std::fabs(moment.time_s - times_[left]);
      }
      carried[k * references + left] += one.part * (1 - one.along);
      carried[k * references + right] += one.part * one.along;
      made.by_errors_ev2[k] += one.part * (std::pow(1 - one.along, 2) * errors_[left] +
                                           std::pow(one.along, 2) * errors_[right]);
      by_interval[one.interval].push_back(one);
    }
  }
  std::vector<double> wandered(n * n, 0.0);
  for (std::size_t i = 0; i <= references; ++i) {
    const double length = i == 0 || i == references ? 0.0 : times_[i] - times_[i - 1];
    for (const Placed& a : by_interval[i]) {
      made.wandering_ev2[a.group] += a.part * steps_[i] * bridge(a, a, length);
      for (const Placed& b : by_interval[i]) {
        wandered[a.group * n + b.group] += a.part * b.part * steps_[i] * bridge(a, b, length);
      }
    }
  }
  for (std::size_t k = 0; k < n; ++k) {
    for (std::size_t l = 0; l < n; ++l) {
      double error = 0;
      for (std::size_t j = 0; j < references; ++j) {
        error += carried[k * references + j] * carried[l * references + j] * errors_[j];
      }
      made.covariance_ev2[k * n + l] = wandered[k * n + l] + error;
      if (k == l) {
        made.by_errors_ev2[k] = std::max(0.0, made.by_errors_ev2[k] - error);
        made.wandering_ev2[k] = std::max(0.0, made.wandering_ev2[k] - wandered[k * n + k]);
      }
    }
  }
  return made;
}

}  // namespace creel::analysis
