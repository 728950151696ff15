#include "daemon/losses/low_loss.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>

#include "daemon/losses/atoms.h"
#include "daemon/losses/curve_fit.h"
#include "daemon/losses/single_losses.h"
#include "protocol/base/text.h"
#include "protocol/physics/constants.h"
#include "protocol/physics/kinematics.h"
#include "protocol/physics/mean_free_path.h"
#include "protocol/physics/plasmon.h"

namespace creel::analysis {

namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kFwhmPerSigma = 2.354820045;
constexpr double kWidestCollection_rad = 0.020;  // for the formula by atomic number
constexpr double kClear = 5;                     // standard deviations
// Plasmons lie between; below are interband losses and the zero loss's tail.
constexpr Window kPlasmons = {8, 45};
// Around M2,3, from its tabulated energy: the background before it, the edge, and all of the fit.
constexpr Window kBefore = {-15, -4.5};
constexpr Window kNear = {-3, 12};
constexpr double kFitUntil_ev = 26;
constexpr double kLeastBump_ev = 1, kMostBump_ev = 12;  // FWHM that can be a bump

double dot(std::span<const double> a, std::span<const double> b) {
  return std::inner_product(a.begin(), a.end(), b.begin(), 0.0);
}

/// Im(-1/eps) of a Drude oscillator (H. Raether, Excitation of Plasmons and Interband Transitions
/// by Electrons, Springer 1980).
double drude(double ev, double energy_ev, double width_ev) {
  const double off = ev * ev - energy_ev * energy_ev;
  return ev * width_ev * energy_ev * energy_ev / (off * off + ev * ev * width_ev * width_ev);
}

/// Single losses with what their noise and a fit to them need.
class Losses {
 public:
  Losses(const SessionSpectra& session, const NoiseLine& noise, const Conditions& conditions,
         const SingleLosses& single)
      : single_(single), conditions_(conditions) {
    // One dark, of m frames, is taken from each of n frames.
    const auto n = static_cast<double>(session.zero_loss_frames);
    double m = n;
    for (const auto& [exposure, dark] : session.darks) {
      m = std::min(m, static_cast<double>(dark.frames));
    }
    const double dark = n * noise.dark_variance * (m > 0 ? 1.0 + n / m : 1.0);
    for (const double counts : session.low_loss) {
      variance_.push_back(noise.total_slope() * std::max(0.0, counts) + dark);
    }
  }

  [[nodiscard]] const SingleLosses& single() const { return single_; }
  [[nodiscard]] double ev(std::size_t k) const { return single_.grid().centre(k); }
  [[nodiscard]] std::size_t channel(double at_ev) const {
    const double k = std::round(at_ev / single_.grid().dispersion_ev);
    return static_cast<std::size_t>(
        std::clamp(k, 0.0, static_cast<double>(single_.grid().channels)));
  }
  [[nodiscard]] bool has_angular_factor() const {
    return conditions_.high_tension_ev && conditions_.collection_rad;
  }
  [[nodiscard]] double angular_factor(double at_ev) const {
    return has_angular_factor()
               ? physics::dipole_angular_factor(at_ev, *conditions_.high_tension_ev,
                                                *conditions_.collection_rad)
               : 1.0;
  }
  /// Standard deviation of sum u s.
  [[nodiscard]] double sigma_of(std::span<const double> u) const {
    const std::vector<double> w = single_.transposed(u);
    double sum = 0;
    for (std::size_t c = 0; c < w.size(); ++c) {
      sum += w[c] * w[c] * variance_[c];
    }
    return std::sqrt(sum);
  }
  /// Of each channel: white noise of the channels around it, as the Fourier logarithm passes it on.
  [[nodiscard]] std::vector<double> sigmas() const {
    const std::size_t n = single_.grid().channels;
    std::vector<double> one(n, 0.0);
    const std::size_t at = channel(kPlasmons.to_ev);  // where nothing is tapered
    one[at] = 1;
    const std::vector<double> w = single_.transposed(one);
    std::vector<double> out(n, 0.0);
    for (std::size_t k = 0; k < n; ++k) {
      double sum = 0;
      for (std::size_t c = 0; c < w.size(); ++c) {
        const auto moved = static_cast<std::ptrdiff_t>(c + k) - static_cast<std::ptrdiff_t>(at);
        if (w[c] * w[c] > 0 && moved >= 0 && moved < static_cast<std::ptrdiff_t>(w.size())) {
          sum += w[c] * w[c] * variance_[static_cast<std::size_t>(moved)];
        }
      }
      out[k] = std::sqrt(sum);
    }
    return out;
  }

