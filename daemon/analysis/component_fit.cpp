#include "daemon/analysis/component_fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <optional>

#include "daemon/spectra/shift.h"

namespace creel::analysis {

namespace {

using Eigen::Index;
using Eigen::Matrix2d;
using Eigen::MatrixXd;
using Eigen::VectorXd;
using Row = std::vector<double>;

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr std::size_t kOwn = 4;   // of each group: ln A, r, H, d
constexpr std::size_t kSets = 4;  // of groups that share a dark; more keep its noise for themselves
constexpr int kMostUnknown = 2 + kSets;
constexpr int kMostIterations = 200;
constexpr double kFastest = 50;      // damage rate times the largest dose
constexpr double kSteepest = 20;     // power of the dose rate
constexpr std::size_t kMargin = 8;   // channels beyond the range, for shifts
constexpr double kStep = 0.125;      // channels, of the derivative by the axis
constexpr double kAlone_ev2 = 1e-8;  // by which each shift varies alone: keeps the prior invertible

Index at(std::size_t i) {
  return static_cast<Index>(i);
}

/// Everything that can be changed by a step.
struct State {
  VectorXd p;              // shared, then kOwn of each group; the rate times `scale`
  Row low, high;           // what was added to the end members' channels
  std::vector<Row> darks;  // of each set, by channel: what one mean dark was too small by
};

/// Groups with the same dark, and with the same channel of the end members on each of theirs.
struct Set {
  std::size_t dark = 0;
  std::ptrdiff_t to_member = 0;
};
constexpr std::size_t kNoSet = static_cast<std::size_t>(-1);

/// One group's model, channel by channel of its own.
struct Modelled {
  Row background, low, high;  // without A's log, H and x
  Row low_slope, high_slope;  // by d, 1/eV
  Row low_curve, high_curve;  // half the second derivative by energy
  Row mu;
  double x = 0, survival = 1, by_rate = 0, by_shape = 0;
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
    hold_shifts();
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
    now_.p[kShape] = truth.shape;
    for (std::size_t k = 0; k < truth.groups.size(); ++k) {
      const auto& own = truth.groups[k];
      if (!(own.amplitude > 0)) {
        return Error{ErrorCode::invalid_request, "component fit: a background of no counts"};
      }
      now_.p[own_of(k)] = std::log(own.amplitude);
      now_.p[own_of(k) + 1] = own.exponent;
      now_.p[own_of(k) + 2] = own.height;
    }
    place_groups(now_);
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
    place_groups(now_);
    double objective = objective_of(now_);
    double damping = 1e-3;
    bool converged = false;
    while (!converged && iterations_ < kMostIterations) {
      ++iterations_;
      if (place_groups(now_)) {
        objective = objective_of(now_);
      }
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
      const bool steep =
          data_.law == DamageLaw::rate_power && std::fabs(now_.p[kShape]) > kSteepest;
      if (std::fabs(now_.p[kRate]) > kFastest || steep) {
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
    for (const std::size_t i : {std::size_t{kX0}, std::size_t{kRate}, std::size_t{kShape}}) {
      unknown += free_[i] ? 1 : 0;
    }
    made.degrees_of_freedom = rows > unknown ? rows - unknown : 0;
    made.of_x0 = functional(inverse.col(kX0));
    if (free_[kRate]) {
      made.of_rate = functional(inverse.col(kRate) / unit(kRate));
    }
    show(made, inverse);
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
    const std::size_t shifts = data_.groups.size() * data_.groups.size();
    if (!data_.shift_covariance_ev2.empty() && data_.shift_covariance_ev2.size() != shifts) {
      return wrong("a covariance of shifts of another size than the groups");
    }
    for (const ComponentGroup& group : data_.groups) {
      if (group.counts.size() != n || !(group.slope > 0) || !(group.floor >= 0)) {
        return wrong("a group of another size than the axis, or of no noise");
      }
      if (group.darks_taken != 0 &&
          (group.dark >= data_.darks.size() || data_.darks[group.dark].size() != n)) {
        return wrong("a group whose dark is not there, or of another size than the axis");
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

  /// Whether dose rates tell a power of theirs.
  [[nodiscard]] bool rates_differ() const {
    double least = std::numeric_limits<double>::infinity();
    double most = 0;
    for (const ComponentGroup& group : data_.groups) {
      for (const DoseInterval& dose : group.doses) {
        least = std::min(least, dose.rate);
        most = std::max(most, dose.rate);
      }
    }
    return most > 1.01 * least;
  }
  void choose_free() {
    const bool rated = data_.law == DamageLaw::rate_power && rates_differ();
    const bool shaped = data_.law == DamageLaw::plateau || rated;
    const std::size_t needed = shaped ? 4 : 3;
    const bool dosed = data_.law != DamageLaw::none && scale_ > 0 && data_.groups.size() >= needed;
    free_[kX0] = true;
    free_[kRate] = dosed;
    free_[kShape] = dosed && shaped;
    free_[kWidth] = data_.width_error_ev2 > 0;
  }
  /// What holds the shifts: the inverse of their covariance.
  void hold_shifts() {
    const auto& covariance = data_.shift_covariance_ev2;
    shifts_free_ =
        std::any_of(covariance.begin(), covariance.end(), [](double v) { return v != 0; });
    if (shifts_free_) {
      const Index n = at(data_.groups.size());
      const MatrixXd alone = MatrixXd::Identity(n, n) * kAlone_ev2;
      shift_prior_ = (Eigen::Map<const MatrixXd>(covariance.data(), n, n) + alone).inverse();
    }
  }
  [[nodiscard]] double rate_scale() const { return scale_ > 0 ? scale_ : 1.0; }
  /// What the parameter is times the number.
  [[nodiscard]] double unit(std::size_t shared) const {
    return shared == kRate ? rate_scale() : 1.0;
  }
  [[nodiscard]] std::size_t size() const { return kShared + kOwn * data_.groups.size(); }
  static Index own_of(std::size_t group) { return at(kShared + kOwn * group); }
  static Index shift_of(std::size_t group) { return own_of(group) + 3; }
  [[nodiscard]] VectorXd shifts(const State& state) const {
    VectorXd d(at(data_.groups.size()));
    for (std::size_t k = 0; k < data_.groups.size(); ++k) {
      d[at(k)] = state.p[shift_of(k)];
    }
    return d;
  }

  [[nodiscard]] State blank() const {
    return {VectorXd::Zero(at(size())), Row(channels_, 0.0), Row(channels_, 0.0), {}};
  }

  /// Which channel of the end members belongs to a channel of each group, rounded, and which groups
  /// share the noise of a dark there. Says whether anything changed; the darks begin anew then.
  bool place_groups(State& state) {
    constexpr double kStays = 0.75;  // channels: not to and fro where it lies between two
    const bool first = to_member_.empty();
    bool changed = first;
    to_member_.resize(data_.groups.size());
    for (std::size_t k = 0; k < data_.groups.size(); ++k) {
      const double where = mean_offset(data_.groups[k]) - moved_up(state, k);
      if (first || std::fabs(where - static_cast<double>(to_member_[k])) > kStays) {
        to_member_[k] = static_cast<std::ptrdiff_t>(std::lround(where));
        changed = true;
      }
    }
    if (changed) {
      find_sets();
      state.darks.assign(sets_.size(), Row(channels_, 0.0));
    }
    return changed;
  }

  [[nodiscard]] bool share_a_dark(std::size_t k, std::size_t l) const {
    return data_.groups[k].darks_taken != 0 && data_.groups[l].darks_taken != 0 &&
           data_.groups[k].dark == data_.groups[l].dark && to_member_[k] == to_member_[l];
  }
  void find_sets() {
    sets_.clear();
    const std::size_t groups = data_.groups.size();
    set_of_.assign(groups, kNoSet);
    for (std::size_t k = 0; k < groups && sets_.size() < kSets; ++k) {
      if (set_of_[k] != kNoSet) {
        continue;
      }
      for (std::size_t l = k + 1; l < groups; ++l) {
        if (share_a_dark(k, l)) {
          set_of_[k] = set_of_[l] = sets_.size();
        }
      }
      if (set_of_[k] != kNoSet) {
        sets_.push_back({data_.groups[k].dark, to_member_[k]});
      }
    }
    floors_.clear();
    for (std::size_t k = 0; k < data_.groups.size(); ++k) {
      const ComponentGroup& group = data_.groups[k];
      Row floor(channels_, group.floor);
      for (std::size_t c = 0; set_of_[k] == kNoSet && group.darks_taken != 0 && c < channels_;
           ++c) {
        floor[c] += group.darks_taken * group.darks_taken * data_.darks[group.dark][c];
      }
      floors_.push_back(std::move(floor));
    }
    find_exact();
  }

  /// Channels of the end members that are known exactly, or on no group's: nothing to eliminate.
  void find_exact() {
    exact_.assign(channels_, true);
    for (std::size_t m = 0; m < channels_; ++m) {
      const bool seen = std::any_of(to_member_.begin(), to_member_.end(), [&](std::ptrdiff_t to) {
        return channel_of(to, m).has_value();
      });
      exact_[m] = !seen || !(variance_of(m).maxCoeff() > 0);
    }
    const bool all = std::find(exact_.begin(), exact_.end(), false) == exact_.end();
    members_.resize(all ? 0 : channels_);
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

  /// By how many channels a group's zero loss stood higher than its offsets say.
  [[nodiscard]] double moved_up(const State& state, std::size_t k) const {
    return shifts_free_ ? state.p[shift_of(k)] / data_.grid.dispersion_ev : 0.0;
  }

  /// From an end member to a group's channels, `by` channels further up, times `part`.
  static void add_moves(const ComponentGroup& group, double by, double part, Moves& moves) {
    if (group.offsets.empty()) {
      moves.add(by, part);
    }
    for (const auto& offset : group.offsets) {
      moves.add(by - offset.channels, part * offset.part);
    }
  }

  /// A group's end members on its channels, and how they change with the axis and with the width.
  struct Placing {
    Moves here, slope, curve;
  };
  [[nodiscard]] Placing placing(const ComponentGroup& group, double by) const {
    const double dispersion = data_.grid.dispersion_ev;
    Placing made;
    add_moves(group, by, 1, made.here);
    if (shifts_free_) {
      add_moves(group, by + kStep, 1 / (2 * kStep * dispersion), made.slope);
      add_moves(group, by - kStep, -1 / (2 * kStep * dispersion), made.slope);
    }
    if (free_[kWidth]) {
      const double half = 0.5 / (dispersion * dispersion);
      add_moves(group, by + 1, half, made.curve);
      add_moves(group, by, -2 * half, made.curve);
      add_moves(group, by - 1, half, made.curve);
    }
    return made;
  }
  void place(const Row& member, const Placing& by, double width, Row& out, Row& slope,
             Row& curve) const {
    out.assign(channels_, 0.0);
    by.here.apply(member, out);
    if (shifts_free_) {
      slope.assign(channels_, 0.0);
      by.slope.apply(member, slope);
    }
    if (free_[kWidth]) {
      curve.assign(channels_, 0.0);
      by.curve.apply(member, curve);
      for (std::size_t c = from_; c < to_; ++c) {
        out[c] += width * curve[c];
      }
    }
  }

  [[nodiscard]] Modelled model(const State& state, std::size_t k) const {
    const ComponentGroup& group = data_.groups[k];
    Modelled made;
    const double rate = state.p[kRate] / rate_scale();
    const double shape = state.p[kShape];
    const auto survives = [&](double r, double p) {
      return mean_survival(group.doses, r, data_.profile, data_.law, p);
    };
    made.survival = survives(rate, shape);
    made.x = state.p[kX0] * made.survival;
    if (free_[kRate]) {
      const double step = 1e-4 / rate_scale();
      made.by_rate = (survives(rate + step, shape) - survives(rate - step, shape)) / 2e-4;
    }
    if (free_[kShape]) {
      // Straight in the plateau; and nothing at all, not rounding, where there is no damage yet.
      const double step = data_.law == DamageLaw::plateau ? 0.5 : 1e-3;
      made.by_shape = (survives(rate, shape + step) - survives(rate, shape - step)) / (2 * step);
    }
    Row low = data_.low.edge;
    Row high = data_.high.edge;
    for (std::size_t c = 0; c < channels_; ++c) {
      low[c] += state.low[c];
      high[c] += state.high[c];
    }
    const Placing by = placing(group, moved_up(state, k));
    const double width = state.p[kWidth];
    place(low, by, width, made.low, made.low_slope, made.low_curve);
    place(high, by, width, made.high, made.high_slope, made.high_curve);
    const double offset = mean_offset(group);
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
    for (std::size_t c = from_; set_of_[k] != kNoSet && c < to_; ++c) {
      made.mu[c] += group.darks_taken * state.darks[set_of_[k]][c];
    }
    return made;
  }

  // --- Likelihood -----------------------------------------------------------------------------
  /// Quasi-likelihood of variance slope * mu + floor, times -2: that of a Poisson count of mean m.
  static double loss(double y, double mu, double slope, double floor) {
    const double move = floor / slope;
    const double m = (mu + move) / slope;
    const double d = (y + move) / slope;
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
        sum += loss(counts_[k][c], made.mu[c], data_.groups[k].slope, floors_[k][c]);
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
    for (std::size_t set = 0; set < sets_.size(); ++set) {
      sum += pulled(state.darks[set], data_.darks[sets_[set].dark]);
    }
    if (shifts_free_) {
      const VectorXd d = shifts(state);
      sum += d.dot(shift_prior_ * d);
    }
    if (free_[kWidth]) {
      sum += std::pow(state.p[kWidth] / data_.width_error_ev2, 2);
    }
    return sum;
  }
  [[nodiscard]] double deviance() const { return objective_of(now_); }

  // --- The normal equations -------------------------------------------------------------------
  using Unknown = Eigen::Matrix<double, Eigen::Dynamic, 1, 0, kMostUnknown, 1>;
  using Square =
      Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, 0, kMostUnknown, kMostUnknown>;
  /// What one channel of the end members, m, has to do with all groups. Unknown there: L, U, and
  /// the dark of each set.
  struct Member {
    Square shrink;            // (1 + V B)^-1
    Unknown variance, known;  // V; A^T W residual
    Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, 0, Eigen::Dynamic, kMostUnknown>
        coupling;  // J^T W A
  };
  [[nodiscard]] Index unknowns() const { return at(2 + sets_.size()); }
  /// The channel of a set that belongs to channel m of the end members; beyond the range: nothing.
  [[nodiscard]] std::optional<std::size_t> channel_of(std::ptrdiff_t to_member,
                                                      std::size_t m) const {
    const auto channel = static_cast<std::ptrdiff_t>(m) - to_member;
    if (channel < static_cast<std::ptrdiff_t>(from_) ||
        channel >= static_cast<std::ptrdiff_t>(to_)) {
      return std::nullopt;
    }
    return static_cast<std::size_t>(channel);
  }
  [[nodiscard]] Unknown variance_of(std::size_t m) const {
    Unknown variance = Unknown::Zero(unknowns());
    variance[0] = data_.low.variance[m];
    variance[1] = data_.high.variance[m];
    for (std::size_t set = 0; set < sets_.size(); ++set) {
      const auto c = channel_of(sets_[set].to_member, m);
      variance[at(2 + set)] = c ? data_.darks[sets_[set].dark][*c] : 0.0;
    }
    return variance;
  }
  [[nodiscard]] Unknown moved_of(const State& state, std::size_t m) const {
    Unknown moved = Unknown::Zero(unknowns());
    moved[0] = state.low[m];
    moved[1] = state.high[m];
    for (std::size_t set = 0; set < sets_.size(); ++set) {
      const auto c = channel_of(sets_[set].to_member, m);
      moved[at(2 + set)] = c ? state.darks[set][*c] : 0.0;
    }
    return moved;
  }
  /// How a group's channel changes with them.
  [[nodiscard]] Unknown part_of(const State& state, std::size_t k) const {
    Unknown part = Unknown::Zero(unknowns());
    const double height = state.p[own_of(k) + 2];
    part[0] = height * (1 - modelled_[k].x);
    part[1] = height * modelled_[k].x;
    if (set_of_[k] != kNoSet) {
      part[at(2 + set_of_[k])] = data_.groups[k].darks_taken;
    }
    return part;
  }
  [[nodiscard]] double weight_of(std::size_t k, std::size_t c) const {
    return 1 / (data_.groups[k].slope * modelled_[k].mu[c] + floors_[k][c]);
  }

  /// Non-zero derivatives of one row: shared, then the group's own.
  using Slopes = Eigen::Matrix<double, kShared + kOwn, 1>;
  [[nodiscard]] Slopes slopes(const State& state, std::size_t k, const Modelled& made,
                              std::size_t c) const {
    Slopes j = Slopes::Zero();
    const double height = state.p[own_of(k) + 2];
    const double difference = height * (made.high[c] - made.low[c]);
    j[kX0] = difference * made.survival;
    j[kRate] = free_[kRate] ? difference * state.p[kX0] * made.by_rate : 0.0;
    j[kShape] = free_[kShape] ? difference * state.p[kX0] * made.by_shape : 0.0;
    j[kWidth] = free_[kWidth]
                    ? height * ((1 - made.x) * made.low_curve[c] + made.x * made.high_curve[c])
                    : 0.0;
    const double ev =
        data_.grid.centre(c) + mean_offset(data_.groups[k]) * data_.grid.dispersion_ev;
    j[kShared] = made.background[c];
    j[kShared + 1] = -made.background[c] * std::log(ev / pivot_);
    j[kShared + 2] = (1 - made.x) * made.low[c] + made.x * made.high[c];
    j[kShared + 3] = shifts_free_
                         ? height * ((1 - made.x) * made.low_slope[c] + made.x * made.high_slope[c])
                         : 0.0;
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

  void add_to_member(Member& member, std::size_t k, const Slopes& j, const Unknown& part,
                     double weight, Square& b, double residual) const {
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
    member.coupling.topLeftCorner<kShared, 2>() -= weight * residual * d.topRows<kShared>();
    member.coupling.block<kOwn, 2>(own_of(k), 0) -= weight * residual * d.bottomRows<kOwn>();
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
    if (free_[kShape]) {
      d.row(kShape) = height * state.p[kX0] * one.by_shape * apart;
    }
    d.row(kShared + 2) = Eigen::RowVector2d(1 - one.x, one.x);
    return d;
  }

  /// Takes away what the noise of channel m of the end members, squared, adds to the information on
  /// the average: directly, and by the elimination.
  void remove_noise(const State& state, std::size_t m, const Matrix2d& v, const Square& inverse) {
    using Coupled = Eigen::Matrix<double, Eigen::Dynamic, 2, 0, kMostUnknown, 2>;
    std::vector<Coupled> coupled(size(), Coupled::Zero(unknowns(), 2));  // d coupling / d (L, U)
    for (std::size_t k = 0; k < modelled_.size(); ++k) {
      const auto c = channel_of(to_member_[k], m);
      if (!c) {
        continue;
      }
      const double weight = weight_of(k, *c);
      const Curvature d = curvature(state, k);
      const Unknown part = part_of(state, k);
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
    for (std::size_t m = 0; m < channels_; ++m) {
      assemble_channel(state, m, kind);
    }
    if (free_[kWidth]) {
      const double known = std::pow(data_.width_error_ev2, -2);
      information_(kWidth, kWidth) += known;
      gradient_[kWidth] -= state.p[kWidth] * known;
    }
    if (shifts_free_) {
      const VectorXd back = shift_prior_ * shifts(state);
      for (std::size_t k = 0; k < data_.groups.size(); ++k) {
        gradient_[shift_of(k)] -= back[at(k)];
        for (std::size_t l = k; l < data_.groups.size(); ++l) {
          information_(shift_of(k), shift_of(l)) += shift_prior_(at(k), at(l));
        }
      }
    }
    information_.triangularView<Eigen::StrictlyLower>() = information_.transpose();
  }

  void assemble_channel(const State& state, std::size_t m, Information kind) {
    if (exact_[m]) {
      for (std::size_t k = 0; k < modelled_.size(); ++k) {
        const auto c = channel_of(to_member_[k], m);
        if (c) {
          add_row(k, slopes(state, k, modelled_[k], *c), weight_of(k, *c),
                  counts_[k][*c] - modelled_[k].mu[*c]);
        }
      }
      return;
    }
    Member& member = members_[m];
    member.variance = variance_of(m);
    member.coupling.setZero(at(size()), unknowns());
    member.known.setZero(unknowns());
    Square b = Square::Zero(unknowns(), unknowns());
    for (std::size_t k = 0; k < modelled_.size(); ++k) {
      const auto c = channel_of(to_member_[k], m);
      if (!c) {
        continue;
      }
      const double weight = weight_of(k, *c);
      const double residual = counts_[k][*c] - modelled_[k].mu[*c];
      const Slopes j = slopes(state, k, modelled_[k], *c);
      add_row(k, j, weight, residual);
      add_to_member(member, k, j, part_of(state, k), weight, b, residual);
      if (kind == Information::observed) {
        add_curvature(member, state, k, weight, residual);
      }
    }
    const Square v = member.variance.asDiagonal();
    member.shrink = (Square::Identity(unknowns(), unknowns()) + v * b).inverse();
    // M^-1 = (V^-1 + B)^-1 = (1 + V B)^-1 V, good also where V is 0.
    const Square inverse = member.shrink * v;
    information_.triangularView<Eigen::Upper>() -=
        member.coupling * inverse * member.coupling.transpose();
    if (kind == Information::forecast) {
      remove_noise(state, m, v.topLeftCorner<2, 2>(), inverse);
    }
    const Unknown pull = member.shrink * (v * member.known - moved_of(state, m));
    gradient_ -= member.coupling * pull;
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
    for (std::size_t m = 0; m < channels_; ++m) {
      if (exact_[m]) {
        continue;
      }
      const Member& member = members_[m];
      const Unknown known = member.known - member.coupling.transpose() * step;
      const Unknown change =
          member.shrink * (member.variance.cwiseProduct(known) - moved_of(now_, m));
      next.low[m] += change[0];
      next.high[m] += change[1];
      for (std::size_t set = 0; set < sets_.size(); ++set) {
        const auto c = channel_of(sets_[set].to_member, m);
        if (c) {
          next.darks[set][*c] += change[at(2 + set)];
        }
      }
    }
    return next;
  }

  // --- What is told of it ---------------------------------------------------------------------
  /// `column`: of the inverse information, for the number asked for.
  [[nodiscard]] Functional functional(const VectorXd& column) const {
    Functional made;
    made.low.assign(channels_, 0.0);
    made.high.assign(channels_, 0.0);
    std::vector<Unknown> carried(channels_, Unknown::Zero(unknowns()));
    for (std::size_t m = 0; m < channels_; ++m) {
      if (exact_[m]) {
        continue;
      }
      const Member& member = members_[m];
      const Unknown g = member.coupling.transpose() * column;
      carried[m] = member.shrink * member.variance.cwiseProduct(g);  // M^-1 G^T C
      const Unknown on_member = -(member.shrink.transpose() * g);    // V^-1 M^-1 G^T C
      made.low[m] = on_member[0];
      made.high[m] = on_member[1];
    }
    for (std::size_t k = 0; k < modelled_.size(); ++k) {
      made.counts.push_back(on_counts(k, column, carried, made));
    }
    for (std::size_t k = 0; shifts_free_ && k < modelled_.size(); ++k) {
      double sum = 0;
      for (std::size_t l = 0; l < modelled_.size(); ++l) {
        sum += shift_prior_(at(k), at(l)) * column[shift_of(l)];
      }
      made.shift.push_back(sum);
    }
    return made;
  }

  [[nodiscard]] Row on_counts(std::size_t k, const VectorXd& column,
                              const std::vector<Unknown>& carried, Functional& made) const {
    Row weights(channels_, 0.0);
    const Unknown part = part_of(now_, k);
    for (std::size_t c = from_; c < to_; ++c) {
      const Slopes j = slopes(now_, k, modelled_[k], c);
      const double own = j.head<kShared>().dot(column.head<kShared>()) +
                         j.tail<kOwn>().dot(column.segment<kOwn>(own_of(k)));
      const double weight = weight_of(k, c);
      const auto m = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(c) + to_member_[k]);
      if (m >= channels_) {
        weights[c] = weight * own;
        continue;
      }
      weights[c] = weight * (own - part.dot(carried[m]));
      if (exact_[m]) {  // a change of an exact end member goes through the residual
        made.low[m] -= weight * own * part[0];
        made.high[m] -= weight * own * part[1];
      }
    }
    return weights;
  }

  void show(ComponentFit& made, const MatrixXd& covariance) const {
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
      group.shift_ev = now_.p[shift_of(k)];
      group.sigma_shift_ev =
          shifts_free_ ? std::sqrt(std::max(0.0, covariance(shift_of(k), shift_of(k)))) : 0.0;
      alone(k, group);
      made.groups.push_back(group);
    }
  }

  /// One group's x with everything else of it free: one step from the joint fit.
  void alone(std::size_t k, ComponentFit::Group& group) const {
    using Vector = Eigen::Matrix<double, 1 + kOwn, 1>;
    using Matrix = Eigen::Matrix<double, 1 + kOwn, 1 + kOwn>;
    Matrix information = Matrix::Zero();
    Vector gradient = Vector::Zero();
    for (std::size_t c = from_; c < to_; ++c) {
      const Slopes j = slopes(now_, k, modelled_[k], c);
      Vector row;
      row << group.height * (modelled_[k].high[c] - modelled_[k].low[c]), j.tail<kOwn>();
      double variance = 1 / weight_of(k, c);
      if (set_of_[k] != kNoSet) {
        variance += std::pow(data_.groups[k].darks_taken, 2) * data_.darks[data_.groups[k].dark][c];
      }
      const double weight = 1 / variance;
      information += weight * row * row.transpose();
      gradient += weight * (counts_[k][c] - modelled_[k].mu[c]) * row;
    }
    const double held =
        shifts_free_ ? 1 / (data_.shift_covariance_ev2[k * (data_.groups.size() + 1)] + kAlone_ev2)
                     : 1.0;
    information(kOwn, kOwn) += held;
    gradient[kOwn] -= held * group.shift_ev;
    const Matrix inverse = information.inverse();
    const bool told = inverse.allFinite() && inverse(0, 0) > 0 && inverse(0, 0) < 4;
    group.own_x = told ? group.x + (inverse * gradient)[0] : kNan;
    group.sigma_own_x = told ? std::sqrt(inverse(0, 0)) : kNan;
  }

  const ComponentData& data_;
  std::size_t channels_ = 0;
  std::size_t from_ = 0, to_ = 0;
  double pivot_ = 1, scale_ = 0;
  bool free_[kShared] = {};
  bool shifts_free_ = false;
  MatrixXd shift_prior_;
  std::vector<std::ptrdiff_t> to_member_;  // of each group: its channel + this, rounded
  std::vector<Set> sets_;
  std::vector<std::size_t> set_of_;  // each group's, or kNoSet
  std::vector<Row> floors_;          // of each group: what does not come from counting
  std::vector<bool> exact_;          // of each channel of the end members
  std::vector<Row> counts_;
  State now_;
  std::vector<Modelled> modelled_;
  std::vector<Member> members_;  // not where exact
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
