#include "daemon/losses/curve_fit.h"

#include <Eigen/Dense>
#include <cmath>
#include <string>

namespace creel::analysis {

namespace {

constexpr int kMostSteps = 200;
constexpr double kSettled = 1e-7;          // of the sum of squares: no more is to gain
constexpr double kSettledAbsolute = 1e-9;  // of sigma^2
constexpr double kStart = 1e-3;            // of the damping
constexpr double kAlike = 1e-13;           // parameters that act nearly alike are not settled

struct Problem {
  std::span<const double> data, sigma;
  const Curve& curve;
  std::span<const double> step;

  [[nodiscard]] Eigen::VectorXd residuals(const std::vector<double>& at) const {
    const std::vector<double> model = curve(at);
    Eigen::VectorXd out(static_cast<Eigen::Index>(data.size()));
    for (std::size_t i = 0; i < data.size(); ++i) {
      out[static_cast<Eigen::Index>(i)] = (data[i] - model[i]) / sigma[i];
    }
    return out;
  }
  /// Of the curve over sigma.
  [[nodiscard]] Eigen::MatrixXd slopes(const std::vector<double>& at) const {
    Eigen::MatrixXd out(static_cast<Eigen::Index>(data.size()),
                        static_cast<Eigen::Index>(at.size()));
    for (std::size_t p = 0; p < at.size(); ++p) {
      std::vector<double> above = at;
      std::vector<double> below = at;
      above[p] += step[p];
      below[p] -= step[p];
      out.col(static_cast<Eigen::Index>(p)) =
          (residuals(below) - residuals(above)) / (2.0 * step[p]);
    }
    return out;
  }
};

}  // namespace

Result<CurveFit> fit_curve(std::span<const double> data, std::span<const double> sigma,
                           const Curve& curve, std::vector<double> start,
                           std::span<const double> step) {
  if (data.size() <= start.size()) {
    return Error{ErrorCode::refused, "fit: " + std::to_string(data.size()) + " channels for " +
                                         std::to_string(start.size()) + " parameters"};
  }
  const Problem problem{data, sigma, curve, step};
  CurveFit made;
  made.value = std::move(start);
  Eigen::VectorXd residual = problem.residuals(made.value);
  double damping = kStart;
  bool settled = false;
  for (int i = 0; i < kMostSteps && !settled && std::isfinite(residual.squaredNorm()); ++i) {
    // In units in which every parameter has information one, so that their sizes do not matter.
    const Eigen::MatrixXd slopes = problem.slopes(made.value);
    const Eigen::VectorXd unit = slopes.colwise().norm().cwiseInverse();
    const Eigen::MatrixXd scaled = slopes * unit.asDiagonal();
    Eigen::MatrixXd normal = scaled.transpose() * scaled;
    normal.diagonal().array() += damping;
    const Eigen::VectorXd gradient = scaled.transpose() * residual;
    const Eigen::VectorXd change = normal.ldlt().solve(gradient);
    // What there is still to gain, as far as the curve is straight.
    const double squares = residual.squaredNorm();
    settled = damping <= kStart && change.dot(gradient) <= kSettled * squares + kSettledAbsolute;
    std::vector<double> next = made.value;
    for (std::size_t p = 0; p < next.size(); ++p) {
      const auto at = static_cast<Eigen::Index>(p);
      next[p] += unit[at] * change[at];
    }
    const Eigen::VectorXd after = problem.residuals(next);
    if (after.squaredNorm() <= squares) {
      made.value = std::move(next);
      residual = after;
      damping = std::max(1e-9, damping * 0.2);
    } else {
      damping *= 8;  // NaN comes here, too
    }
  }
  const Eigen::MatrixXd slopes = problem.slopes(made.value);
  const Eigen::VectorXd unit = slopes.colwise().norm().cwiseInverse();
  const Eigen::MatrixXd scaled = slopes * unit.asDiagonal();
  Eigen::FullPivLU<Eigen::MatrixXd> inverse(scaled.transpose() * scaled);
  inverse.setThreshold(kAlike);
  if (!settled || !scaled.allFinite() || !inverse.isInvertible()) {
    return Error{ErrorCode::refused, "fit: these data do not settle its " +
                                         std::to_string(made.value.size()) + " parameters"};
  }
  const Eigen::MatrixXd rows = unit.asDiagonal() * (inverse.inverse() * scaled.transpose());
  made.by_data.assign(made.value.size(), std::vector<double>(data.size()));
  for (std::size_t p = 0; p < made.value.size(); ++p) {
    for (std::size_t i = 0; i < data.size(); ++i) {
      made.by_data[p][i] =
          rows(static_cast<Eigen::Index>(p), static_cast<Eigen::Index>(i)) / sigma[i];
    }
  }
  made.curve = curve(made.value);
  made.misfit =
      std::sqrt(residual.squaredNorm() / static_cast<double>(data.size() - made.value.size()));
  return made;
}

}  // namespace creel::analysis
