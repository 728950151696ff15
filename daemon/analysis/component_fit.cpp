#include "daemon/analysis/component_fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "daemon/analysis/shift.h"

namespace creel::analysis {

namespace {

using Eigen::Index;
using Eigen::Matrix2d;
using Eigen::MatrixXd;
using Eigen::Vector2d;
using Eigen::VectorXd;
using Row = std::vector<double>;

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr std::size_t kOwn = 3;  // of each group: ln A, r, H
constexpr int kMostIterations = 200;
constexpr double kFastest = 50;     // damage rate times the largest dose
constexpr std::size_t kMargin = 8;  // channels beyond the range, for shifts
constexpr double kStep = 0.125;     // channels, of the derivative by the axis

Index at(std::size_t i) {
  return static_cast<Index>(i);
}

/// Everything that can be changed by a step.
struct State {
  VectorXd p;     // shared, then kOwn of each group; the rate times `scale`
  Row low, high;  // what was added to the end members' channels
};

/// One group's model, channel by channel of its own.
struct Modelled {
  Row background, low, high;  // without A's log, H and x
  Row low_slope, high_slope;  // by s, 1/eV
  Row low_curve, high_curve;  // half the second derivative by energy
  Row mu;
  double x = 0, survival = 1, by_rate = 0, by_plateau = 0;
  std::ptrdiff_t to_member = 0;  // channel of the end member = channel + this, rounded
};

/// The expected one is never negative and leads to the solution; the observed one tells the errors.
/// A forecast has no residuals to tell the latter from, and takes the noise of the end members away
/// by its expectation.
enum class Information : std::uint8_t { expected, observed, forecast };

class Fit {
 public:
  explicit Fit(const ComponentData& data) : data_(data), channels_(data.grid.channels) {}

  Result<void> prepare() {
    CREEL_TRY(check());
    const Grid& grid = data_.grid;
    const auto channel = [&grid](double ev) {
      const double c = std::ceil((ev - grid.first_ev) / grid.dispersion_ev - 1e-9);
      return static_cast<std::size_t>(std::clamp(c, 0.0, static_cast<double>(grid.channels)));
    };
    from_ = std::max(channel(data_.range.from_ev), kMargin);
    to_ = std::min(channel(data_.range.to_ev), channels_ - std::min(channels_, kMargin));
    if (to_ < from_ + 16) {
      return Error{ErrorCode::refused,
                   "component fit: the energy axis holds fewer than 16 "
                   "channels of the range to be fitted"};
    }
    pivot_ = data_.pivot_ev > 0 ? data_.pivot_ev
                                : 0.5 * (data_.before_edge.from_ev + data_.before_edge.to_ev);
    for (const ComponentGroup& group : data_.groups) {
      for (const DoseInterval& dose : group.doses) {
        scale_ = std::max({scale_, std::fabs(dose.before), std::fabs(dose.after)});
      }
    }
    choose_free();
    return {};
  }

  /// Starts where data of `truth` would be; the counts are then the model's.
  Result<void> set(const Expected& truth) {
    if (truth.groups.size() != data_.groups.size()) {
      return Error{ErrorCode::invalid_request, "component fit: as many expected groups as groups"};
    }
    now_ = blank();
    now_.p[kX0] = truth.x0;
    now_.p[kRate] = truth.rate * rate_scale();
    now_.p[kPlateau] = truth.plateau;
    for (std::size_t k = 0; k < truth.groups.size(); ++k) {
      const auto& own = truth.groups[k];
      if (!(own.amplitude > 0)) {
        return Error{ErrorCode::invalid_request, "component fit: a background of no counts"};
      }
      now_.p[own_of(k)] = std::log(own.amplitude);
      now_.p[own_of(k) + 1] = own.exponent;
      now_.p[own_of(k) + 2] = own.height;
    }
    counts_.clear();
    for (std::size_t k = 0; k < data_.groups.size(); ++k) {
      counts_.push_back(model(now_, k).mu);
    }
    return {};
  }