 private:
  const SingleLosses& single_;
  const Conditions& conditions_;
  std::vector<double> variance_;  // of the measured low loss, by channel
};

/// A fit to channels [from, to) of the single losses.
struct Fitted {
  CurveFit fit;
  std::size_t from = 0;
  std::vector<WithError> parameters;
};

using Shape = std::function<double(std::span<const double> parameters, double ev)>;

/// Every channel of the curve is the shape as the resolution shows it.
std::vector<double> blurred(const Shape& shape, std::span<const double> parameters,
                            const Losses& losses, std::size_t from, std::size_t to) {
  constexpr int kReach = 8;  // points to each side, up to 2.5 standard deviations
  const double sigma = losses.single().width_ev() / kFwhmPerSigma;
  std::vector<double> out;
  for (std::size_t k = from; k < to; ++k) {
    double sum = 0;
    double weight = 0;
    for (int i = -kReach; i <= kReach; ++i) {
      const double z = 2.5 * i / kReach;
      const double w = std::exp(-0.5 * z * z);
      sum += w * shape(parameters, losses.ev(k) + z * sigma);
      weight += w;
    }
    out.push_back(sum / weight);
  }
  return out;
}

Result<Fitted> fit_shape(const Losses& losses, const std::vector<double>& sigma, std::size_t from,
                         std::size_t to, const Shape& shape, const std::vector<double>& start,
                         const std::vector<double>& step) {
  const auto part = [from, to](const std::vector<double>& all) {
    return std::span(all).subspan(from, to - from);
  };
  auto fit = fit_curve(
      part(losses.single().counts()), part(sigma),
      [&](std::span<const double> parameters) {
        return blurred(shape, parameters, losses, from, to);
      },
      start, step);
  if (!fit) {
    return fit.error();
  }
  Fitted made{std::move(*fit), from, {}};
  for (std::size_t p = 0; p < made.fit.value.size(); ++p) {
    std::vector<double> u(losses.single().grid().channels, 0.0);
    std::copy(made.fit.by_data[p].begin(), made.fit.by_data[p].end(),
              u.begin() + static_cast<std::ptrdiff_t>(from));
    made.parameters.push_back({made.fit.value[p], losses.sigma_of(u)});
  }
  return made;
}

/// Channels around the highest plasmon in which the losses exceed half of it.
std::optional<std::pair<std::size_t, std::size_t>> above_half(const Losses& losses) {
  const std::vector<double>& s = losses.single().counts();
  const std::size_t first = losses.channel(kPlasmons.from_ev);
  const std::size_t last = std::min(losses.channel(kPlasmons.to_ev), s.size());
  if (last <= first + 4) {
    return std::nullopt;
  }
  const auto top =
      static_cast<std::size_t>(std::max_element(s.begin() + static_cast<std::ptrdiff_t>(first),
                                                s.begin() + static_cast<std::ptrdiff_t>(last)) -
                               s.begin());
  if (top == first || top + 1 == last) {
    return std::nullopt;  // it goes on rising beyond where plasmons are
  }
  std::size_t from = top;
  std::size_t to = top + 1;
  while (from > 1 && s[from - 1] > 0.5 * s[top]) {
    --from;
  }
  while (to < s.size() && s[to] > 0.5 * s[top]) {
    ++to;
  }
  // A narrow peak: what fixes its shape lies within the resolution, too.
  const auto reach = static_cast<std::size_t>(
      std::ceil(losses.single().width_ev() / losses.single().grid().dispersion_ev));
  return std::pair{from > reach ? from - std::min(reach, from - 1) : from,
                   std::min(s.size(), to + reach)};
}

void take_plasmon(const Losses& losses, LowLoss& made) {
  const auto window = above_half(losses);
  if (!window) {
    made.plasmon_withheld = "no maximum between " + number(kPlasmons.from_ev) + " and " +
                            number(kPlasmons.to_ev) + " eV";
    return;
  }
  const auto [from, to] = *window;
  const std::vector<double>& s = losses.single().counts();
  const auto top =
      static_cast<std::size_t>(std::max_element(s.begin() + static_cast<std::ptrdiff_t>(from),
                                                s.begin() + static_cast<std::ptrdiff_t>(to)) -
                               s.begin());
  const double height = s[top];
  if (!(height > kClear * made.single_sigma[top])) {
    made.plasmon_withheld = "the single losses do not stand out of their noise";
    return;
  }
  const Shape shape = [&losses, height](std::span<const double> p, double ev) {
    return ev > 0 ? height * p[0] * drude(ev, p[1], std::exp(p[2])) * losses.angular_factor(ev)
                  : 0.0;
  };
  const double energy = losses.ev(top);
  const double width = losses.ev(to - 1) - losses.ev(from);
  const double scale = width / (energy * losses.angular_factor(energy));
  const auto fitted = fit_shape(losses, made.single_sigma, from, to, shape,
                                {scale, energy, std::log(width)}, {1e-4 * scale, 1e-3, 1e-4});
  if (!fitted) {
    made.plasmon_withheld = fitted.error().text;
    return;
  }
  Plasmon plasmon;
  plasmon.energy_ev = fitted->parameters[1];
  const double gamma = std::exp(fitted->parameters[2].value);
  plasmon.width_ev = {gamma, gamma * fitted->parameters[2].sigma};
  plasmon.from_ev = losses.ev(from);
  plasmon.to_ev = losses.ev(to - 1);
  plasmon.misfit = fitted->fit.misfit;
  plasmon.angular_factor = losses.has_angular_factor();
  made.plasmon = plasmon;
  std::copy(fitted->fit.curve.begin(), fitted->fit.curve.end(),
            made.plasmon_fit.begin() + static_cast<std::ptrdiff_t>(from));
}

/// The plasmon's tail: its oscillator with a size and a width of its own there.
double tail(const Losses& losses, double plasmon_ev, double size, double log_width, double ev) {
  return size * drude(ev, plasmon_ev, std::exp(log_width)) * losses.angular_factor(ev);
}

/// Net counts near the edge over the tail fitted before it, and their standard deviation.
Result<WithError> net_counts(const Losses& losses, const LowLoss& made, double edge_ev,
                             const std::vector<double>& start) {
  const double plasmon_ev = made.plasmon->energy_ev.value;
  const Shape shape = [&](std::span<const double> p, double ev) {
    return tail(losses, plasmon_ev, p[0], p[1], ev);
  };
  const std::size_t from = losses.channel(edge_ev + kBefore.from_ev);
  const std::size_t to = losses.channel(edge_ev + kBefore.to_ev);
  const std::vector<double> step = {1e-4 * start[0], 1e-4};
  const auto before = fit_shape(losses, made.single_sigma, from, to, shape, start, step);
  if (!before) {
    return before.error();
  }
  const std::size_t first = losses.channel(edge_ev + kNear.from_ev);
  const std::size_t end = losses.channel(edge_ev + kNear.to_ev);
  std::vector<double> u(losses.single().grid().channels, 0.0);
  std::fill(u.begin() + static_cast<std::ptrdiff_t>(first),
            u.begin() + static_cast<std::ptrdiff_t>(end), 1.0);
  double net = dot(u, losses.single().counts());
  const auto sum_of_tail = [&](const std::vector<double>& parameters) {
    const std::vector<double> curve = blurred(shape, parameters, losses, first, end);
    return std::accumulate(curve.begin(), curve.end(), 0.0);
  };
  net -= sum_of_tail(before->fit.value);
  for (std::size_t p = 0; p < start.size(); ++p) {
    std::vector<double> above = before->fit.value;
    std::vector<double> below = before->fit.value;
    above[p] += step[p];
    below[p] -= step[p];
    const double slope = (sum_of_tail(above) - sum_of_tail(below)) / (2 * step[p]);
    for (std::size_t k = from; k < to; ++k) {
      u[k] -= slope * before->fit.by_data[p][k - from];
    }
  }
  return WithError{net, losses.sigma_of(u)};
}

// Parameters of the edge on the tail.
enum EdgeParameter : std::size_t {
  kTailSize,
  kTailWidth,
  kStep,
  kArea,
  kCentre,
  kWidth,
  kArea2,
  kCentre2
};
constexpr double kStepWidth_ev = 1.2;  // core hole; xraylib 4.0: 1.23 of iron
// The step would hang together with the bumps if it were free: it stands before the main one, as
// the tabulated 54.0 eV of iron before its published maximum near 57 eV.
constexpr double kStepBefore_ev = 3;
constexpr double kBeforeWidth_ev = 2.0;  // FWHM of a bump before the main one

double bump(double area, double centre, double fwhm, double ev) {
  const double sigma = fwhm / kFwhmPerSigma;
  const double z = (ev - centre) / sigma;
  return area / (sigma * std::sqrt(2 * physics::kPi)) * std::exp(-0.5 * z * z);
}

double edge_on_tail(const Losses& losses, double plasmon_ev, std::span<const double> p, double ev) {
  const double step =
      p[kStep] *
      (0.5 + std::atan((ev - p[kCentre] + kStepBefore_ev) / (0.5 * kStepWidth_ev)) / physics::kPi);
  double sum = tail(losses, plasmon_ev, p[kTailSize], p[kTailWidth], ev) + step +
               bump(p[kArea], p[kCentre], std::exp(p[kWidth]), ev);
  if (p.size() > kArea2) {
    sum += bump(p[kArea2], p[kCentre2], kBeforeWidth_ev, ev);
  }
  return sum;
}

/// Of the distance of the two bumps, whose errors hang together.
double sigma_between(const Losses& losses, const Fitted& fitted) {
  std::vector<double> u(losses.single().grid().channels, 0.0);
  for (std::size_t i = 0; i < fitted.fit.curve.size(); ++i) {
    u[fitted.from + i] = fitted.fit.by_data[kCentre][i] - fitted.fit.by_data[kCentre2][i];
  }
  return losses.sigma_of(u);
}

/// Where the edge, without the tail, first reaches half of its height.
double onset_of(const Losses& losses, double plasmon_ev, double edge_ev, std::vector<double> p) {
  p[kTailSize] = 0;
  constexpr double kStepOf_ev = 0.05;
  const auto points = static_cast<int>((kNear.to_ev - kBefore.to_ev) / kStepOf_ev);
  std::vector<double> net;
  net.reserve(static_cast<std::size_t>(points));
  for (int i = 0; i < points; ++i) {
    net.push_back(edge_on_tail(losses, plasmon_ev, p, edge_ev + kBefore.to_ev + kStepOf_ev * i));
  }
  const double half = 0.5 * *std::max_element(net.begin(), net.end());
  for (std::size_t i = 1; i < net.size(); ++i) {
    if (net[i] >= half && net[i - 1] < half) {
      const double part = (half - net[i - 1]) / (net[i] - net[i - 1]);
      return edge_ev + kBefore.to_ev + kStepOf_ev * (static_cast<double>(i - 1) + part);
    }
  }
  return kNan;
}

WithError onset(const Losses& losses, double plasmon_ev, double edge_ev, const Fitted& fitted) {
  const std::vector<double>& at = fitted.fit.value;
  std::vector<double> u(losses.single().grid().channels, 0.0);
  for (std::size_t p = 0; p < at.size(); ++p) {
    const double step = 0.05 * fitted.parameters[p].sigma;
    std::vector<double> above = at;
    std::vector<double> below = at;
    above[p] += step;
    below[p] -= step;
    const double slope = (onset_of(losses, plasmon_ev, edge_ev, above) -
                          onset_of(losses, plasmon_ev, edge_ev, below)) /
                         (2 * step);
    for (std::size_t i = 0; i < fitted.fit.curve.size(); ++i) {
      u[fitted.from + i] += slope * fitted.fit.by_data[p][i];
    }
  }
  return {onset_of(losses, plasmon_ev, edge_ev, at), losses.sigma_of(u)};
}

bool plausible(const Fitted& fitted, double edge_ev) {
  const std::vector<double>& p = fitted.fit.value;
  const double width = std::exp(p[kWidth]);
  return p[kArea] > 0 && width > kLeastBump_ev && width < kMostBump_ev &&
         std::fabs(p[kCentre] - edge_ev) < kNear.to_ev;
}

/// With one bump, or with a second where that one clearly exists.
Result<Fitted> fit_edge(const Losses& losses, const LowLoss& made, double edge_ev, double net,
                        const std::vector<double>& start_tail) {
  const double plasmon_ev = made.plasmon->energy_ev.value;
  const Shape shape = [&](std::span<const double> p, double ev) {
    return edge_on_tail(losses, plasmon_ev, p, ev);
  };
  const std::size_t from = losses.channel(edge_ev + kBefore.from_ev);
  const std::size_t to = losses.channel(edge_ev + kFitUntil_ev);
  const double dispersion = losses.single().grid().dispersion_ev;
  const double area = 0.5 * net * dispersion;
  std::vector<double> start = {
      start_tail[0], start_tail[1], 0.5 * net * dispersion / (kNear.to_ev - kNear.from_ev),
      area,          edge_ev + 3,   std::log(4.0)};
  std::vector<double> step = {
      1e-4 * start[kTailSize], 1e-4, 1e-3 * start[kStep], 1e-3 * area, 1e-2, 1e-3};
  auto one = fit_shape(losses, made.single_sigma, from, to, shape, start, step);
  step.insert(step.end(), {1e-3 * area, 1e-2});
  std::optional<Fitted> best;
  if (one && plausible(*one, edge_ev)) {
    best = *one;
  }
  // The published distances of the second bump: 2.2 and 4.2 eV.
  for (const double distance : {2.2, 4.2}) {
    std::vector<double> two = best ? best->fit.value : start;
    two.resize(kArea2);
    two.insert(two.end(), {0.2 * area, two[kCentre] - distance});
    auto found = fit_shape(losses, made.single_sigma, from, to, shape, two, step);
    const bool clear = found && plausible(*found, edge_ev) &&
                       found->parameters[kArea2].value > 3 * found->parameters[kArea2].sigma &&
                       found->fit.value[kCentre2] < found->fit.value[kCentre] - 1 &&
                       found->fit.value[kCentre2] > edge_ev + kBefore.to_ev;
    if (clear && (!best || found->fit.misfit < best->fit.misfit)) {
      best = std::move(*found);
    }
  }
  if (!best) {
    return Error{ErrorCode::refused,
                 one ? "the losses there have not the shape of an edge" : one.error().text};
  }
  return std::move(*best);
}

/// The metal to look at: the first of the specimen's whose M2,3 we know.
std::optional<std::string> metal_of(const Conditions& conditions) {
  for (const std::string& element : conditions.elements) {
    if (shallow_edge(element)) {
      return element;
    }
  }
  return std::nullopt;
}

Result<ShallowEdge> find_edge(const Losses& losses, LowLoss& made, const std::string& element) {
  ShallowEdge edge;
  edge.element = element;
  edge.tabulated_ev = *shallow_edge(element);
  edge.from_ev = edge.tabulated_ev + kBefore.from_ev;
  edge.to_ev = edge.tabulated_ev + kFitUntil_ev;
  const Plasmon& plasmon = *made.plasmon;
  if (edge.from_ev < plasmon.energy_ev.value + 0.5 * plasmon.width_ev.value) {
    return Error{ErrorCode::refused, "the plasmon at " + number(plasmon.energy_ev.value, 3) +
                                         " eV reaches into " + number(edge.from_ev, 3) +
                                         " eV, where the background under the edge at " +
                                         number(edge.tabulated_ev, 3) + " eV would be taken"};
  }
  if (losses.channel(edge.to_ev) >= losses.single().grid().channels) {
    return Error{ErrorCode::refused, "the axis ends before " + number(edge.to_ev, 3) + " eV"};
  }
  const double at = edge.from_ev;
  const double shape =
      tail(losses, plasmon.energy_ev.value, 1, std::log(plasmon.width_ev.value), at);
  const double size = losses.single().counts()[losses.channel(at)] / shape;
  if (!(size > 0)) {
    return Error{ErrorCode::refused, "no counts where its background would be taken"};
  }
  const std::vector<double> start = {size, std::log(plasmon.width_ev.value)};
  const auto net = net_counts(losses, made, edge.tabulated_ev, start);
  if (!net) {
    return net.error();
  }
  edge.significance = net->value / net->sigma;
  if (!(edge.significance > kClear)) {
    return Error{ErrorCode::refused, "stands out of the noise by " + number(edge.significance, 2) +
                                         " standard deviations; " + number(kClear) + " are needed"};
  }
  const auto fitted = fit_edge(losses, made, edge.tabulated_ev, net->value, start);
  if (!fitted) {
    return fitted.error();
  }
  const std::vector<WithError>& p = fitted->parameters;
  edge.onset_ev = onset(losses, plasmon.energy_ev.value, edge.tabulated_ev, *fitted);
  edge.maximum_ev = p[kCentre];
  if (p.size() > kArea2) {
    edge.before = WithError{p[kCentre].value - p[kCentre2].value, sigma_between(losses, *fitted)};
  }
  for (std::size_t i = 0; i < fitted->fit.curve.size(); ++i) {
    const std::size_t k = fitted->from + i;
    made.m_edge_fit[k] = fitted->fit.curve[i];
    made.m_edge_background[k] = tail(losses, plasmon.energy_ev.value, p[kTailSize].value,
                                     p[kTailWidth].value, losses.ev(k));
  }
  return edge;
}

void take_m_edge(const Losses& losses, const Conditions& conditions, LowLoss& made) {
  const auto element = metal_of(conditions);
  if (!element) {
    made.m_edge_withheld = "the series names no 3d metal from Ti to Cu";
    return;
  }
  if (!made.plasmon) {
    made.m_edge_withheld = "no plasmon whose tail lies under it";
    return;
  }
  auto edge = find_edge(losses, made, *element);
  if (edge) {
    made.m_edge = std::move(*edge);
  } else {
    made.m_edge_withheld = *element + " M2,3: " + edge.error().text;
  }
}

/// Which of the values that a formula needs are not known; "" = all are.
std::string missing(std::initializer_list<std::pair<bool, const char*>> needed) {
  std::string text;
  for (const auto& [known, what] : needed) {
    if (!known) {
      text += (text.empty() ? "the series does not say " : ", ") + std::string(what);
    }
  }
  return text;
}

ThicknessBy by_number(const Conditions& of, double t_over_lambda) {
  ThicknessBy made;
  made.source =
      "from the atomic number: T. Malis, S. C. Cheng, R. F. Egerton, J. Electron Microsc. Tech. 8, "
      "193 (1988)";
  made.withheld =
      missing({{of.high_tension_ev.has_value(), "microscope.high_tension_kv"},
               {of.collection_rad.has_value(), "microscope.collection_semi_angle_mrad"}});
  const auto z = effective_number(of);
  if (made.withheld.empty() && !z) {
    made.withheld = z.error().text;
  }
  if (!made.withheld.empty()) {
    return made;
  }
  if (*of.collection_rad > kWidestCollection_rad) {
    made.withheld = "holds for collection semi-angles up to " +
                    number(1e3 * kWidestCollection_rad) + " mrad; the series says " +
                    number(1e3 * *of.collection_rad) + " mrad";
    return made;
  }
  if (of.convergence_rad && *of.convergence_rad > *of.collection_rad) {
    made.withheld = "knows no convergence, and " + number(1e3 * *of.convergence_rad) +
                    " mrad are more than the collection";
    return made;
  }
  const double lambda =
      physics::mean_free_path_by_number_nm(*z, *of.high_tension_ev, *of.collection_rad);
  if (!(lambda > 0) || !std::isfinite(lambda)) {
    made.withheld = "the collection semi-angle is too small for the formula";
    return made;
  }
  made.mean_free_path_nm = lambda;
  made.thickness_nm = t_over_lambda * lambda;
  return made;
}

ThicknessBy by_density(const Conditions& of, double t_over_lambda) {
  ThicknessBy made;
  made.source =
      "from the density: K. Iakoubovskii, K. Mitsuishi, Y. Nakayama, K. Furuya, Microsc. Res. "
      "Tech. 71, 626 (2008)";
  made.withheld =
      missing({{of.high_tension_ev.has_value(), "microscope.high_tension_kv"},
               {of.collection_rad.has_value(), "microscope.collection_semi_angle_mrad"},
               {of.convergence_rad.has_value(), "microscope.convergence_semi_angle_mrad"},
               {of.density_g_per_cm3.has_value(), "specimen.density_g_per_cm3"}});
  if (!made.withheld.empty()) {
    return made;
  }
  const double lambda = physics::mean_free_path_by_density_nm(
      *of.density_g_per_cm3, *of.high_tension_ev, *of.convergence_rad, *of.collection_rad);
  made.mean_free_path_nm = lambda;
  made.thickness_nm = t_over_lambda * lambda;
  return made;
}

/// Atoms by element, known to us. refused, with the reason.
Result<std::vector<std::pair<Atom, double>>> atoms_of(const Conditions& conditions) {
  std::map<std::string, double> parts = conditions.composition;
  if (parts.empty() && conditions.elements.size() == 1) {
    parts[conditions.elements.front()] = 1;
  }
  if (parts.empty()) {
    return Error{ErrorCode::refused,
                 "the series does not say how many atoms of each element there are "
                 "(specimen.composition)"};
  }
  std::vector<std::pair<Atom, double>> found;
  for (const auto& [element, part] : parts) {
    const auto known = atom(element);
    if (!known) {
      return Error{ErrorCode::refused, element + " is not in the table of atoms (H to Zn)"};
    }
    found.emplace_back(*known, part);
  }
  return found;
}

}  // namespace

