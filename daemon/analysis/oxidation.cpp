#include "daemon/analysis/oxidation.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <string>

namespace creel::analysis {

namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kClear = 25;  // chi-square of five standard deviations
constexpr double kWidestError = 0.5;

MatrixXd matrix(const Covariance& covariance) {
  const auto n = static_cast<Eigen::Index>(covariance.size);
  MatrixXd made(n, n);
  for (Eigen::Index i = 0; i < n; ++i) {
    for (Eigen::Index j = 0; j < n; ++j) {
      made(i, j) = covariance.at(static_cast<std::size_t>(i), static_cast<std::size_t>(j));
    }
  }
  return made;
}

/// v^T C^-1 v for the block of C that begins at `first`.
double distance(const MatrixXd& covariance, Eigen::Index first, const VectorXd& v) {
  const MatrixXd block = covariance.block(first, first, v.size(), v.size());
  return v.dot(block.ldlt().solve(v));
}

/// The model of all data. Parameters: x0, k * scale, H of each group, 4 + 4 numbers of the
/// references.
class Model {
 public:
  explicit Model(const OxidationData& data) : data_(data) {
    for (const auto& group : data.doses) {
      for (const DoseInterval& dose : group) {
        scale_ = std::max(scale_, std::fabs(dose.after));
      }
    }
  }
  [[nodiscard]] Eigen::Index groups() const {
    return static_cast<Eigen::Index>(data_.areas.size());
  }
  [[nodiscard]] Eigen::Index parameters() const { return 2 + groups() + 2 * kNumbers; }
  [[nodiscard]] Eigen::Index values() const { return kWide * groups() + 2 * kNumbers; }
  /// k in angstrom^2/e of the parameter.
  [[nodiscard]] double k(double parameter) const { return scale_ > 0 ? parameter / scale_ : 0.0; }
  [[nodiscard]] double scale() const { return scale_; }

  [[nodiscard]] VectorXd measured() const {
    VectorXd values_of(values());
    for (Eigen::Index g = 0; g < groups(); ++g) {
      for (Eigen::Index i = 0; i < kWide; ++i) {
        values_of[g * kWide + i] =
            data_.areas[static_cast<std::size_t>(g)][static_cast<std::size_t>(i)];
      }
    }
    for (Eigen::Index i = 0; i < kNumbers; ++i) {
      values_of[kWide * groups() + i] = data_.low[static_cast<std::size_t>(i)];
      values_of[kWide * groups() + kNumbers + i] = data_.high[static_cast<std::size_t>(i)];
    }
    return values_of;
  }
  [[nodiscard]] double survival_of(Eigen::Index group, double parameter) const {
    return mean_survival(data_.doses[static_cast<std::size_t>(group)], k(parameter), data_.profile);
  }
  /// Areas of one atom in a state: the lines over the height.
  static VectorXd per_atom(const VectorXd& numbers) { return numbers.head(kWide) / numbers[kWide]; }

  [[nodiscard]] VectorXd expected(const VectorXd& parameter) const {
    VectorXd values_of(values());
    const VectorXd low = parameter.segment(2 + groups(), kNumbers);
    const VectorXd high = parameter.segment(2 + groups() + kNumbers, kNumbers);
    const VectorXd p = per_atom(low);
    const VectorXd q = per_atom(high);
    for (Eigen::Index g = 0; g < groups(); ++g) {
      const double x = parameter[0] * survival_of(g, parameter[1]);
      values_of.segment(g * kWide, kWide) = parameter[2 + g] * ((1.0 - x) * p + x * q);
    }
    values_of.segment(kWide * groups(), kNumbers) = low;
    values_of.segment(kWide * groups() + kNumbers, kNumbers) = high;
    return values_of;
  }
  /// d expected / d parameter. Central differences for k alone, the rest by hand.
  [[nodiscard]] MatrixXd slopes(const VectorXd& parameter) const {
    MatrixXd jacobian = MatrixXd::Zero(values(), parameters());
    const Eigen::Index at_low = 2 + groups();
    const Eigen::Index at_high = at_low + kNumbers;
    const VectorXd low = parameter.segment(at_low, kNumbers);
    const VectorXd high = parameter.segment(at_high, kNumbers);
    const VectorXd p = per_atom(low);
    const VectorXd q = per_atom(high);
    for (Eigen::Index g = 0; g < groups(); ++g) {
      const Eigen::Index row = g * kWide;
      const double s = survival_of(g, parameter[1]);
      const double step = 1e-4;
      const double ds =
          (survival_of(g, parameter[1] + step) - survival_of(g, parameter[1] - step)) / (2 * step);
      const double x = parameter[0] * s;
      const double h = parameter[2 + g];
      jacobian.block(row, 0, kWide, 1) = h * s * (q - p);
      jacobian.block(row, 1, kWide, 1) = h * parameter[0] * ds * (q - p);
      jacobian.block(row, 2 + g, kWide, 1) = (1.0 - x) * p + x * q;
      for (Eigen::Index i = 0; i < kWide; ++i) {
        jacobian(row + i, at_low + i) = h * (1.0 - x) / low[kWide];
        jacobian(row + i, at_high + i) = h * x / high[kWide];
      }
      jacobian.block(row, at_low + kWide, kWide, 1) = -h * (1.0 - x) * p / low[kWide];
      jacobian.block(row, at_high + kWide, kWide, 1) = -h * x * q / high[kWide];
    }
    jacobian.bottomRows(2 * kNumbers).rightCols(2 * kNumbers).setIdentity();
    return jacobian;
  }
  static constexpr Eigen::Index kWide = kLines;
  static constexpr Eigen::Index kNumbers = kQuantities;