  Result<void> guess() {
    counts_.clear();
    Row sum(channels_, 0.0);
    for (const ComponentGroup& group : data_.groups) {
      counts_.push_back(group.counts);
      for (std::size_t c = 0; c < channels_; ++c) {
        sum[c] += group.counts[c];
      }
    }
    const auto weight = overlap(data_.grid, data_.before_edge);
    const double middle = 0.5 * (data_.before_edge.from_ev + data_.before_edge.to_ev);
    double first = 0;
    double second = 0;
    double shape = 0;
    for (std::size_t c = from_; c < to_; ++c) {
      (data_.grid.centre(c) < middle ? first : second) += weight[c] * sum[c];
    }
    if (!(first + second > 0)) {
      return Error{ErrorCode::refused, "component fit: no counts before the edge"};
    }
    double exponent = 3;
    if (first > 0 && second > 0) {
      exponent = std::clamp(2 * std::log(first / second) /
                                std::log(data_.before_edge.to_ev / data_.before_edge.from_ev),
                            0.0, 8.0);
    }
    for (std::size_t c = from_; c < to_; ++c) {
      shape += weight[c] * std::pow(data_.grid.centre(c) / pivot_, -exponent);
    }
    now_ = blank();
    now_.p[kX0] = 0.5;
    for (std::size_t k = 0; k < counts_.size(); ++k) {
      guess_group(k, exponent, shape, (first + second) / static_cast<double>(counts_.size()));
    }
    return {};
  }

  Result<void> solve() {
    double objective = objective_of(now_);
    double damping = 1e-3;
    bool converged = false;
    while (!converged && iterations_ < kMostIterations) {
      ++iterations_;
      assemble(now_, Information::expected);
      State next;
      double step = 0;
      double after = kNan;
      while (!(after <= objective) && damping < 1e12) {
        next = stepped(damping, step);
        after = objective_of(next);
        damping *= after <= objective ? 0.1 : 10;
      }
      if (!(after <= objective)) {
        converged = step < 1e-6;  // the noise of arithmetic is all that is left
        break;
      }
      converged = objective - after < 1e-7 && step < 1e-4;
      damping = std::max(damping, 1e-12);
      now_ = std::move(next);
      objective = after;
      if (std::fabs(now_.p[kRate]) > kFastest) {
        break;
      }
    }
    if (!converged) {
      return Error{ErrorCode::refused, "component fit: it finds no end after " +
                                           std::to_string(iterations_) +
                                           " steps; there are too few counts for it"};
    }
    return {};
  }

  Result<ComponentFit> answer(Information kind = Information::observed) {
    assemble(now_, kind);
    ComponentFit made;
    const MatrixXd inverse = inverse_of(information_);
    if (!inverse.allFinite() || !(inverse(kX0, kX0) > 0)) {
      return Error{ErrorCode::refused, "component fit: the data do not tell its numbers apart"};
    }
    for (std::size_t i = 0; i < kShared; ++i) {
      made.free[i] = free_[i];
      made.value[i] = now_.p[at(i)] / unit(i);
      for (std::size_t j = 0; j < kShared; ++j) {
        made.covariance[i][j] =
            free_[i] && free_[j] ? inverse(at(i), at(j)) / (unit(i) * unit(j)) : 0.0;
      }
    }
    made.deviance = deviance();
    made.iterations = static_cast<std::uint64_t>(iterations_);
    const auto rows = static_cast<std::uint64_t>(to_ - from_) * data_.groups.size();
    std::uint64_t unknown = kOwn * data_.groups.size();
    for (const std::size_t i : {std::size_t{kX0}, std::size_t{kRate}, std::size_t{kPlateau}}) {
      unknown += free_[i] ? 1 : 0;
    }
    made.degrees_of_freedom = rows > unknown ? rows - unknown : 0;
    made.of_x0 = functional(inverse.col(kX0));
    if (free_[kRate]) {
      made.of_rate = functional(inverse.col(kRate) / unit(kRate));
    }
    show(made);
    return made;
  }