std::optional<double> shallow_edge(std::string_view element) {
  constexpr std::array<std::pair<std::string_view, double>, 8> kEdges = {{{"Ti", 34.6},
                                                                          {"V", 37.8},
                                                                          {"Cr", 42.5},
                                                                          {"Mn", 48.6},
                                                                          {"Fe", 54.0},
                                                                          {"Co", 59.5},
                                                                          {"Ni", 68.1},
                                                                          {"Cu", 73.6}}};
  for (const auto& [name, ev] : kEdges) {
    if (name == element) {
      return ev;
    }
  }
  return std::nullopt;
}

Result<double> effective_number(const Conditions& conditions) {
  const auto atoms = atoms_of(conditions);
  if (!atoms) {
    return atoms.error();
  }
  double above = 0;
  double below = 0;
  for (const auto& [one, part] : *atoms) {
    above += part * std::pow(one.number, 1.3);
    below += part * std::pow(one.number, 0.3);
  }
  return above / below;
}

Result<double> free_electron_plasmon(const Conditions& conditions) {
  const auto atoms = atoms_of(conditions);
  if (!atoms) {
    return atoms.error();
  }
  if (!conditions.density_g_per_cm3) {
    return Error{ErrorCode::refused, "the series does not say specimen.density_g_per_cm3"};
  }
  double electrons = 0;
  double mass = 0;
  for (const auto& [one, part] : *atoms) {
    electrons += part * one.valence;
    mass += part * one.molar_g;
  }
  return physics::free_electron_plasmon_eV(electrons, *conditions.density_g_per_cm3, mass);
}

