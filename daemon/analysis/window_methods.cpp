#include "daemon/analysis/window_methods.h"

#include <array>
#include <cmath>
#include <cstdio>
#include <functional>
#include <limits>

#include "protocol/physics/constants.h"

namespace creel::analysis {

namespace {

using Row = std::vector<double>;

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kArctanWidth_ev = 1;
constexpr double kNarrow_ev = 2;  // width of the narrow windows

std::string text(const char* format, double a, double b, double c = 0, double d = 0) {
  char out[160];
  std::snprintf(out, sizeof out, format, a, b, c, d);
  return out;
}

/// What a method sums: numerator, denominator and height of the continuum.
struct Method {
  MethodAnswer about;
  double offset = 0;  // value = offset + N1/N2
  std::function<std::array<Row, 3>(const Grid&)> functionals;
};

struct Numbers {
  std::array<double, 3> value{};
  CarriedNoise noise{3};
  const SessionSpectra* session = nullptr;
};

Numbers measure(const MeasuredSession& of, const Method& method) {
  const auto u = method.functionals(of.edge->grid);
  Numbers made;
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t c = 0; c < of.edge->edge.size(); ++c) {
      made.value[i] += u[i][c] * of.edge->edge[c];
    }
  }
  made.noise = noise_of_functionals(*of.session, *of.edge, *of.single, u);
  made.session = of.session;
  return made;
}

double x_of(const std::array<Numbers, 3>& n) {
  const double q = n[0].value[0] / n[0].value[1];
  const auto off = [q](const Numbers& of) { return (of.value[0] - q * of.value[1]) / of.value[2]; };
  return off(n[1]) / (off(n[1]) - off(n[2]));
}

/// Covariance of two numbers of the three sessions.
double covariance(const std::array<Numbers, 3>& n, std::size_t s, std::size_t i, std::size_t t,
                  std::size_t j) {
  const double shared = shared_noise(*n[s].session, n[s].noise, i, *n[t].session, n[t].noise, j);
  return s == t ? shared + n[s].noise.own(i, j) : shared;
}

/// Error of x by propagation; slopes by central differences.
double sigma_of_x(const std::array<Numbers, 3>& n) {
  std::array<std::array<double, 3>, 3> slope{};
  for (std::size_t s = 0; s < 3; ++s) {
    for (std::size_t i = 0; i < 3; ++i) {
      const double step = 1e-3 * std::sqrt(covariance(n, s, i, s, i));
      if (!(step > 0)) {
        continue;
      }
      auto up = n;
      auto down = n;
      up[s].value[i] += step;
      down[s].value[i] -= step;
      slope[s][i] = (x_of(up) - x_of(down)) / (2 * step);
    }
  }
  double sum = 0;
  for (std::size_t s = 0; s < 3; ++s) {
    for (std::size_t t = 0; t < 3; ++t) {
      for (std::size_t i = 0; i < 3; ++i) {
        for (std::size_t j = 0; j < 3; ++j) {
          sum += slope[s][i] * slope[t][j] * covariance(n, s, i, t, j);
        }
      }
    }
  }
  return std::sqrt(sum);
}

Row line(const WhiteLineWindows& windows, const Grid& grid, bool l3) {
  const auto u = white_line_functionals(windows, grid);
  Row out = l3 ? u[kL3Low] : u[kL2];
  for (std::size_t c = 0; l3 && c < out.size(); ++c) {
    out[c] += u[kL3High][c];
  }
  return out;
}

Row height(const WhiteLineWindows& windows, const Grid& grid) {
  return white_line_functionals(windows, grid)[kHeight];
}

/// A window over a continuum of two arctangents, normalised behind the lines.
Row over_arctangents(const WhiteLineWindows& windows, const Grid& grid, const Window& window) {
  const auto step = [](double ev, double at) {
    return std::atan(physics::kPi * (ev - at) / kArctanWidth_ev) / physics::kPi + 0.5;
  };
  const auto continuum = [&](double ev) {
    return windows.step3_part * step(ev, windows.step3_ev) +
           (1 - windows.step3_part) * step(ev, windows.step2_ev);
  };
  Row u = overlap(grid, window);
  const Row behind = overlap(grid, windows.after);
  double under = 0;
  double norm = 0;
  for (std::size_t c = 0; c < grid.channels; ++c) {
    under += u[c] * continuum(grid.centre(c));
    norm += behind[c] * continuum(grid.centre(c));
  }
  for (std::size_t c = 0; c < grid.channels && norm > 0; ++c) {
    u[c] -= under / norm * behind[c];
  }
  return u;
}