 private:
  // --- Set-up ---------------------------------------------------------------------------------
  [[nodiscard]] Result<void> check() const {
    const auto wrong = [](const std::string& what) {
      return Error{ErrorCode::invalid_request, "component fit: " + what};
    };
    const std::size_t n = channels_;
    if (data_.groups.empty() || n < 2 * kMargin + 16 || !(data_.grid.dispersion_ev > 0)) {
      return wrong("no groups, or an axis of " + std::to_string(n) + " channels");
    }
    for (const EndMember* member : {&data_.low, &data_.high}) {
      if (member->edge.size() != n || member->variance.size() != n) {
        return wrong("an end member of another size than the axis");
      }
    }
    for (const ComponentGroup& group : data_.groups) {
      if (group.counts.size() != n || !(group.slope > 0) || !(group.floor >= 0)) {
        return wrong("a group of another size than the axis, or of no noise");
      }
      const bool numbers = std::all_of(group.counts.begin(), group.counts.end(),
                                       [](double y) { return std::isfinite(y); });
      if (!numbers) {
        return wrong("a count that is no number");
      }
    }
    if (!(data_.before_edge.from_ev > 0) || data_.before_edge.to_ev <= data_.before_edge.from_ev) {
      return wrong("the window before the edge is empty");
    }
    return {};
  }

  void choose_free() {
    const std::size_t needed = data_.law == DamageLaw::plateau ? 4 : 3;
    const bool dosed = data_.law != DamageLaw::none && scale_ > 0 && data_.groups.size() >= needed;
    free_[kX0] = true;
    free_[kRate] = dosed;
    free_[kPlateau] = dosed && data_.law == DamageLaw::plateau;
    free_[kShift] = data_.shift_error_ev > 0;
    free_[kWidth] = data_.width_error_ev2 > 0;
  }
  [[nodiscard]] double rate_scale() const { return scale_ > 0 ? scale_ : 1.0; }
  /// What the parameter is times the number.
  [[nodiscard]] double unit(std::size_t shared) const {
    return shared == kRate ? rate_scale() : 1.0;
  }
  [[nodiscard]] std::size_t size() const { return kShared + kOwn * data_.groups.size(); }
  static Index own_of(std::size_t group) { return at(kShared + kOwn * group); }

  [[nodiscard]] State blank() const {
    return {VectorXd::Zero(at(size())), Row(channels_, 0.0), Row(channels_, 0.0)};
  }

  void guess_group(std::size_t k, double exponent, double shape, double mean_before) {
    const auto weight = overlap(data_.grid, data_.before_edge);
    double before = 0;
    double beyond = 0;
    double member = 0;
    for (std::size_t c = from_; c < to_; ++c) {
      before += weight[c] * counts_[k][c];
    }
    // A group with next to nothing must not begin at a logarithm of zero.
    const double amplitude = std::max(before, 0.05 * mean_before) / shape;
    for (std::size_t c = from_; c < to_; ++c) {
      if (data_.grid.centre(c) > data_.before_edge.to_ev) {
        beyond += counts_[k][c] - amplitude * std::pow(data_.grid.centre(c) / pivot_, -exponent);
        member += 0.5 * (data_.low.edge[c] + data_.high.edge[c]);
      }
    }
    now_.p[own_of(k)] = std::log(amplitude);
    now_.p[own_of(k) + 1] = exponent;
    now_.p[own_of(k) + 2] = member > 0 ? std::max(0.0, beyond / member) : 0.0;
  }

  // --- The model ------------------------------------------------------------------------------
  [[nodiscard]] static double mean_offset(const ComponentGroup& group) {
    double sum = 0;
    for (const auto& offset : group.offsets) {
      sum += offset.part * offset.channels;
    }
    return sum;
  }

  /// An end member on a group's channels, moved up by `by` channels.
  [[nodiscard]] Row moved(const Row& member, const ComponentGroup& group, double by) const {
    Row out(channels_, 0.0);
    if (group.offsets.empty()) {
      if (by == 0) {
        return member;
      }
      add_shifted(member, by, out);
      return out;
    }
    Row part(channels_);
    for (const auto& offset : group.offsets) {
      std::fill(part.begin(), part.end(), 0.0);
      add_shifted(member, by - offset.channels, part);
      for (std::size_t c = from_; c < to_; ++c) {
        out[c] += offset.part * part[c];
      }
    }
    return out;
  }

