// What a person gets to see of an evaluation: the lines, the page, the figures.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>

#include "client/report/evaluation_figure.h"
#include "client/report/evaluation_page.h"

namespace creel::report {
namespace {

using analysis::Evaluation;
using testing::HasSubstr;
using testing::Not;

/// A small one, every part filled by hand.
Evaluation evaluation() {
  Evaluation made;
  made.element = "Fe";
  made.windows = *analysis::white_line_windows("Fe");
  made.specimen.name = "ink-film-1";
  made.specimen.specimen_frames = 120;
  made.specimen.spikes = 7;
  made.specimen.t_over_lambda = 0.36;
  for (int i = 0; i < 420; ++i) {
    made.energy_ev.push_back(620.25 + 0.5 * i);
    made.sum.push_back(1e5 - 100.0 * i);
    made.sum_sigma.push_back(300);
    made.edge_sigma.push_back(400);
    made.residual_sigma.push_back(450);
    made.background.push_back(0.9e5 - 100.0 * i);
    made.edge.push_back(1e4 + (i % 7) * 100);
    made.steps.push_back(5e3);
    made.fit.push_back(1e4);
    made.residual.push_back((i % 7) * 100);
  }
  made.ratio = analysis::Ratio{5.334, 0.762, 4.6, 6.1};
  made.by_dose = {{1, 5.0, 0.4, 0.7, 0.08, 0.69, 12},
                  {3, std::nan(""), std::nan(""), 0.6, 0.08, 0.6, 12}};
  analysis::ComponentAnswer fit;
  fit.x0 = 0.7183;
  fit.sigma_x0 = 0.0604;
  fit.k = 0.033;
  fit.sigma_k = 0.007;
  fit.damage_told = true;
  fit.critical_dose = 30.0;
  fit.sigma_critical_dose = 6.4;
  fit.plain_x = 0.496;
  fit.sigma_plain_x = 0.034;
  fit.chi_square = 9;
  fit.degrees_of_freedom = 18;
  made.oxidation = fit;
  made.state = 2.7183;
  made.sigma_state = 0.0604;
  return made;
}

SessionInput session(const std::string& title) {
  SessionInput input;
  input.path = "/sessions/ink-film-1.h5";
  input.documents.name = "ink-film-1";
  input.documents.software = {{"name", "creeld"}, {"version", "0.1.0"}};
  input.series.document = {{"title", title}};
  return input;
}

TEST(Answer, SaysStateErrorAndWhatTheErrorDoesNotHold) {
  const std::string text = answer_text(evaluation());
  EXPECT_THAT(text, HasSubstr("oxidation state of Fe at zero dose"));
  EXPECT_THAT(text, HasSubstr("2.718 +- 0.060"));
  EXPECT_THAT(text, HasSubstr("5.33 +- 0.76"));
  EXPECT_THAT(text, HasSubstr("30.0 +- 6.4 e/A^2"));
  EXPECT_THAT(text, HasSubstr("not in the error"));
  EXPECT_THAT(text, HasSubstr("biased by the damage"));
}

TEST(Answer, WhatIsWithheldComesWithItsReason) {
  Evaluation without = evaluation();
  without.ratio.reset();
  without.ratio_withheld = "L2 does not stand out";
  without.oxidation.reset();
  without.oxidation_withheld = "no reference sessions were given";
  const std::string text = answer_text(without);
  EXPECT_THAT(text, HasSubstr("withheld\n    L2 does not stand out"));
  EXPECT_THAT(text, HasSubstr("withheld\n    no reference sessions were given"));
  EXPECT_THAT(text, Not(HasSubstr("nan")));
}

TEST(Answer, DamageThatIsNotToldIsNotACriticalDose) {
  Evaluation undamaged = evaluation();
  undamaged.oxidation->damage_told = false;
  undamaged.oxidation->critical_dose = std::nan("");
  const std::string text = answer_text(undamaged);
  EXPECT_THAT(text, HasSubstr("not told by these data"));
  EXPECT_THAT(text, Not(HasSubstr("nan")));
}

TEST(Page, EscapesWhatComesFromFiles) {
  const SessionInput specimen = session("<script>alert(\"ink\")</script>");
  PageInput input;
  input.specimen = &specimen;
  input.edge_svg = "<?xml version=\"1.0\"?>\n<svg width=\"10\"></svg>";
  const std::string page = evaluation_page(evaluation(), input);
  EXPECT_THAT(page, Not(HasSubstr("<script>")));
  EXPECT_THAT(page, HasSubstr("&lt;script&gt;alert(&quot;ink&quot;)"));
  EXPECT_THAT(page, HasSubstr("<svg width=\"10\">"));
  EXPECT_THAT(page, Not(HasSubstr("<?xml"))) << "a page holds the drawing, not the file";
  EXPECT_THAT(page, HasSubstr("2.718 +- 0.060"));
}

int times(const std::string& what, const std::string& text) {
  int found = 0;
  for (auto at = text.find(what); at != text.npos; at = text.find(what, at + 1)) {
    ++found;
  }
  return found;
}

TEST(EvaluationFigures, AreDrawnAlsoWhereNumbersAreMissing) {
  if (std::system("command -v gnuplot >/dev/null 2>&1") != 0) {
    GTEST_SKIP() << "gnuplot is not installed";
  }
  std::string folder = testing::TempDir() + "creel-figures-XXXXXX";
  ASSERT_NE(::mkdtemp(folder.data()), nullptr);
  Evaluation bare = evaluation();
  bare.oxidation.reset();
  bare.fit.clear();
  bare.residual.clear();
  int number = 0;
  for (const Evaluation& one : {evaluation(), bare}) {
    const std::string base = folder + "/figure-" + std::to_string(number++);
    const auto edge = draw_files(base + "-edge", [&](Format format, std::string_view output) {
      return edge_figure(one, "it's an ink film", format, output);
    });
    ASSERT_TRUE(edge.ok()) << edge.error().text;
    const auto dose = draw_files(base + "-dose", [&](Format format, std::string_view output) {
      return dose_figure(one, "it's an ink film", format, output);
    });
    ASSERT_TRUE(dose.ok()) << dose.error().text;
    const auto drawn = [&base](const std::string& which) {
      std::ifstream file(base + which);
      return std::string(std::istreambuf_iterator<char>(file), {});
    };
    const std::string svg = drawn("-edge.svg");
    // Each panel's axis says what it is; with too little room the lowest one's was left out.
    EXPECT_EQ(times("energy loss (eV)", svg), one.fit.empty() ? 2 : 3);
    EXPECT_EQ(times("dose (e/", drawn("-dose.svg")), one.oxidation ? 2 : 1);
    EXPECT_EQ(svg.find("mixture of the references") != std::string::npos, !one.fit.empty());
  }
  std::filesystem::remove_all(folder);
}

}  // namespace
}  // namespace creel::report