Method two_steps_ratio(const WhiteLineWindows& windows) {
  Method made;
  made.about.name = "white-line ratio, two steps";
  made.about.source = "D. H. Pearson, C. C. Ahn, B. Fultz, Phys. Rev. B 47, 8471 (1993)";
  made.about.windows = text("L3 %.2f to %.2f, L2 %.2f to %.2f eV", windows.l3.from_ev,
                            windows.l3.to_ev, windows.l2.from_ev, windows.l2.to_ev);
  made.about.limits = "uses neither the shift nor the shape of the lines; needs many counts";
  made.about.quantity = "L3/L2";
  made.functionals = [windows](const Grid& grid) -> std::array<Row, 3> {
    return {line(windows, grid, true), line(windows, grid, false), height(windows, grid)};
  };
  return made;
}

Method arctangent_ratio(const WhiteLineWindows& windows) {
  Method made = two_steps_ratio(windows);
  made.about.name = "white-line ratio, two arctangents";
  made.about.source =
      "P. A. van Aken, B. Liebscher, Phys. Chem. Minerals 29, 188 (2002); steps and width from "
      "memory";
  made.about.limits = "as above; the arctangents reach below the onset and far behind the lines";
  made.functionals = [windows](const Grid& grid) -> std::array<Row, 3> {
    return {over_arctangents(windows, grid, windows.l3),
            over_arctangents(windows, grid, windows.l2), height(windows, grid)};
  };
  return made;
}

/// Centred on the L3 maximum of the high state, 709.5 eV, and on the L2 maximum of the low one.
Method narrow_ratio(const WhiteLineWindows& windows) {
  const Window l3{708.5, 708.5 + kNarrow_ev};
  const Window l2{719.7, 719.7 + kNarrow_ev};
  Method made = two_steps_ratio(windows);
  made.about.name = "ratio of two windows of 2 eV";
  made.about.source =
      "P. A. van Aken, B. Liebscher, V. J. Styrsa, Phys. Chem. Minerals 25, 323 (1998); windows "
      "from memory";
  made.about.windows =
      text("%.1f to %.1f and %.1f to %.1f eV", l3.from_ev, l3.to_ev, l2.from_ev, l2.to_ev);
  made.about.limits = "an axis that is off by 0.1 eV moves it";
  made.about.quantity = "I(L3)/I(L2)";
  made.functionals = [windows, l3, l2](const Grid& grid) -> std::array<Row, 3> {
    return {over_arctangents(windows, grid, l3), over_arctangents(windows, grid, l2),
            height(windows, grid)};
  };
  return made;
}

Method l3_position(const WhiteLineWindows& windows) {
  Method made = two_steps_ratio(windows);
  made.about.name = "position of L3";
  made.about.source =
      "centroid of the line over the two steps; shift of 1.7 eV between Fe(II) and Fe(III): van "
      "Aken, Liebscher, Styrsa (1998)";
  made.about.windows = text("%.2f to %.2f eV", windows.l3.from_ev, windows.l3.to_ev);
  made.about.limits = "an axis that is off moves it by as much; not the maximum of the line";
  made.about.quantity = "eV";
  made.offset = windows.split_ev;
  made.functionals = [windows](const Grid& grid) -> std::array<Row, 3> {
    Row area = line(windows, grid, true);
    // The steps under the line have a centroid of their own, so its moment is taken channel by
    // channel and the continuum's is removed with the same steps.
    Row moment(grid.channels, 0.0);
    const Row inside = overlap(grid, windows.l3);
    double steps_area = 0;
    double steps_moment = 0;
    for (std::size_t c = 0; c < grid.channels; ++c) {
      const double from_split = grid.centre(c) - windows.split_ev;
      moment[c] = inside[c] * from_split;
      const double step = grid.centre(c) > windows.step3_ev ? inside[c] : 0.0;
      steps_area += step;
      steps_moment += step * from_split;
    }
    for (std::size_t c = 0; c < grid.channels && steps_area > 0; ++c) {
      moment[c] += (area[c] - inside[c]) * steps_moment / steps_area;
    }
    return {moment, area, height(windows, grid)};
  };
  return made;
}

