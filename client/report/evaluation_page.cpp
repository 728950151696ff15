#include "client/report/evaluation_page.h"

#include <cmath>

#include "client/report/beside_lines.h"
#include "protocol/base/text.h"

namespace creel::report {

namespace {

using analysis::Evaluation;
using analysis::SessionReport;

using Line = analysis::CalibrationLine;

/// Beside the answer, never averaged with it.
void add_other_methods(const Evaluation& evaluation, std::vector<Line>& lines) {
  if (evaluation.by_areas) {
    lines.push_back({"for comparison: three areas of the lines",
                     with_error(evaluation.by_areas->x0, evaluation.by_areas->sigma_x0),
                     "part in the high state at zero dose, fitted over dose"});
  }
  for (const analysis::MethodAnswer& method : evaluation.methods) {
    const bool told = std::isfinite(method.x0);
    lines.push_back({"for comparison: " + method.name,
                     told ? with_error(method.x0, method.sigma_x0) : "withheld",
                     (told ? "" : method.withheld + "; ") + method.limits});
  }
}

void add_damage(const analysis::ComponentAnswer& fit, std::vector<Line>& lines) {
  lines.push_back(
      {"critical dose",
       fit.damage_told ? with_error(fit.critical_dose, fit.sigma_critical_dose) + " e/A^2"
                       : "not told by these data",
       fit.damage_told ? "first order in dose"
                       : "the damage rate is " + with_error(fit.k, fit.sigma_k) + " A^2/e"});
  lines.push_back({"the same without regard to damage", with_error(fit.plain_x, fit.sigma_plain_x),
                   "the mean over the exposures: biased by the damage, for comparison only"});
}

void add_state(const Evaluation& evaluation, std::vector<Line>& lines) {
  if (!evaluation.oxidation) {
    if (!evaluation.oxidation_withheld.empty()) {
      lines.push_back({"oxidation state", "withheld", evaluation.oxidation_withheld});
    }
    return;
  }
  const analysis::ComponentAnswer& fit = *evaluation.oxidation;
  const std::string when =
      evaluation.without_frames ? ", mean over its dose" : std::string(" at zero dose");
  lines.push_back({"oxidation state of " + evaluation.element + when,
                   with_error(evaluation.state, evaluation.sigma_state), ""});
  lines.push_back({"part in the high state" + when, with_error(fit.x0, fit.sigma_x0),
                   "other background windows change it by up to " +
                       number(evaluation.x0_by_background, 2) +
                       "; references 0.1 eV off would by " + number(evaluation.x0_by_tenth_ev, 2) +
                       " (not in the error)"});
  if (evaluation.bootstrap_evaluations > 1) {
    lines.push_back({"its error by the bootstrap", number(evaluation.bootstrap_sigma_x0, 2),
                     "scatter over " + std::to_string(evaluation.bootstrap_evaluations) +
                         " evaluations of exposures drawn anew"});
  }
  if (!evaluation.without_frames) {
    add_damage(fit, lines);
  }
  lines.push_back({"fit",
                   "deviance " + number(fit.chi_square, 4) + " for " +
                       std::to_string(fit.degrees_of_freedom) + " degrees of freedom",
                   "every channel of every dose group at once, by maximum likelihood"});
  add_other_methods(evaluation, lines);
}

std::vector<Line> answer_lines(const Evaluation& evaluation) {
  std::vector<Line> lines;
  if (evaluation.ratio) {
    lines.push_back({"white-line ratio L3/L2",
                     with_error(evaluation.ratio->value, evaluation.ratio->sigma),
                     "two-step method, mean over the exposures; other background windows change it "
                     "by up to " +
                         number(evaluation.ratio_by_background, 2)});
  } else {
    lines.push_back({"white-line ratio L3/L2", "withheld", evaluation.ratio_withheld});
  }
  add_state(evaluation, lines);
  if (evaluation.specimen.t_over_lambda) {
    lines.push_back({"thickness t/lambda", number(*evaluation.specimen.t_over_lambda, 3),
                     "in inelastic mean free paths, from the low loss"});
  }
  if (evaluation.without_frames) {
    return lines;
  }
  lines.push_back({"exposures", std::to_string(evaluation.specimen.specimen_frames),
                   std::to_string(evaluation.specimen.left_out) + " left out, " +
                       std::to_string(evaluation.specimen.spikes) +
                       " X-ray spikes removed, energy drift " +
                       number(evaluation.specimen.drift_least_ev, 2) + " to " +
                       number(evaluation.specimen.drift_most_ev, 2) + " eV corrected"});
  return lines;
}

/// One under the other, values in a column, notes indented.
std::string text_of(const std::vector<Line>& lines) {
  std::size_t width = 0;
  for (const Line& line : lines) {
    width = std::max(width, line.what.size());
  }
  std::string text;
  for (const Line& line : lines) {
    text += (text.empty() ? "" : "\n") + line.what +
            std::string(width + 2 - line.what.size(), ' ') + line.value +
            (line.note.empty() ? "" : "\n    " + line.note);
  }
  return text;
}

std::string escaped(const std::string& text) {
  std::string out;
  for (const char c : text) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      default:
        out += static_cast<unsigned char>(c) < 0x20 && c != '\n' && c != '\t' ? ' ' : c;
    }
  }
  return out;
}

