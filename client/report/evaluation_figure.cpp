#include "client/report/evaluation_figure.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "protocol/base/text.h"

namespace creel::report {

namespace {

using analysis::Evaluation;

constexpr const char* kTitleFont = " font ',11' offset 0,-0.4\n";
constexpr double kBeforeBackground_ev = 15;
constexpr double kBehindLines_ev = 12;

double value_at(const std::vector<double>& values, std::size_t i) {
  return i < values.size() ? values[i] : std::nan("");
}

/// One line a channel: energy, sum, background, edge, steps, fit, sigma, residual / sigma.
std::string channels_block(const Evaluation& evaluation) {
  std::string block = "$channels << END\n";
  const std::size_t last = evaluation.energy_ev.empty() ? 0 : evaluation.energy_ev.size();
  for (std::size_t i = 0; i < last; ++i) {
    const double sigma = value_at(evaluation.edge_sigma, i);
    block += exact(evaluation.energy_ev[i]);
    for (const double value :
         {value_at(evaluation.sum, i), value_at(evaluation.background, i),
          value_at(evaluation.edge, i), value_at(evaluation.steps, i), value_at(evaluation.fit, i),
          sigma, value_at(evaluation.residual, i) / value_at(evaluation.residual_sigma, i)}) {
      block += " " + exact(value);
    }
    block += "\n";
  }
  return block + "END\n";
}

std::string opening(std::string_view title, const std::string& subtitle, Format format,
                    std::string_view output, int panels) {
  constexpr double kBelow = 62;  // with less gnuplot leaves out the label of the lowest axis
  const int height = 126 + 300 * panels;
  return figure_setup(format, output, height) + "set label 90 " + literal(title, 90) +
         " noenhanced at screen 0.02, screen " + exact(1 - 20.0 / height) + " font ',15' tc rgb '" +
         kInk + "'\nset label 91 " + literal(subtitle, 150) +
         " noenhanced at screen 0.02, screen " + exact(1 - 42.0 / height) + " font ',10' tc rgb '" +
         kGrey + "'\nset multiplot layout " + std::to_string(panels) +
         ",1 margins screen 0.12,0.96," + exact(kBelow / height) + "," + exact(1 - 88.0 / height) +
         " spacing screen " + exact(96.0 / height) +
         "\nset key font ',9' samplen 2 spacing 1.1 noenhanced\n";
}

/// Shades a window of energies behind the curves.
std::string shade(int number, const analysis::Window& window, const char* colour) {
  return "set object " + std::to_string(number) + " rect from " + exact(window.from_ev) +
         ", graph 0 to " + exact(window.to_ev) + ", graph 1 behind fc rgb '" + colour +
         "' fs solid 0.35 noborder\n";
}

std::string energy_range(const Evaluation& evaluation) {
  return "set xrange [" + exact(evaluation.windows.background.from_ev - kBeforeBackground_ev) +
         ":" + exact(evaluation.windows.after.to_ev + kBehindLines_ev) +
         "]\nset xlabel 'energy loss (eV)' offset 0,0.4\n";
}

std::string sum_panel(const Evaluation& evaluation) {
  return "set title 'sum of the specimen exposures; shaded: background window'" +
         std::string(kTitleFont) + shade(1, evaluation.windows.background, "#e3ddd0") +
         "set ylabel 'thousand counts per channel' offset -0.5\nset format y '%g'\n"
         "plot $channels using 1:($2/1e3) with lines lw 1.2 lc rgb '" +
         kInk + "' title 'sum', $channels using 1:($3/1e3) with lines lw 1.4 dt 2 lc rgb '" +
         kBrown +
         "' title 'background, power law'\nunset object 1\nunset label 90\nunset label 91\n";
}

std::string lines_panel(const Evaluation& evaluation) {
  std::string text =
      "set title 'background and plural scattering removed; shaded: line windows'" +
      std::string(kTitleFont) + shade(2, evaluation.windows.l3, kInkBand) +
      shade(3, evaluation.windows.l2, kInkBand) +
      "plot $channels using 1:($4/1e3):($7/1e3) with yerrorlines pt 7 ps 0.15 lw 0.7 lc rgb '" +
      kInk + "' title 'edge', $channels using 1:($5/1e3) with lines lw 1.2 lc rgb '" + kGrey +
      "' title 'two steps'";
  if (!evaluation.fit.empty()) {
    text += ", $channels using 1:($6/1e3) with lines lw 1.6 lc rgb '" + std::string(kBrown) +
            "' title 'mixture of the references'";
  }
  return text + "\nunset object 2\nunset object 3\n";
}

std::string residual_panel() {
  return "set title 'what remains, in standard deviations of a channel'" + std::string(kTitleFont) +
         "set ylabel 'standard deviations'\nset format y '%g'\nset yrange [-5:5]\n"
         "plot 0 with lines lc rgb '" +
         kGrey + "' notitle, $channels using 1:8 with points pt 7 ps 0.25 lc rgb '" + kInk +
         "' notitle\nset autoscale y\n";
}

std::string doses_block(const Evaluation& evaluation) {
  std::string block = "$doses << END\n";
  for (const analysis::RatioAtDose& point : evaluation.by_dose) {
    block += exact(point.dose);
    for (const double value : {point.ratio, point.sigma, point.x, point.sigma_x, point.fitted_x}) {
      block += " " + exact(value);
    }
    block += "\n";
  }
  return block + "END\n";
}

std::string state_panel(const Evaluation& evaluation) {
  const analysis::ComponentAnswer& fit = *evaluation.oxidation;
  const std::string decay = exact(fit.x0) + "*exp(-(" + exact(fit.k) + ")*x)";
  return "set title 'part of the metal in the high state; filled: at zero dose'" +
         std::string(kTitleFont) + "$zero << END\n0 " + exact(fit.x0) + " " + exact(fit.sigma_x0) +
         "\nEND\nset ylabel " + literal("part of " + evaluation.element + " in the high state") +
         "\nset samples 300\nplot [0:*] " + decay + " with lines lw 1.4 lc rgb '" + kBrown +
         "' title 'first-order damage, fitted', $doses using 1:4:5 with yerrorbars pt 6 ps 0.9 lw "
         "1.1 lc rgb '" +
         kInk +
         "' title 'groups of exposures', $zero using 1:2:3 with yerrorbars pt 7 ps 1.1 lw "
         "1.6 lc rgb '" +
         kBrown + "' title 'zero dose'\n";
}

}  // namespace

std::string edge_figure(const Evaluation& evaluation, std::string_view title, Format format,
                        std::string_view output) {
  const bool fitted = !evaluation.fit.empty();
  std::string script = channels_block(evaluation);
  script += opening(title, evaluation.specimen.name, format, output, fitted ? 3 : 2);
  script += energy_range(evaluation) + sum_panel(evaluation) + lines_panel(evaluation);
  script += fitted ? residual_panel() : "";
  return script + "unset multiplot\nunset output\n";
}

std::string comparison_figure(const analysis::Comparison& comparison, const std::string& a,
                              const std::string& b, Format format, std::string_view output) {
  std::string script = "$channels << END\n";
  for (std::size_t i = 0; i < comparison.energy_ev.size(); ++i) {
    script += exact(comparison.energy_ev[i]) + " " + exact(comparison.edge[i]) + " " +
              exact(comparison.sigma[i]) + " " + exact(comparison.other[i]) + " " +
              exact(comparison.residual[i] / comparison.residual_sigma[i]) + "\n";
  }
  script += "END\n" + opening(a, "against " + b, format, output, 2);
  script +=
      "set xrange [" + exact(comparison.compared.from_ev - kBeforeBackground_ev) + ":" +
      exact(comparison.compared.to_ev) +
      "]\nset xlabel 'energy loss (eV)' offset 0,0.4\nset format y '%g'\n"
      "set title 'background and plural scattering removed'" +
      std::string(kTitleFont) +
      "set ylabel 'thousand counts per channel' offset -0.5\n"
      "plot $channels using 1:($2/1e3):($3/1e3) with yerrorlines pt 7 ps 0.15 lw 0.7 lc rgb '" +
      kInk + "' title " + literal(a, 60) +
      ", $channels using 1:($4/1e3) with lines lw 1.6 lc rgb '" + kBrown + "' title " +
      literal(b + ", scaled and shifted", 80) + "\nunset label 90\nunset label 91\n" +
      "set title 'what remains, in standard deviations of a channel'" + std::string(kTitleFont) +
      "set ylabel 'standard deviations'\nset yrange [-5:5]\nplot 0 with lines lc rgb '" + kGrey +
      "' notitle, $channels using 1:5 with points pt 7 ps 0.25 lc rgb '" + kInk + "' notitle\n";
  return script + "unset multiplot\nunset output\n";
}

std::string dose_figure(const Evaluation& evaluation, std::string_view title, Format format,
                        std::string_view output) {
  const bool fitted = evaluation.oxidation.has_value();
  std::string script = doses_block(evaluation);
  script += opening(title, evaluation.specimen.name, format, output, fitted ? 2 : 1);
  script +=
      "set xlabel 'dose (e/Å²)' offset 0,0.4\nset xrange [-0.5:*]\nset format y '%g'\n"
      "set title 'white-line ratio L3/L2, two-step' font ',11' offset 0,-0.4\n"
      "set ylabel 'L3/L2'\nplot $doses using 1:2:3 with yerrorbars pt 6 ps 0.9 lw 1.1 lc rgb '" +
      std::string(kInk) + "' notitle\nunset label 90\nunset label 91\n";
  script += fitted ? state_panel(evaluation) : "";
  return script + "unset multiplot\nunset output\n";
}

}  // namespace creel::report