  void place(const Row& member, const ComponentGroup& group, double by, double width, Row& out,
             Row& slope, Row& curve) const {
    out = moved(member, group, by);
    if (free_[kShift]) {
      const Row up = moved(member, group, by + kStep);
      const Row down = moved(member, group, by - kStep);
      slope.assign(channels_, 0.0);
      for (std::size_t c = from_; c < to_; ++c) {
        slope[c] = (up[c] - down[c]) / (2 * kStep * data_.grid.dispersion_ev);
      }
    }
    if (free_[kWidth]) {
      const Row up = moved(member, group, by + 1);
      const Row down = moved(member, group, by - 1);
      const double squared = data_.grid.dispersion_ev * data_.grid.dispersion_ev;
      curve.assign(channels_, 0.0);
      for (std::size_t c = from_; c < to_; ++c) {
        curve[c] = 0.5 * (up[c] - 2 * out[c] + down[c]) / squared;
        out[c] += width * curve[c];
      }
    }
  }

  [[nodiscard]] Modelled model(const State& state, std::size_t k) const {
    const ComponentGroup& group = data_.groups[k];
    Modelled made;
    const double rate = state.p[kRate] / rate_scale();
    const double plateau = state.p[kPlateau];
    const auto survives = [&](double r, double p) {
      return mean_survival(group.doses, r, data_.profile, data_.law, p);
    };
    made.survival = survives(rate, plateau);
    made.x = state.p[kX0] * made.survival;
    if (free_[kRate]) {
      const double step = 1e-4 / rate_scale();
      made.by_rate = (survives(rate + step, plateau) - survives(rate - step, plateau)) / 2e-4;
    }
    if (free_[kPlateau]) {
      made.by_plateau = survives(rate, plateau + 0.5) - survives(rate, plateau - 0.5);
    }
    Row low = data_.low.edge;
    Row high = data_.high.edge;
    for (std::size_t c = 0; c < channels_; ++c) {
      low[c] += state.low[c];
      high[c] += state.high[c];
    }
    const double by = state.p[kShift] / data_.grid.dispersion_ev;
    const double width = state.p[kWidth];
    place(low, group, by, width, made.low, made.low_slope, made.low_curve);
    place(high, group, by, width, made.high, made.high_slope, made.high_curve);
    const double offset = mean_offset(group);
    made.to_member = static_cast<std::ptrdiff_t>(std::lround(offset - by));
    made.background.assign(channels_, 0.0);
    made.mu.assign(channels_, 0.0);
    const double height = state.p[own_of(k) + 2];
    for (std::size_t c = from_; c < to_; ++c) {
      const double ev = data_.grid.centre(c) + offset * data_.grid.dispersion_ev;
      made.background[c] =
          std::exp(state.p[own_of(k)] - state.p[own_of(k) + 1] * std::log(ev / pivot_));
      made.mu[c] =
          made.background[c] + height * ((1 - made.x) * made.low[c] + made.x * made.high[c]);
    }
    return made;
  }

  // --- Likelihood -----------------------------------------------------------------------------
  /// Quasi-likelihood of variance slope * mu + floor, times -2: that of a Poisson count of mean m.
  static double loss(double y, double mu, const ComponentGroup& group) {
    const double move = group.floor / group.slope;
    const double m = (mu + move) / group.slope;
    const double d = (y + move) / group.slope;
    if (!(m > 0)) {
      return std::numeric_limits<double>::infinity();
    }
    return d > 0 ? 2 * (m - d + d * std::log(d / m)) : 2 * (m - d) - 2 * d * std::log(m);
  }

  [[nodiscard]] double deviance_of(const State& state) const {
    double sum = 0;
    for (std::size_t k = 0; k < data_.groups.size(); ++k) {
      const Modelled made = model(state, k);
      for (std::size_t c = from_; c < to_; ++c) {
        sum += loss(counts_[k][c], made.mu[c], data_.groups[k]);
      }
    }
    return sum;
  }
  static double pulled(const Row& moved, const Row& variance) {
    double sum = 0;
    for (std::size_t c = 0; c < moved.size(); ++c) {
      sum += variance[c] > 0 ? moved[c] * moved[c] / variance[c] : 0.0;
    }
    return sum;
  }
  [[nodiscard]] double objective_of(const State& state) const {
    double sum = deviance_of(state) + pulled(state.low, data_.low.variance) +
                 pulled(state.high, data_.high.variance);
    if (free_[kShift]) {
      sum += std::pow(state.p[kShift] / data_.shift_error_ev, 2);
    }
    if (free_[kWidth]) {
      sum += std::pow(state.p[kWidth] / data_.width_error_ev2, 2);
    }
    return sum;
  }
  [[nodiscard]] double deviance() const { return objective_of(now_); }