/// Only the drawing itself: the XML declaration of a file has no place inside a page.
std::string drawing(const std::string& svg) {
  const auto begins = svg.find("<svg");
  return begins == std::string::npos ? "" : svg.substr(begins);
}

std::string row(const std::vector<std::string>& cells, const char* tag = "td") {
  std::string text = "<tr>";
  for (const std::string& cell : cells) {
    text += std::string("<") + tag + ">" + escaped(cell) + "</" + tag + ">";
  }
  return text + "</tr>\n";
}

std::string sessions_table(const Evaluation& evaluation) {
  std::string text =
      "<table>\n" + row({"session", "state", "L3/L2", "t/lambda", "exposures", "darks",
                         "zero-loss frames", "left out", "zero-loss width (eV)", "gain map"},
                        "th");
  const auto add = [&text](const SessionReport& one, const std::string& state) {
    text +=
        row({one.name, state, one.ratio ? with_error(one.ratio->value, one.ratio->sigma) : "none",
             one.t_over_lambda ? number(*one.t_over_lambda, 3) : "unknown",
             std::to_string(one.specimen_frames), std::to_string(one.dark_frames),
             std::to_string(one.zero_loss_frames), std::to_string(one.left_out),
             number(one.zero_loss_fwhm_ev, 3), one.gain_map.empty() ? "none" : one.gain_map});
  };
  add(evaluation.specimen, "asked for");
  for (const SessionReport& reference : evaluation.references) {
    add(reference, number(reference.state, 3));
  }
  return text + "</table>\n";
}

std::string table_row(const Line& line) {
  return "<tr><td>" + escaped(line.what) + "</td><td class=\"value\">" + escaped(line.value) +
         "</td><td class=\"note\">" + escaped(line.note) + "</td></tr>\n";
}

std::string calibration_table(const analysis::SeriesCalibration& calibration) {
  std::string text =
      "<h2>What the session says of the instrument</h2>\n<p class=\"note\">Measured beside the "
      "evaluation, which uses none of it. Software shutter control is not a personnel-safety "
      "interlock.</p>\n<table>\n";
  for (const Line& line : analysis::calibration_lines(calibration)) {
    text += table_row(line);
  }
  return text + "</table>\n";
}

std::string methods_table(const Evaluation& evaluation) {
  std::string text =
      "<h2>Other methods</h2>\n<p class=\"note\">The same counts, weighed differently; shown "
      "beside "
      "the answer and not averaged with it.</p>\n<table>\n" +
      row({"method", "quantity", "specimen", "low reference", "high reference",
           "part in the high state, mean", "at zero dose", "windows", "source"},
          "th");
  for (const analysis::MethodAnswer& one : evaluation.methods) {
    const auto told = [](double value, double sigma) {
      return std::isfinite(value) ? with_error(value, sigma) : std::string("withheld");
    };
    const auto plain = [](double value) {
      return std::isfinite(value) ? number(value, 4) : std::string("none");
    };
    text += row({one.name, one.quantity, told(one.value, one.sigma), plain(one.low_value),
                 plain(one.high_value), told(one.x, one.sigma_x), told(one.x0, one.sigma_x0),
                 one.windows, one.source});
  }
  return text + "</table>\n";
}

