// Where the energy axis stood while exposures were taken, as zero-loss references tell it, and how
// far that may be wrong.
//
// References between which nothing was exposed count as one, their mean. Between two of them the
// axis is taken to go straight; before the first and after the last it is taken to stand.
//
// What is not known is how it strayed from there: a Wiener process tied to the references (N.
// Wiener, J. Math. Phys. 2, 131 (1923)), that is, between the references at ta and tb
//
//   cov(d(s), d(t)) = q (s - ta)(tb - t) / (tb - ta),   ta <= s <= t <= tb
//
// (Brownian bridge: S. Karlin, H. M. Taylor, A Second Course in Stochastic Processes, Academic
// Press 1981, ch. 15), q |t - ta| beyond the ends, and the errors of the references, carried by the
// straight line. A drift that goes straight is no wandering; so the variance q of the steps comes
// from how the slope of an interval differs from the mean u of its neighbours' slopes:
//
//   E[(v_i - u_i)^2] = q a_i + e_i,  a_i = 1/h_i + sum over m neighbours of 1/(m^2 h),
//   e_i the references' errors in it;   q = sum((v_i - u_i)^2 - e_i) / sum a_i,  0 at least.
//
// An interval that would say more than q alone takes the mean of both, so that a jump stays where
// it was; one that would say less takes q, because one slope tells so little.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace creel::analysis {

class Drift {
 public:
  struct Point {
    double time_s = 0, position_ev = 0;
    double per_count_ev2 = 0;  ///< variance of the position if each count were an electron
  };
  struct Reference : Point {  ///< the mean of several points
    std::size_t points = 0;
  };

  Drift() = default;
  /// Both in any order. `exposures_s`: middles of the exposures that the references are for.
  Drift(std::vector<Point> points, std::vector<double> exposures_s);

  [[nodiscard]] bool empty() const { return points_.empty(); }
  /// Zero-loss position at this time; 0 when empty. A channel that is set to energy E shows
  /// electrons of loss E - at(t).
  [[nodiscard]] double at(double time_s) const;
  [[nodiscard]] double least_ev() const;
  [[nodiscard]] double most_ev() const;
  /// Scatter of one position, from successive differences, eV: noise plus what the drift does
  /// between two references. NaN for fewer than three.
  [[nodiscard]] double scatter_ev() const;
  [[nodiscard]] const std::vector<Point>& points() const { return points_; }          ///< by time
  [[nodiscard]] const std::vector<Reference>& references() const { return joined_; }  ///< by time
  /// Variance of one point about the mean of those that count as one with it, eV^2; 0 where there
  /// are too few to tell.
  [[nodiscard]] double own_variance_ev2() const;

 private:
  std::vector<Point> points_;
  std::vector<Reference> joined_;
};

/// When a part of a group of exposures was taken, and how much of the group it is.
struct Moment {
  double time_s = 0, part = 1;
};

/// How far groups of exposures may lie from Drift::at.
struct Strayed {
  std::vector<double> covariance_ev2;  ///< of the groups' means; groups x groups
  std::vector<double> wandering_ev2;   ///< variance of the exposures about their group's mean: by
                                       ///< the Wiener process,
  std::vector<double> by_errors_ev2;   ///< and by the errors of the references
};

class Wander {
 public:
  /// @param per_electron  counts^2 per count: what makes Point::per_count_ev2 a variance
  /// @param shape_ev      by how much the fit of a zero loss may be wrong by its shape
  Wander(const Drift& drift, double per_electron, double shape_ev);
  /// Parts of each group should sum to 1. All zero where there is no reference.
  [[nodiscard]] Strayed of(std::span<const std::vector<Moment>> groups) const;
  /// q of each interval, eV^2/s: before the first reference, between them, after the last.
  [[nodiscard]] const std::vector<double>& step_variance() const { return steps_; }
  /// Of each reference, eV^2.
  [[nodiscard]] const std::vector<double>& errors() const { return errors_; }

 private:
  void learn_steps(std::span<const Drift::Reference> references);

  std::vector<double> times_, errors_, steps_;
};

}  // namespace creel::analysis
