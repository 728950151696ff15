// compare: one edge laid on another, whoever recorded them.

#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "client/cli/commands.h"
#include "client/cli/meter.h"
#include "client/report/drawing.h"
#include "client/report/evaluation_figure.h"
#include "client/report/evaluation_input.h"
#include "client/report/foreign_file.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

/// Without folders and ending, for figures.
std::string plain_name(const std::string& name) {
  return std::filesystem::path(name.substr(0, name.find(":/"))).stem().string();
}

bool is_spectrum_file(const std::string& name) {
  const auto ends = [&name](const char* ending) { return name.ends_with(ending); };
  return name.find(":/") != std::string::npos || ends(".msa") || ends(".emsa") || ends(".csv") ||
         ends(".txt");
}

Result<analysis::SessionSpectra> spectra_of(const Common& common, const std::string& name) {
  if (is_spectrum_file(name)) {
    const auto spectrum = report::read_spectrum(name);
    if (!spectrum.ok()) return spectrum.error();
    return analysis::as_session(*spectrum, nullptr, 1);
  }
  auto path = locate(common, name);
  if (!path.ok()) return path.error();
  const auto source = session::native_source();
  Meter meter(common.progress, "reading " + name);
  auto input = report::read_session(*source, *path, nullptr,
                                    [&meter](std::uint64_t done, std::uint64_t total) {
                                      meter.at(done, total);
                                      return true;
                                    });
  if (!input.ok()) return input.error();
  return std::move(input->spectra);
}

/// B on A's dispersion; a session's counts as those of a spectrum without frames then.
Result<analysis::Comparison> compared(const analysis::SessionSpectra& a, analysis::SessionSpectra b,
                                      const std::string& element) {
  const auto windows = analysis::white_line_windows(element);
  if (!windows.ok()) return windows.error();
  if (b.core.size() == 1 && b.dispersion_ev != a.dispersion_ev) {
    const analysis::FrameGroup& group = b.core.front();
    const analysis::ForeignSpectrum as_it_is{
        b.name, {group.first_ev, b.dispersion_ev, b.channels}, group.counts};
    const double channels = static_cast<double>(b.channels) * b.dispersion_ev / a.dispersion_ev;
    auto there = analysis::as_session(
        analysis::rebinned(as_it_is,
                           {group.first_ev, a.dispersion_ev, static_cast<std::size_t>(channels)}),
        nullptr, 1);
    if (!there.ok()) return there.error();
    b = std::move(*there);
  }
  return analysis::compare_edges(a, b, *windows);
}

json object_of(const analysis::Comparison& made) {
  return {{"scale", made.scale},
          {"scale_sigma", made.sigma_scale},
          {"shift_ev", made.shift_ev},
          {"shift_ev_sigma", made.sigma_shift_ev},
          {"chi_square", made.chi_square},
          {"degrees_of_freedom", made.degrees_of_freedom},
          {"energy_ev", made.energy_ev},
          {"edge_counts", made.edge},
          {"other_counts", made.other},
          {"residual_counts", made.residual},
          {"residual_counts_sigma", made.residual_sigma}};
}

std::string text_of(const analysis::Comparison& made) {
  const auto freedom = static_cast<double>(made.degrees_of_freedom);
  const bool alike = made.chi_square < freedom + 3.5 * std::sqrt(2 * freedom);
  return "scale  " + number(made.scale, 5) + " +- " + number(made.sigma_scale, 2) + "\nshift  " +
         number(made.shift_ev, 3) + " +- " + number(made.sigma_shift_ev, 2) +
         " eV (above 0: A lies higher)\nfit    chi^2 " + number(made.chi_square, 4) + " for " +
         number(freedom, 6) + " degrees of freedom: " +
         (alike ? "within the noise the two have one shape"
                : "the shapes differ beyond the noise") +
         "\nErrors take channels as independent; background and references' own errors are not in "
         "them.";
}

}  // namespace

Answer compare(const Common& common, const CompareOrder& order) {
  auto a = spectra_of(common, order.a);
  auto b = spectra_of(common, order.b);
  for (const auto* one : {&a, &b}) {
    if (!one->ok()) return failure("compare", exit_of(one->error().code), one->error());
  }
  const auto made = compared(*a, std::move(*b), order.element);
  if (!made.ok()) {
    return failure("compare", exit_of(made.error().code), made.error());
  }
  Answer answer;
  answer.object = object_of(*made);
  answer.text = text_of(*made);
  if (!order.out.empty()) {
    const auto drawn =
        report::draw_files(order.out, [&](report::Format format, std::string_view output) {
          return report::comparison_figure(*made, plain_name(order.a), plain_name(order.b), format,
                                           output);
        });
    const auto written = report::write_whole(order.out + ".json", object_of(*made).dump(1) + "\n");
    for (const auto* one : {&drawn, &written}) {
      if (!one->ok()) return failure("compare", exit_of(one->error().code), one->error());
    }
    answer.text += "\nfigure " + order.out + ".png, numbers " + order.out + ".json";
  }
  return answer;
}

}  // namespace creel::cli