  // --- The normal equations -------------------------------------------------------------------
  /// What one channel of the end members, m, has to do with all groups.
  struct Member {
    bool exact = true;
    Matrix2d shrink;                                    // (1 + V B)^-1
    Vector2d variance, known;                           // V; A^T W residual
    Eigen::Matrix<double, Eigen::Dynamic, 2> coupling;  // J^T W A
  };

  /// Non-zero derivatives of one row: shared, then the group's own.
  using Slopes = Eigen::Matrix<double, kShared + kOwn, 1>;
  [[nodiscard]] Slopes slopes(const State& state, std::size_t k, const Modelled& made,
                              std::size_t c) const {
    Slopes j = Slopes::Zero();
    const double height = state.p[own_of(k) + 2];
    const double difference = height * (made.high[c] - made.low[c]);
    j[kX0] = difference * made.survival;
    j[kRate] = free_[kRate] ? difference * state.p[kX0] * made.by_rate : 0.0;
    j[kPlateau] = free_[kPlateau] ? difference * state.p[kX0] * made.by_plateau : 0.0;
    j[kShift] = free_[kShift]
                    ? height * ((1 - made.x) * made.low_slope[c] + made.x * made.high_slope[c])
                    : 0.0;
    j[kWidth] = free_[kWidth]
                    ? height * ((1 - made.x) * made.low_curve[c] + made.x * made.high_curve[c])
                    : 0.0;
    const double ev =
        data_.grid.centre(c) + mean_offset(data_.groups[k]) * data_.grid.dispersion_ev;
    j[kShared] = made.background[c];
    j[kShared + 1] = -made.background[c] * std::log(ev / pivot_);
    j[kShared + 2] = (1 - made.x) * made.low[c] + made.x * made.high[c];
    return j;
  }

  void add_row(std::size_t k, const Slopes& j, double weight, double residual) {
    const Index own = own_of(k);
    constexpr Index kS = kShared;
    constexpr Index kO = kOwn;
    const auto shared = j.head<kS>();
    const auto mine = j.tail<kO>();
    information_.topLeftCorner<kS, kS>() += weight * shared * shared.transpose();
    information_.block<kS, kO>(0, own) += weight * shared * mine.transpose();
    information_.block<kO, kO>(own, own) += weight * mine * mine.transpose();
    gradient_.head<kS>() += weight * residual * shared;
    gradient_.segment<kO>(own) += weight * residual * mine;
  }

  void add_to_member(Member& member, std::size_t k, const Slopes& j, const Vector2d& part,
                     double weight, Matrix2d& b, double residual) const {
    if (member.exact) {
      return;
    }
    b += weight * part * part.transpose();
    member.known += weight * residual * part;
    member.coupling.topRows<kShared>() += weight * j.head<kShared>() * part.transpose();
    member.coupling.middleRows<kOwn>(own_of(k)) += weight * j.tail<kOwn>() * part.transpose();
  }

  /// The slopes by x0, rate and H hold the end members themselves. Where these are noisy, the
  /// slopes have the noise in them twice over, squared: it counts as information. What the
  /// residuals say of the same noise takes that away again; without it the error bar is too small.
  void add_curvature(Member& member, const State& state, std::size_t k, double weight,
                     double residual) const {
    const Curvature d = curvature(state, k);
    member.coupling.topRows<kShared>() -= weight * residual * d.topRows<kShared>();
    member.coupling.middleRows<kOwn>(own_of(k)) -= weight * residual * d.bottomRows<kOwn>();
  }

  /// How the slopes of one row change with its end members' channels: rows of d slope / d (L, U).
  using Curvature = Eigen::Matrix<double, kShared + kOwn, 2>;
  [[nodiscard]] Curvature curvature(const State& state, std::size_t k) const {
    const Modelled& one = modelled_[k];
    const double height = state.p[own_of(k) + 2];
    const Eigen::RowVector2d apart(-1, 1);
    Curvature d = Curvature::Zero();
    d.row(kX0) = height * one.survival * apart;
    if (free_[kRate]) {
      d.row(kRate) = height * state.p[kX0] * one.by_rate * apart;
    }
    if (free_[kPlateau]) {
      d.row(kPlateau) = height * state.p[kX0] * one.by_plateau * apart;
    }
    d.row(kShared + 2) = Eigen::RowVector2d(1 - one.x, one.x);
    return d;
  }