/// What is measured beside the white lines.
std::string beside_tables(const Evaluation& evaluation) {
  std::string text;
  for (const auto& [title, lines] : {std::pair{"Low loss", low_loss_lines(evaluation.low_loss)},
                                     std::pair{"Elements", element_lines(evaluation.elements)}}) {
    text += "<h2>" + std::string(title) + "</h2>\n<table>\n";
    for (const Line& line : lines) {
      text += table_row(line);
    }
    text += "</table>\n";
  }
  return text;
}

std::string windows_text(const analysis::WhiteLineWindows& windows) {
  const auto span = [](const analysis::Window& window) {
    return number(window.from_ev, 6) + " to " + number(window.to_ev, 6) + " eV";
  };
  return "Windows: background " + span(windows.background) + ", L3 " + span(windows.l3) + ", L2 " +
         span(windows.l2) + ", behind the lines " + span(windows.after) + ". Steps at " +
         number(windows.step3_ev, 6) + " and " + number(windows.step2_ev, 6) +
         " eV, 2:1 (Pearson, Ahn, Fultz, Phys. Rev. B 47, 8471 (1993); van Aken, Liebscher, Phys. "
         "Chem. Minerals 29, 188 (2002)).";
}

std::string provenance(const PageInput& input) {
  std::string text = "<ul>\n";
  const auto add = [&text](const char* what, const SessionInput& one) {
    text += "<li>" + std::string(what) + ": " + escaped(one.path) + ", begun " +
            utc_text(one.documents.start_utc_ns) + ", written by " +
            escaped(one.documents.software.dump()) + "</li>\n";
  };
  add("specimen", *input.specimen);
  for (const SessionInput* reference : input.references) {
    add("reference", *reference);
  }
  return text + "</ul>\n";
}

constexpr const char* kStyle =
    "body{font:16px/1.5 'DejaVu Sans',sans-serif;color:#27415e;max-width:60rem;margin:2rem "
    "auto;padding:0 1rem;background:#fff}h1{font-size:1.5rem}h2{font-size:1.1rem;margin-top:2rem}"
    "table{border-collapse:collapse;font-size:.85rem}td,th{border-bottom:1px solid "
    "#e3ddd0;padding:.3rem .6rem;text-align:left;vertical-align:top}th{color:#8a5a2b}"
    ".value{font-weight:bold;white-space:nowrap}.note{color:#5f6368}svg{width:100%;height:auto}";

}  // namespace

std::string answer_text(const Evaluation& evaluation) {
  std::string text = text_of(answer_lines(evaluation));
  for (const std::string& remark : evaluation.remarks) {
    text += "\nnote: " + remark;
  }
  return text;
}

std::string beside_text(const Evaluation& evaluation) {
  return "low loss:\n" + text_of(low_loss_lines(evaluation.low_loss)) + "\nelements:\n" +
         text_of(element_lines(evaluation.elements));
}

std::string calibration_text(const analysis::SeriesCalibration& calibration) {
  return "what the session says of the instrument (not used above):\n" +
         text_of(analysis::calibration_lines(calibration));
}

std::string evaluation_page(const Evaluation& evaluation, const PageInput& input) {
  const std::string title =
      input.specimen->series.document.value("title", evaluation.specimen.name);
  std::string page = "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>" +
                     escaped(title) + "</title><style>" + kStyle + "</style></head><body>\n<h1>" +
                     escaped(title) + "</h1>\n<table>\n";
  for (const Line& line : answer_lines(evaluation)) {
    page += table_row(line);
  }
  page += "</table>\n";
  for (const std::string& remark : evaluation.remarks) {
    page += "<p class=\"note\">Note: " + escaped(remark) + "</p>\n";
  }
  page += "<h2>The edge</h2>\n" + drawing(input.edge_svg) + "\n<p class=\"note\">" +
          escaped(windows_text(evaluation.windows)) + "</p>\n<h2>Against dose</h2>\n" +
          drawing(input.dose_svg) + "\n" + methods_table(evaluation) + beside_tables(evaluation) +
          "<h2>Sessions</h2>\n" + sessions_table(evaluation) +
          calibration_table(input.specimen->calibration) + "<h2>Where it comes from</h2>\n" +
          provenance(input);
  if (!input.results_file.empty()) {
    page += "<p class=\"note\">All numbers: " + escaped(input.results_file) + "</p>\n";
  }
  return page +
         "<p class=\"note\">Errors are one standard deviation. The dose scale has its own error, "
         "which moves the critical dose and not the oxidation state at zero dose.</p>\n"
         "</body></html>\n";
}

}  // namespace creel::report
