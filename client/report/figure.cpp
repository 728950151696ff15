#include "client/report/figure.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "daemon/spectra/edges.h"
#include "protocol/base/text.h"

namespace creel::report {

namespace {

constexpr const char* kPalette = "0 '#f6f4ef', 0.35 '#b9c6d6', 0.7 '#5d7da0', 1 '#1c2f45'";

constexpr const char* kTitle = " font ',11' offset 0,-0.4\n";

constexpr double kBeforeEdge_ev = 27;
constexpr double kAfterEdge_ev = 43;

double position(const Sums& sums, std::size_t channel) {
  return sums.axis ? sums.axis->at(static_cast<double>(channel) + 0.5)
                   : static_cast<double>(channel);
}

std::string data_block(const Sums& sums) {
  std::string block = "$sum << END\n";
  for (std::size_t c = 0; c < sums.spectrum.counts.size(); ++c) {
    const double counts = sums.spectrum.counts[c];
    const double sigma = sums.spectrum.sigma[c];
    block += exact(position(sums, c)) + " " + exact(counts) + " " + exact(counts - sigma) + " " +
             exact(counts + sigma) + "\n";
  }
  return block + "END\n";
}

std::string image_block(const Image& image) {
  std::string block = "$image << END\n";
  for (std::uint32_t row = 0; row < image.rows; ++row) {
    for (std::uint32_t column = 0; column < image.columns; ++column) {
      block += exact(image.mean[std::size_t{row} * image.columns + column]) + " ";
    }
    block += "\n";
  }
  return block + "END\n";
}

std::string subtitle(const Sums& sums) {
  const analysis::Spectrum& spectrum = sums.spectrum;
  std::string text = sums.session + ": sum of " + std::to_string(spectrum.frames) + " " +
                     std::string(exposure_kind_name(spectrum.kind)) +
                     (spectrum.frames == 1 ? " frame, " : " frames, ") +
                     time_span(in_seconds(spectrum.exposure)) + " exposed";
  if (spectrum.dark_corrected) {
    text += ", mean of " + std::to_string(spectrum.darks) +
            (spectrum.darks == 1 ? " dark" : " darks") + " subtracted";
  }
  return text;
}

std::vector<std::string> caption(const Sums& sums) {
  std::string doses;
  for (const auto& [area, dose] : sums.doses) {
    doses +=
        (doses.empty() ? "dose of this session: " : "; ") + area + " " + number(dose, 4) + " e/Å²";
  }
  std::vector<std::string> lines{doses.empty() ? "no dose was given to any area" : doses};
  lines.insert(lines.end(), sums.remarks.begin(), sums.remarks.end());
  if (sums.axis) {
    lines.emplace_back("energy axis as typed in the series file, not calibrated");
  }
  return lines;
}

std::string edge_panel(const analysis::Edge& edge) {
  const double from = edge.onset_ev - kBeforeEdge_ev;
  const double to = edge.onset_ev + kAfterEdge_ev;
  const std::string onset = exact(edge.onset_ev);
  return "set title " + literal(edge.name() + " region; band: one standard deviation") + kTitle +
         "unset logscale y\nset format y '%.7g'\n"
         "set xrange [" +
         exact(from) + ":" + exact(to) +
         "]\nset autoscale y\n"
         "set arrow 1 from " +
         onset + ", graph 0 to " + onset + ", graph 1 nohead dt 3 lw 1.2 lc rgb '" + kBrown +
         "'\n" + "set label 1 " + literal(edge.name() + " " + number(edge.onset_ev, 4) + " eV") +
         " at " + onset + ", graph 0.94 right offset -0.6,0 font ',9' tc rgb '" + kBrown + "'\n" +
         "plot $sum using 1:3:4 with filledcurves lc rgb '" + kInkBand +
         "' notitle, "
         "$sum using 1:2 with lines lw 1.3 lc rgb '" +
         kInk +
         "' notitle\n"
         "unset arrow 1\nunset label 1\n";
}

/// Counts from dark to bright; logarithmic, so that more than the zero loss is seen.
std::string image_panel(const Image& image) {
  const auto [low, high] = std::minmax_element(image.mean.begin(), image.mean.end());
  const bool logarithmic = *low > 0 && *high > *low;
  std::string binned;
  if (image.bin_rows > 1 || image.bin_columns > 1) {
    binned = ", in cells of " + std::to_string(image.bin_rows) + " x " +
             std::to_string(image.bin_columns) + " pixels";
  }
  const double tall = image.bin_rows;
  const double wide = image.bin_columns;
  return "set title " + literal("mean frame, counts per pixel as stored" + binned) + kTitle +
         "unset logscale y\nset format y '%g'\nset xlabel 'column' offset 0,0.4\nset ylabel 'row'\n"
         "set xrange [-0.5:" +
         exact(image.columns * wide - 0.5) +
         "]\n"
         "set yrange [" +
         exact(image.rows * tall - 0.5) +
         ":-0.5]\n"
         "set palette defined (" +
         kPalette + ")\nset colorbox\n" +
         (logarithmic ? "set logscale cb\nset format cb '10^{%T}'\n" : "") +
         "plot $image matrix using ($1*" + exact(wide) + "+" + exact((wide - 1) / 2) + "):($2*" +
         exact(tall) + "+" + exact((tall - 1) / 2) + "):3 with image notitle\n";
}

std::string header(const Sums& sums, Format format, std::string_view output, int panels) {
  const int height = 160 + 340 * panels;
  std::string text = figure_setup(format, output, height);
  const std::vector<std::string> lines = caption(sums);
  const double line = 15.0 / height;
  const double bottom = line * static_cast<double>(lines.size()) + 14.0 / height;
  const double top = 1.0 - 56.0 / height;
  text += "set label 90 " + literal(sums.title, 90) + " noenhanced at screen 0.02, screen " +
          exact(1 - 20.0 / height) + " font ',15' tc rgb '" + kInk + "'\n";
  text += "set label 91 " + literal(subtitle(sums)) + " noenhanced at screen 0.02, screen " +
          exact(1 - 42.0 / height) + " font ',10' tc rgb '" + kGrey + "'\n";
  for (std::size_t i = 0; i < lines.size(); ++i) {
    text += "set label " + std::to_string(100 + i) + " " + literal(lines[i], 140) +
            " noenhanced at screen 0.02, screen " +
            exact(line * static_cast<double>(lines.size() - i)) + " font ',9' tc rgb '" + kGrey +
            "'\n";
  }
  text += "set multiplot layout " + std::to_string(panels) + ",1 margins screen 0.11," +
          (sums.image ? "0.87," : "0.96,") + exact(bottom + 56.0 / height) + "," +
          exact(top - 34.0 / height) + " spacing screen " + exact(104.0 / height) + "\n";
  return text;
}

/// The whole spectrum; logarithmic when there is something above one count, so that edges far below
/// the zero loss are seen.
std::string whole_panel(const Sums& sums) {
  const std::vector<double>& counts = sums.spectrum.counts;
  const double highest = *std::max_element(counts.begin(), counts.end());
  const bool logarithmic = highest > 1;
  std::string text =
      "set title " + literal(logarithmic ? "all channels, logarithmic" : "all channels") + kTitle;
  text += "set ylabel 'counts per channel'\n";
  text += std::string("set xlabel ") + (sums.axis ? "'energy loss (eV)'" : "'channel'") +
          " offset 0,0.4\n";
  text += "set xrange [" + exact(position(sums, 0)) + ":" +
          exact(position(sums, std::max<std::size_t>(counts.size(), 2) - 1)) + "]\n";
  text += logarithmic ? "set logscale y\nset format y '10^{%T}'\nset yrange [" +
                            exact(std::max(0.5, highest * 1e-6)) + ":*]\n"
                      : "set format y '%.7g'\n";
  return text + "plot $sum using 1:2 with lines lw 1.1 lc rgb '" + kInk + "' notitle\n" +
         "unset label 90\nunset label 91\n";
}

}  // namespace

std::string figure_script(const Sums& sums, Format format, std::string_view output) {
  std::optional<analysis::Edge> edge;
  if (sums.axis && !sums.spectrum.counts.empty()) {
    edge = analysis::edge_to_show(sums.elements, position(sums, 0),
                                  position(sums, sums.spectrum.counts.size() - 1));
  }
  const int panels = 1 + (edge ? 1 : 0) + (sums.image ? 1 : 0);
  std::string script = data_block(sums);
  if (sums.image) {
    script += image_block(*sums.image);
  }
  script += header(sums, format, output, panels);
  script += whole_panel(sums);
  for (std::size_t i = 0; i < caption(sums).size(); ++i) {
    script += "unset label " + std::to_string(100 + i) + "\n";
  }
  if (edge) {
    script += edge_panel(*edge);
  }
  if (sums.image) {
    script += image_panel(*sums.image);
  }
  return script + "unset multiplot\nunset output\n";
}

}  // namespace creel::report