  /// Takes away what the noise of channel m of the end members, squared, adds to the information on
  /// the average: directly, and by the elimination.
  void remove_noise(const State& state, std::size_t m, const Matrix2d& v, const Matrix2d& inverse) {
    std::vector<Matrix2d> coupled(size(), Matrix2d::Zero());  // d coupling / d (L, U)
    for (std::size_t k = 0; k < modelled_.size(); ++k) {
      const auto channel = static_cast<std::ptrdiff_t>(m) - modelled_[k].to_member;
      if (channel < static_cast<std::ptrdiff_t>(from_) ||
          channel >= static_cast<std::ptrdiff_t>(to_)) {
        continue;
      }
      const auto c = static_cast<std::size_t>(channel);
      const ComponentGroup& group = data_.groups[k];
      const double weight = 1 / (group.slope * modelled_[k].mu[c] + group.floor);
      const Curvature d = curvature(state, k);
      const double height = state.p[own_of(k) + 2];
      const Vector2d part{height * (1 - modelled_[k].x), height * modelled_[k].x};
      const auto place = [&](Index i) { return i < at(kShared) ? i : own_of(k) + i - at(kShared); };
      for (Index i = 0; i < d.rows(); ++i) {
        coupled[static_cast<std::size_t>(place(i))] += weight * part * d.row(i);
        for (Index j = i; j < d.rows(); ++j) {
          information_(place(i), place(j)) -= weight * d.row(i).dot(v * d.row(j).transpose());
        }
      }
    }
    for (std::size_t i = 0; i < size(); ++i) {
      for (std::size_t j = i; j < size(); ++j) {
        information_(at(i), at(j)) += (coupled[i].transpose() * inverse * coupled[j] * v).trace();
      }
    }
  }

  /// Information and gradient around a state, the end members' channels eliminated.
  void assemble(const State& state, Information kind) {
    modelled_.clear();
    for (std::size_t k = 0; k < data_.groups.size(); ++k) {
      modelled_.push_back(model(state, k));
    }
    information_ = MatrixXd::Zero(at(size()), at(size()));
    gradient_ = VectorXd::Zero(at(size()));
    members_.assign(channels_, {});
    for (std::size_t m = 0; m < channels_; ++m) {
      assemble_channel(state, m, kind);
    }
    for (const auto& [which, sigma] :
         {std::pair{kShift, data_.shift_error_ev}, std::pair{kWidth, data_.width_error_ev2}}) {
      if (free_[which]) {
        information_(at(which), at(which)) += 1 / (sigma * sigma);
        gradient_[at(which)] -= state.p[at(which)] / (sigma * sigma);
      }
    }
    information_.triangularView<Eigen::StrictlyLower>() = information_.transpose();
  }