 private:
  const OxidationData& data_;
  double scale_ = 0;
};

struct Solution {
  VectorXd parameter;
  MatrixXd covariance;  // 0 for a parameter that was held
  double chi_square = 0;
};

/// Half of each state, no damage, heights by the sum of the lines.
VectorXd first_guess(const Model& model, const VectorXd& measured) {
  VectorXd guess(model.parameters());
  guess[0] = 0.5;
  guess[1] = 0;
  guess.tail(2 * Model::kNumbers) = measured.tail(2 * Model::kNumbers);
  const VectorXd half = 0.5 * (Model::per_atom(guess.segment(2 + model.groups(), Model::kNumbers)) +
                               Model::per_atom(guess.tail(Model::kNumbers)));
  for (Eigen::Index g = 0; g < model.groups(); ++g) {
    guess[2 + g] = measured.segment(g * Model::kWide, Model::kWide).sum() / half.sum();
  }
  return guess;
}

/// Solves (J^T J + damping diag(J^T J)) step = right, columns scaled to equal size. A column of
/// zeros stands for a parameter that is held.
MatrixXd solve_scaled(const MatrixXd& jacobian, double damping, const MatrixXd& right) {
  const MatrixXd normal = jacobian.transpose() * jacobian;
  const VectorXd diagonal = normal.diagonal().unaryExpr([](double d) { return d > 0 ? d : 1.0; });
  const VectorXd scale = diagonal.cwiseSqrt().cwiseInverse();
  MatrixXd scaled = scale.asDiagonal() * normal * scale.asDiagonal();
  for (Eigen::Index i = 0; i < scaled.rows(); ++i) {
    scaled(i, i) = 1.0 + damping;
  }
  return scale.asDiagonal() * scaled.ldlt().solve(scale.asDiagonal() * right);
}

/// Levenberg-Marquardt on the whitened residuals. `with_damage`: k is free.
Result<Solution> solve(const Model& model, const MatrixXd& data_covariance, bool with_damage) {
  const Eigen::LLT<MatrixXd> root(data_covariance);
  if (root.info() != Eigen::Success) {
    return Error{ErrorCode::refused,
                 "oxidation state: the covariance of the areas is not positive definite"};
  }
  const auto white = [&root](const auto& m) { return root.matrixL().solve(m).eval(); };
  const VectorXd measured = model.measured();
  const auto jacobian_at = [&](const VectorXd& at) {
    MatrixXd j = model.slopes(at);
    if (!with_damage) {
      j.col(1).setZero();
    }
    return white(j);
  };
  VectorXd now = first_guess(model, measured);
  VectorXd residual = white(measured - model.expected(now));
  MatrixXd j = jacobian_at(now);
  double damping = 1e-3;
  bool converged = false;
  for (int i = 0; i < 200 && !converged; ++i) {
    const VectorXd next = now + solve_scaled(j, damping, j.transpose() * residual);
    const VectorXd next_residual = white(measured - model.expected(next));
    const double gain = residual.squaredNorm() - next_residual.squaredNorm();
    if (gain >= 0 && next_residual.allFinite()) {
      converged = gain < 1e-9 && damping < 1e-2;
      now = next;
      residual = next_residual;
      j = jacobian_at(now);
      damping = std::max(1e-12, damping * 0.1);
    } else {
      damping = std::max(1e-8, damping * 10);
      converged = damping > 1e8 || (-gain < 1e-9 && std::isfinite(gain));
    }
  }
  if (!converged || !now.allFinite() || std::fabs(now[1]) > 50) {
    return Error{
        ErrorCode::refused,
        "oxidation state: the fit over dose finds no end; there are too few counts for it"};
  }
  Solution solution{now, solve_scaled(j, 0, MatrixXd::Identity(j.cols(), j.cols())),
                    residual.squaredNorm()};
  if (!with_damage) {
    solution.covariance.row(1).setZero();
    solution.covariance.col(1).setZero();
  }
  return solution;
}

/// The part of all line area that each line holds (two of the three), and its covariance.
struct Parts {
  Eigen::Vector2d value;
  Eigen::Matrix2d covariance;
};
Parts line_parts(const VectorXd& lines, const MatrixXd& covariance) {
  const double sum = lines.sum();
  MatrixXd slope(2, 3);
  for (Eigen::Index i = 0; i < 2; ++i) {
    for (Eigen::Index j = 0; j < 3; ++j) {
      slope(i, j) = ((i == j ? 1.0 : 0.0) - lines[i] / sum) / sum;
    }
  }
  return {lines.head(2) / sum, slope * covariance * slope.transpose()};
}

Result<void> check_references(const OxidationData& data, const MatrixXd& covariance) {
  const auto first = static_cast<Eigen::Index>(kLines * data.areas.size());
  const Model model(data);
  const VectorXd measured = model.measured();
  const auto parts_of = [&](Eigen::Index at) {
    return line_parts(measured.segment(at, 3), covariance.block(at, at, 3, 3));
  };
  for (const Eigen::Index at : {first, first + Model::kNumbers}) {
    const double height = measured[at + Model::kWide];
    const double sigma = std::sqrt(covariance(at + Model::kWide, at + Model::kWide));
    if (!(height > 5 * sigma) || !(distance(covariance, at, measured.segment(at, 3)) > kClear)) {
      return Error{
          ErrorCode::refused,
          std::string("oxidation state: the reference of the ") + (at == first ? "low" : "high") +
              " state shows no edge that stands out of its noise; it needs more exposures"};
    }
  }
  const Parts low = parts_of(first);
  const Parts high = parts_of(first + Model::kNumbers);
  const Eigen::Vector2d difference = high.value - low.value;
  const Eigen::Matrix2d both = low.covariance + high.covariance;
  const double chi_square = difference.dot(both.ldlt().solve(difference));
  if (!(chi_square > kClear)) {
    return Error{ErrorCode::refused,
                 "oxidation state: the two references do not differ in their white lines (" +
                     std::to_string(std::sqrt(std::max(0.0, chi_square))) +
                     " standard deviations, at least 5 are needed)"};
  }
  const auto low_part = [&](Eigen::Index at) {
    return measured[at] / (measured[at] + measured[at + 1]);
  };
  if (low_part(first) < low_part(first + Model::kNumbers)) {
    return Error{ErrorCode::refused,
                 "oxidation state: the L3 line of the reference given as the high state lies below "
                 "that of the low state; the references seem to be swapped"};
  }
  return {};
}

Result<void> check_specimen(const OxidationData& data, const MatrixXd& covariance) {
  VectorXd sum = VectorXd::Zero(3);
  MatrixXd noise = MatrixXd::Zero(3, 3);
  const auto groups = static_cast<Eigen::Index>(data.areas.size());
  const Model model(data);
  const VectorXd measured = model.measured();
  for (Eigen::Index g = 0; g < groups; ++g) {
    sum += measured.segment(3 * g, 3);
    for (Eigen::Index other = 0; other < groups; ++other) {
      noise += covariance.block(3 * g, 3 * other, 3, 3);
    }
  }
  if (!(sum.dot(noise.ldlt().solve(sum)) > kClear) || !(sum.sum() > 0)) {
    return Error{
        ErrorCode::refused,
        "oxidation state: the specimen's white lines do not stand out of the noise by five "
        "standard deviations; more exposures are needed"};
  }
  return {};
}

/// x of each group alone, the references as they are.
void fit_groups(const OxidationData& data, const MatrixXd& covariance, OxidationFit& fit) {
  const auto vector_of = [](const EdgeNumbers& numbers) {
    VectorXd v(kQuantities);
    for (std::size_t i = 0; i < kQuantities; ++i) {
      v[static_cast<Eigen::Index>(i)] = numbers[i];
    }
    return v;
  };
  const VectorXd p = Model::per_atom(vector_of(fit.low));
  const VectorXd q = Model::per_atom(vector_of(fit.high));
  MatrixXd basis(3, 2);
  basis << p, q;
  for (std::size_t g = 0; g < data.areas.size(); ++g) {
    const auto at = static_cast<Eigen::Index>(3 * g);
    const VectorXd y =
        (VectorXd(3) << data.areas[g][0], data.areas[g][1], data.areas[g][2]).finished();
    const MatrixXd weight = covariance.block(at, at, 3, 3).inverse();
    const Eigen::Matrix2d normal = basis.transpose() * weight * basis;
    const Eigen::Matrix2d noise = normal.inverse();
    const Eigen::Vector2d parts = noise * (basis.transpose() * weight * y);
    const double sum = parts.sum();
    const bool told = sum > 2 * std::sqrt(noise.sum());
    const Eigen::Vector2d slope(-parts[1] / (sum * sum), parts[0] / (sum * sum));
    fit.x_of_group.push_back(told ? parts[1] / sum : kNan);
    fit.sigma_x_of_group.push_back(told ? std::sqrt(slope.dot(noise * slope)) : kNan);
  }
}

}  // namespace