void take_curve(const CurveCoefficients& curve, MethodAnswer& answer) {
  const auto x = x_by_curve(curve, answer.value);
  if (!x) {
    answer.withheld = x.error().text;
    return;
  }
  answer.x = *x;
  const double u = 1 / (1 + answer.value);
  const double slope = 2 * curve.a * answer.x + curve.b;  // du/dx
  answer.sigma_x = std::sqrt(std::pow(u * u * answer.sigma, 2) +
                             std::pow(answer.x * answer.x * curve.sigma_a, 2) +
                             std::pow(answer.x * curve.sigma_b, 2) + std::pow(curve.sigma_c, 2)) /
                   std::fabs(slope);
}

void take_value(const Numbers& of, const Method& method, MethodAnswer& answer) {
  const double total[3] = {
      of.noise.own(0, 0) + shared_noise(*of.session, of.noise, 0, *of.session, of.noise, 0),
      of.noise.own(1, 1) + shared_noise(*of.session, of.noise, 1, *of.session, of.noise, 1),
      of.noise.own(0, 1) + shared_noise(*of.session, of.noise, 0, *of.session, of.noise, 1)};
  const auto q = ratio(of.value[0], of.value[1], total[0], total[1], total[2]);
  if (!q) {
    answer.withheld = q.error().text;
    return;
  }
  answer.value = method.offset + q->value;
  answer.sigma = q->sigma;
}

MethodAnswer answer_of(const MethodsInput& input, const Method& method) {
  MethodAnswer answer = method.about;
  answer.value = answer.sigma = answer.low_value = answer.high_value = kNan;
  answer.x = answer.sigma_x = answer.x0 = answer.sigma_x0 = kNan;
  Numbers specimen = measure(input.specimen, method);
  take_value(specimen, method, answer);
  if (!answer.withheld.empty()) {
    return answer;
  }
  if (!input.low || !input.high) {
    answer.withheld = "no references were given";
    return answer;
  }
  const std::array<Numbers, 3> n = {std::move(specimen), measure(*input.low, method),
                                    measure(*input.high, method)};
  answer.low_value = method.offset + n[1].value[0] / n[1].value[1];
  answer.high_value = method.offset + n[2].value[0] / n[2].value[1];
  answer.x = x_of(n);
  answer.sigma_x = sigma_of_x(n);
  if (!(answer.sigma_x <= 1)) {
    answer.withheld =
        text("it would be %.2f +- %.2f, which tells nothing", answer.x, answer.sigma_x);
    answer.x = answer.sigma_x = kNan;
  }
  return answer;
}

}  // namespace

Result<double> x_by_curve(const CurveCoefficients& curve, double ratio) {
  const double root = curve.b * curve.b - 4 * curve.a * (curve.c - 1 / (1 + ratio));
  const double x = (-curve.b - std::sqrt(root)) / (2 * curve.a);
  if (!(root >= 0) || !std::isfinite(x)) {
    return Error{ErrorCode::refused,
                 text("the curve with these coefficients has no ratio of %.2f", ratio, 0)};
  }
  return x;
}

std::vector<MethodAnswer> window_methods(const MethodsInput& input,
                                         const WhiteLineWindows& windows) {
  std::vector<Method> methods = {two_steps_ratio(windows), arctangent_ratio(windows),
                                 l3_position(windows)};
  const bool iron = std::fabs(windows.step3_ev - 708.65) < 0.01;
  if (iron) {
    methods.push_back(narrow_ratio(windows));
  }
  std::vector<MethodAnswer> answers;
  answers.reserve(methods.size() + 1);
  for (const Method& method : methods) {
    answers.push_back(answer_of(input, method));
  }
  if (iron && input.curve) {
    MethodAnswer curve = answers.back();
    curve.name += ", by the curve given";
    curve.limits = "its coefficients hold for the resolution and thickness they were measured at";
    curve.low_value = curve.high_value = curve.x = curve.sigma_x = kNan;
    curve.withheld.clear();
    if (std::isfinite(curve.value)) {
      take_curve(*input.curve, curve);
    }
    answers.push_back(curve);
  }
  for (MethodAnswer& answer : answers) {
    answer.x0 = answer.x / input.mean_survival;
    answer.sigma_x0 = answer.sigma_x / input.mean_survival;
  }
  return answers;
}

}  // namespace creel::analysis