LowLoss measure_low_loss(const SessionSpectra& session, const NoiseLine& noise,
                         const Conditions& conditions) {
  LowLoss made;
  if (session.low_loss.empty() || !session.zero_loss) {
    made.withheld = "no zero-loss frames through the specimen";
    return made;
  }
  const double fwhm = session.zero_loss->fwhm_ev();
  // A little wider than the zero loss: where its transform sinks into the noise, g is far below.
  const auto single =
      SingleLosses::from(session.low_loss, session.low_loss_grid, *session.zero_loss, 1.5 * fwhm);
  if (!single) {
    made.withheld = single.error().text;
    return made;
  }
  made.t_over_lambda = single->t_over_lambda();
  made.by_number = by_number(conditions, made.t_over_lambda);
  made.by_density = by_density(conditions, made.t_over_lambda);
  if (const auto z = effective_number(conditions)) {
    made.effective_number = *z;
  }
  if (const auto free = free_electron_plasmon(conditions)) {
    made.free_electron_ev = *free;
  } else {
    made.free_electron_withheld = free.error().text;
  }
  const Losses losses(session, noise, conditions, *single);
  made.resolution_ev = single->width_ev();
  made.single = single->counts();
  made.single_sigma = losses.sigmas();
  for (std::size_t k = 0; k < made.single.size(); ++k) {
    made.energy_ev.push_back(losses.ev(k));
  }
  made.plasmon_fit = made.m_edge_fit = made.m_edge_background =
      std::vector<double>(made.single.size(), kNan);
  take_plasmon(losses, made);
  take_m_edge(losses, conditions, made);
  return made;
}

}  // namespace creel::analysis