Result<void> check_oxidation(const OxidationData& data) {
  const Model model(data);
  if (data.areas.empty() || data.doses.size() != data.areas.size() ||
      static_cast<Eigen::Index>(data.covariance.size) != model.values()) {
    return Error{ErrorCode::invalid_request,
                 "oxidation state: " + std::to_string(data.areas.size()) + " dose groups with " +
                     std::to_string(data.doses.size()) +
                     " sets of doses; must be as many, at least one"};
  }
  const MatrixXd covariance = matrix(data.covariance);
  const bool numbers = covariance.allFinite() && model.measured().allFinite();
  if (!numbers) {
    return Error{ErrorCode::invalid_request, "oxidation state: an area or its error is no number"};
  }
  CREEL_TRY(check_references(data, covariance));
  CREEL_TRY(check_specimen(data, covariance));
  return {};
}

Result<OxidationFit> fit_oxidation(const OxidationData& data) {
  CREEL_TRY(check_oxidation(data));
  const Model model(data);
  const MatrixXd covariance = matrix(data.covariance);
  const auto plain = solve(model, covariance, false);
  if (!plain) {
    return plain.error();
  }
  OxidationFit fit;
  fit.plain_x = plain->parameter[0];
  fit.sigma_plain_x = std::sqrt(plain->covariance(0, 0));
  const bool dosed = data.areas.size() >= 3 && model.scale() > 0;
  const auto best = dosed ? solve(model, covariance, true) : plain;
  if (!best) {
    return best.error();
  }
  fit.x0 = best->parameter[0];
  fit.sigma_x0 = std::sqrt(best->covariance(0, 0));
  fit.k = model.k(best->parameter[1]);
  fit.sigma_k = dosed ? std::sqrt(best->covariance(1, 1)) / model.scale() : kNan;
  fit.covariance_x0_k = dosed ? best->covariance(0, 1) / model.scale() : 0.0;
  fit.tell_damage();
  fit.chi_square = best->chi_square;
  fit.degrees_of_freedom = 2 * data.areas.size() - (dosed ? 2 : 1);
  for (Eigen::Index g = 0; g < model.groups(); ++g) {
    fit.height.push_back(best->parameter[2 + g]);
  }
  for (std::size_t i = 0; i < kQuantities; ++i) {
    const auto at = 2 + model.groups() + static_cast<Eigen::Index>(i);
    fit.low[i] = best->parameter[at];
    fit.high[i] = best->parameter[at + Model::kNumbers];
  }
  if (!(fit.sigma_x0 <= kWidestError)) {
    return Error{ErrorCode::refused, "oxidation state: the part in the high state would be " +
                                         std::to_string(fit.x0) + " +- " +
                                         std::to_string(fit.sigma_x0) +
                                         ", which tells nothing; more exposures are needed"};
  }
  fit_groups(data, covariance, fit);
  return fit;
}

}  // namespace creel::analysis
