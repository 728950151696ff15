#include "daemon/calibration/fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <string>

namespace creel::calibration {

namespace {

Error too_few(std::size_t observations, std::size_t parameters) {
  return {ErrorCode::refused, std::to_string(observations) + " observations are too few for " +
                                  std::to_string(parameters) + " unknowns"};
}

/// Parameters of very different size are brought to size one first.
Result<Fit> solve(const Eigen::MatrixXd& weighted, const Eigen::VectorXd& off) {
  const Eigen::VectorXd scale = weighted.colwise().norm().cwiseMax(1e-300);
  const Eigen::MatrixXd scaled = weighted * scale.cwiseInverse().asDiagonal();
  const Eigen::ColPivHouseholderQR<Eigen::MatrixXd> qr(scaled);
  if (qr.rank() < scaled.cols()) {
    return Error{ErrorCode::refused, "the observations cannot tell the unknowns apart"};
  }
  const Eigen::VectorXd solved = scale.cwiseInverse().asDiagonal() * qr.solve(off);
  const Eigen::MatrixXd inverse = (scaled.transpose() * scaled).inverse();
  Fit fit;
  fit.value.assign(solved.data(), solved.data() + solved.size());
  fit.chi2 = (weighted * solved - off).squaredNorm();
  fit.freedom = static_cast<std::size_t>(weighted.rows() - weighted.cols());
  for (Eigen::Index i = 0; i < inverse.rows(); ++i) {
    std::vector<double>& row = fit.covariance.emplace_back();
    for (Eigen::Index j = 0; j < inverse.cols(); ++j) {
      row.push_back(inverse(i, j) / (scale[i] * scale[j]));
    }
  }
  return fit;
}

}  // namespace

double Fit::sigma(std::size_t parameter) const {
  return std::sqrt(covariance[parameter][parameter]);
}

Result<Fit> fit_linear(const std::vector<std::vector<double>>& slopes, std::span<const double> y,
                       std::span<const double> sigma) {
  const std::size_t parameters = slopes.empty() ? 0 : slopes.front().size();
  if (parameters == 0 || y.size() < parameters) return too_few(y.size(), parameters);
  const auto rows = static_cast<Eigen::Index>(y.size());
  Eigen::MatrixXd weighted(rows, static_cast<Eigen::Index>(parameters));
  Eigen::VectorXd off(rows);
  for (std::size_t i = 0; i < y.size(); ++i) {
    off[static_cast<Eigen::Index>(i)] = y[i] / sigma[i];
    for (std::size_t j = 0; j < parameters; ++j) {
      weighted(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)) =
          slopes[i][j] / sigma[i];
    }
  }
  return solve(weighted, off);
}

Result<Fit> fit_model(const Model& model, std::span<const double> y, std::span<const double> sigma,
                      std::vector<double> start) {
  constexpr int kRounds = 200;
  const std::size_t parameters = start.size();
  if (y.size() < parameters) return too_few(y.size(), parameters);
  const auto rows = static_cast<Eigen::Index>(y.size());
  const auto columns = static_cast<Eigen::Index>(parameters);
  Eigen::MatrixXd slopes(rows, columns);
  Eigen::VectorXd off(rows);
  const auto evaluate = [&](const std::vector<double>& at) {
    for (std::size_t i = 0; i < y.size(); ++i) {
      const Modelled modelled = model(i, at);
      off[static_cast<Eigen::Index>(i)] = (y[i] - modelled.value) / sigma[i];
      for (std::size_t j = 0; j < parameters; ++j) {
        slopes(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)) =
            modelled.slopes[j] / sigma[i];
      }
    }
    return off.squaredNorm();
  };
  double damping = 1e-3;
  double chi2 = evaluate(start);
  bool settled = false;
  for (int round = 0; round < kRounds && !settled && damping < 1e12; ++round) {
    Eigen::MatrixXd normal = slopes.transpose() * slopes;
    const Eigen::VectorXd right = slopes.transpose() * off;
    for (Eigen::Index j = 0; j < columns; ++j) normal(j, j) *= 1 + damping;
    const Eigen::VectorXd step = normal.ldlt().solve(right);
    std::vector<double> tried = start;
    for (std::size_t j = 0; j < parameters; ++j) tried[j] += step[static_cast<Eigen::Index>(j)];
    const double now = evaluate(tried);
    if (std::isfinite(now) && now <= chi2) {
      settled = chi2 - now < 1e-9 * (1 + chi2);
      start = tried;
      chi2 = now;
      damping = std::max(1e-12, damping * 0.1);
    } else {
      damping *= 10;
      evaluate(start);
      settled = damping > 1e9;  // no step is better: this is the bottom
    }
  }
  if (!settled || !std::isfinite(chi2)) {
    return Error{ErrorCode::refused, "the fit does not settle"};
  }
  evaluate(start);
  auto linear = solve(slopes, off);
  if (!linear) return linear;
  linear->value = start;
  linear->chi2 = chi2;
  return linear;
}

std::vector<double> widened(std::span<const double> known_variance, std::span<const double> level,
                            double scatter) {
  std::vector<double> sigma;
  for (std::size_t i = 0; i < level.size(); ++i) {
    const double extra = scatter * level[i];
    sigma.push_back(std::sqrt(known_variance[i] + extra * extra));
  }
  return sigma;
}

Result<double> extra_scatter(
    std::span<const double> known_variance, std::span<const double> level,
    const std::function<Result<Fit>(std::span<const double> sigma)>& fit_with) {
  const auto excess = [&](double scatter) -> Result<double> {
    auto fit = fit_with(widened(known_variance, level, scatter));
    if (!fit) return fit.error();
    return fit->chi2 - static_cast<double>(fit->freedom);
  };
  auto at_none = excess(0);
  if (!at_none) return at_none;
  if (*at_none <= 0) return 0.0;
  double low = 0;
  double high = 1e-6;
  for (;; high *= 4) {
    auto more = excess(high);
    if (!more) return more;
    if (*more <= 0 || high > 10) break;
    low = high;
  }
  for (int round = 0; round < 40; ++round) {
    const double middle = 0.5 * (low + high);
    auto more = excess(middle);
    if (!more) return more;
    (*more > 0 ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace creel::calibration