  void assemble_channel(const State& state, std::size_t m, Information kind) {
    Member& member = members_[m];
    member.variance = {data_.low.variance[m], data_.high.variance[m]};
    member.exact = !(member.variance.maxCoeff() > 0);
    if (!member.exact) {
      member.coupling.setZero(at(size()), 2);
      member.known.setZero();
    }
    Matrix2d b = Matrix2d::Zero();
    bool any = false;
    for (std::size_t k = 0; k < modelled_.size(); ++k) {
      const auto channel = static_cast<std::ptrdiff_t>(m) - modelled_[k].to_member;
      if (channel < static_cast<std::ptrdiff_t>(from_) ||
          channel >= static_cast<std::ptrdiff_t>(to_)) {
        continue;
      }
      any = true;
      const auto c = static_cast<std::size_t>(channel);
      const ComponentGroup& group = data_.groups[k];
      const double weight = 1 / (group.slope * modelled_[k].mu[c] + group.floor);
      const double residual = counts_[k][c] - modelled_[k].mu[c];
      const Slopes j = slopes(state, k, modelled_[k], c);
      const double height = state.p[own_of(k) + 2];
      add_row(k, j, weight, residual);
      add_to_member(member, k, j, {height * (1 - modelled_[k].x), height * modelled_[k].x}, weight,
                    b, residual);
      if (kind == Information::observed && !member.exact) {
        add_curvature(member, state, k, weight, residual);
      }
    }
    member.exact = member.exact || !any;
    if (member.exact) {
      return;
    }
    const Matrix2d v = member.variance.asDiagonal();
    member.shrink = (Matrix2d::Identity() + v * b).inverse();
    // M^-1 = (V^-1 + B)^-1 = (1 + V B)^-1 V, good also where V is 0.
    const Matrix2d inverse = member.shrink * v;
    information_.triangularView<Eigen::Upper>() -=
        member.coupling * inverse * member.coupling.transpose();
    if (kind == Information::forecast) {
      remove_noise(state, m, v, inverse);
    }
    const Vector2d pull = member.shrink * (v * member.known - moved_of(state, m));
    gradient_ -= member.coupling * pull;
  }
  static Vector2d moved_of(const State& state, std::size_t m) {
    return {state.low[m], state.high[m]};
  }

  [[nodiscard]] MatrixXd solved(MatrixXd matrix, double damping, const MatrixXd& right) const {
    VectorXd scale(matrix.rows());
    for (Index i = 0; i < matrix.rows(); ++i) {
      const double d = matrix(i, i);
      const bool held = (i < at(kShared) && !free_[static_cast<std::size_t>(i)]) || !(d > 0);
      if (held) {
        matrix.row(i).setZero();
        matrix.col(i).setZero();
      }
      scale[i] = held ? 0.0 : 1 / std::sqrt(d);
    }
    MatrixXd unit_diagonal = scale.asDiagonal() * matrix * scale.asDiagonal();
    for (Index i = 0; i < matrix.rows(); ++i) {
      unit_diagonal(i, i) = 1 + damping;
    }
    return scale.asDiagonal() * unit_diagonal.ldlt().solve(scale.asDiagonal() * right);
  }
  [[nodiscard]] MatrixXd inverse_of(const MatrixXd& matrix) const {
    return solved(matrix, 0, MatrixXd::Identity(matrix.rows(), matrix.cols()));
  }

  /// `size` becomes the largest relative change, of x0 in units of its error.
  [[nodiscard]] State stepped(double damping, double& size_of_step) const {
    State next = now_;
    const VectorXd step = solved(information_, damping, gradient_);
    next.p += step;
    size_of_step = std::sqrt(std::max(0.0, step.dot(information_ * step)));
    for (std::size_t m = 0; m < members_.size(); ++m) {
      const Member& member = members_[m];
      if (member.exact) {
        continue;
      }
      const Vector2d v = member.variance;
      const Vector2d change =
          member.shrink * (v.asDiagonal() * (member.known - member.coupling.transpose() * step) -
                           moved_of(now_, m));
      next.low[m] += change[0];
      next.high[m] += change[1];
    }
    return next;
  }

  // --- What is told of it ---------------------------------------------------------------------
  /// `column`: of the inverse information, for the number asked for.
  [[nodiscard]] Functional functional(const VectorXd& column) const {
    Functional made;
    made.low.assign(channels_, 0.0);
    made.high.assign(channels_, 0.0);
    std::vector<Vector2d> carried(channels_, Vector2d::Zero());
    for (std::size_t m = 0; m < channels_; ++m) {
      const Member& member = members_[m];
      if (member.exact) {
        continue;
      }
      const Vector2d g = member.coupling.transpose() * column;
      const Matrix2d v = member.variance.asDiagonal();
      carried[m] = member.shrink * v * g;                           // M^-1 G^T C
      const Vector2d on_member = -(member.shrink.transpose() * g);  // V^-1 M^-1 G^T C
      made.low[m] = on_member[0];
      made.high[m] = on_member[1];
    }
    for (std::size_t k = 0; k < modelled_.size(); ++k) {
      made.counts.push_back(on_counts(k, column, carried, made));
    }
    return made;
  }

  [[nodiscard]] Row on_counts(std::size_t k, const VectorXd& column,
                              const std::vector<Vector2d>& carried, Functional& made) const {
    Row weights(channels_, 0.0);
    const Modelled& one = modelled_[k];
    const ComponentGroup& group = data_.groups[k];
    const double height = now_.p[own_of(k) + 2];
    for (std::size_t c = from_; c < to_; ++c) {
      const Slopes j = slopes(now_, k, one, c);
      const double own = j.head<kShared>().dot(column.head<kShared>()) +
                         j.tail<kOwn>().dot(column.segment<kOwn>(own_of(k)));
      const double weight = 1 / (group.slope * one.mu[c] + group.floor);
      const auto m = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(c) + one.to_member);
      if (m >= channels_) {
        weights[c] = weight * own;
        continue;
      }
      const Vector2d part{height * (1 - one.x), height * one.x};
      weights[c] = weight * (own - part.dot(carried[m]));
      if (members_[m].exact) {  // a change of an exact end member goes through the residual
        made.low[m] -= weight * own * part[0];
        made.high[m] -= weight * own * part[1];
      }
    }
    return weights;
  }

  void show(ComponentFit& made) const {
    made.model.assign(channels_, 0.0);
    made.background = made.low_part = made.high_part = made.model;
    for (std::size_t k = 0; k < modelled_.size(); ++k) {
      const Modelled& one = modelled_[k];
      const double height = now_.p[own_of(k) + 2];
      made.expected.push_back(one.mu);
      for (std::size_t c = from_; c < to_; ++c) {
        made.model[c] += one.mu[c];
        made.background[c] += one.background[c];
        made.low_part[c] += height * (1 - one.x) * one.low[c];
        made.high_part[c] += height * one.x * one.high[c];
      }
      ComponentFit::Group group;
      group.amplitude = std::exp(now_.p[own_of(k)]);
      group.exponent = now_.p[own_of(k) + 1];
      group.height = height;
      group.x = one.x;
      alone(k, group);
      made.groups.push_back(group);
    }
  }

  /// One group's x with everything else of it free: one step from the joint fit.
  void alone(std::size_t k, ComponentFit::Group& group) const {
    Eigen::Matrix4d information = Eigen::Matrix4d::Zero();
    Eigen::Vector4d gradient = Eigen::Vector4d::Zero();
    for (std::size_t c = from_; c < to_; ++c) {
      const Slopes j = slopes(now_, k, modelled_[k], c);
      Eigen::Vector4d row;
      row << group.height * (modelled_[k].high[c] - modelled_[k].low[c]), j.tail<kOwn>();
      const double weight =
          1 / (data_.groups[k].slope * modelled_[k].mu[c] + data_.groups[k].floor);
      information += weight * row * row.transpose();
      gradient += weight * (counts_[k][c] - modelled_[k].mu[c]) * row;
    }
    const Eigen::Matrix4d inverse = information.inverse();
    const bool told = inverse.allFinite() && inverse(0, 0) > 0 && inverse(0, 0) < 4;
    group.own_x = told ? group.x + (inverse * gradient)[0] : kNan;
    group.sigma_own_x = told ? std::sqrt(inverse(0, 0)) : kNan;
  }

  const ComponentData& data_;
  std::size_t channels_ = 0;
  std::size_t from_ = 0, to_ = 0;
  double pivot_ = 1, scale_ = 0;
  bool free_[kShared] = {};
  std::vector<Row> counts_;
  State now_;
  std::vector<Modelled> modelled_;
  std::vector<Member> members_;
  MatrixXd information_;
  VectorXd gradient_;
  int iterations_ = 0;
};

}  // namespace

double ComponentFit::sigma(Shared which) const {
  return std::sqrt(std::max(0.0, covariance[which][which]));
}

Result<ComponentFit> fit_components(const ComponentData& data) {
  Fit fit(data);
  CREEL_TRY(fit.prepare());
  CREEL_TRY(fit.guess());
  CREEL_TRY(fit.solve());
  return fit.answer();
}

Result<ComponentFit> expected_fit(const ComponentData& data, const Expected& truth) {
  Fit fit(data);
  CREEL_TRY(fit.prepare());
  CREEL_TRY(fit.set(truth));
  return fit.answer(Information::forecast);
}

}  // namespace creel::analysis
