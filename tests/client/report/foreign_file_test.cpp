// Spectra of other programs: read as their formats say, refused with one clear sentence, and
// evaluated end to end from files that an independent script wrote.
#include "client/report/foreign_file.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <memory>
#include <random>

#include "daemon/analysis/comparison.h"
#include "daemon/analysis/evaluate.h"

namespace creel::report {
namespace {

using ::testing::HasSubstr;

std::string msa(const std::string& kind, const std::string& body, int points = 16) {
  return "#FORMAT      : EMSA/MAS Spectral Data File\r\n#VERSION     : 1.0\r\n#NPOINTS     : " +
         std::to_string(points) +
         "\r\n#XUNITS      : eV\r\n#XPERCHAN -eV : 0.5\r\n#OFFSET -eV : 100\r\n" +
         "#DATATYPE    : " + kind + "\r\n#SPECTRUM    : here\r\n" + body + "#ENDOFDATA   :\r\n";
}
std::string sixteen() {
  std::string body;
  for (int i = 0; i < 16; ++i) {
    body += std::to_string(i) + (i % 4 == 3 ? ".\r\n" : "., ");
  }
  return body;
}

TEST(Iso22029Reading, TakesBothKindsOfData) {
  const auto y = parse_iso22029(msa("Y", sixteen()), "y.msa");
  ASSERT_TRUE(y.ok()) << y.error().text;
  EXPECT_EQ(y->counts.size(), 16U);
  EXPECT_EQ(y->counts[15], 15);
  EXPECT_DOUBLE_EQ(y->grid.centre(0), 100);  // the offset is the middle of channel one
  EXPECT_DOUBLE_EQ(y->grid.dispersion_ev, 0.5);
  std::string pairs;
  for (int i = 0; i < 16; ++i) {
    pairs += std::to_string(100 + 0.25 * i) + ", " + std::to_string(i) + "\n";
  }
  const auto xy = parse_iso22029(msa("XY", pairs), "xy.msa");
  ASSERT_TRUE(xy.ok()) << xy.error().text;
  EXPECT_NEAR(xy->grid.dispersion_ev, 0.25, 1e-9);
}

TEST(Iso22029Reading, SaysWhatIsWrong) {
  const auto text = [](const Result<analysis::ForeignSpectrum>& made) {
    return made.ok() ? std::string("read") : made.error().text;
  };
  EXPECT_THAT(text(parse_iso22029("", "a.msa")), HasSubstr("a.msa: no ISO 22029"));
  EXPECT_THAT(text(parse_iso22029(msa("Y", sixteen(), 17), "a.msa")),
              HasSubstr("#NPOINTS says 17, the file holds 16 points"));
  EXPECT_THAT(text(parse_iso22029(msa("Y", "1, 2, two\r\n"), "a.msa")),
              HasSubstr("line 9: \"two\" is no number"));
  EXPECT_THAT(text(parse_iso22029(msa("Z", sixteen()), "a.msa")), HasSubstr("must be XY or Y"));
  std::string cut = msa("Y", sixteen());
  cut.resize(cut.size() - 16);
  EXPECT_THAT(text(parse_iso22029(cut, "a.msa")), HasSubstr("#ENDOFDATA is missing"));
}

TEST(CsvReading, TakesOneLineOfNamesAndNoMore) {
  std::string good = "# comment\nenergy (eV),counts\n";
  for (int i = 0; i < 20; ++i) {
    good += std::to_string(i) + "," + std::to_string(10 * i) + ",0.5\n";
  }
  const auto made = parse_csv(good, "a.csv");
  ASSERT_TRUE(made.ok()) << made.error().text;
  EXPECT_EQ(made->counts[19], 190);
  EXPECT_THAT(parse_csv(good + "x,y\n", "a.csv").error().text, HasSubstr("line 23 is \"x,y\""));
  std::string uneven = good + "25,1\n";
  EXPECT_THAT(parse_csv(uneven, "a.csv").error().text, HasSubstr("not even"));
  EXPECT_THAT(parse_csv("1,2\n", "a.csv").error().text, HasSubstr("at least 16"));
}

TEST(SpectrumNames, AreToldApartByTheirEnding) {
  EXPECT_THAT(read_spectrum("film.dat").error().text, HasSubstr("must be .msa"));
  EXPECT_THAT(read_spectrum("/nowhere/film.msa").error().text, HasSubstr("cannot be opened"));
  EXPECT_THAT(read_spectrum("/nowhere/film.h5:/a/b").error().text, HasSubstr("HDF5"));
}

TEST(ForeignText, DamagedInAnyWayIsReadOrRefusedInASentence) {
  const std::string good = msa("Y", sixteen());
  std::mt19937 random(5);
  int refused = 0;
  for (int i = 0; i < 4000; ++i) {
    std::string text = good;
    for (int change = static_cast<int>(random() % 4); change >= 0; --change) {
      const std::size_t at = random() % text.size();
      switch (random() % 3) {
        case 0:
          text[at] = static_cast<char>(random());
          break;
        case 1:
          text.erase(at, random() % 30);
          break;
        default:
          text.insert(at, text.substr(random() % text.size(), random() % 30));
      }
      if (text.empty()) text = "#";
    }
    for (const auto& made : {parse_iso22029(text, "a.msa"), parse_csv(text, "a.csv")}) {
      refused += made.ok() ? 0 : 1;
      EXPECT_TRUE(made.ok() ? made->counts.size() == made->grid.channels
                            : made.error().text.starts_with("a."));
    }
  }
  EXPECT_GT(refused, 4000);  // no CSV among them, and most are damaged
}

class ForeignFiles : public testing::Test {
 protected:
  void SetUp() override {
    std::string made = testing::TempDir() + "creel-foreign-XXXXXX";
    ASSERT_NE(::mkdtemp(made.data()), nullptr);
    folder_ = made;
    const std::string command =
        "/usr/bin/python3 " CREEL_TEST_FOLDER "/make_spectra.py " + folder_ + " 7";
    std::unique_ptr<std::FILE, int (*)(std::FILE*)> out(::popen(command.c_str(), "r"), ::pclose);
    ASSERT_EQ(std::fscanf(out.get(), "%lf %lf", &x_, &t_over_lambda_), 2) << "the script failed";
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  [[nodiscard]] Result<analysis::SessionSpectra> read(const std::string& name,
                                                      const std::string& low) const {
    const auto core = read_spectrum(folder_ + "/" + name);
    if (!core) return core.error();
    const auto low_loss = read_spectrum(folder_ + "/" + low);
    if (!low_loss) return low_loss.error();
    return analysis::as_session(*core, &*low_loss, 1);
  }

  std::string folder_;
  double x_ = 0, t_over_lambda_ = 0;
};

TEST_F(ForeignFiles, OfAnIndependentScriptGiveItsOwnNumbers) {
  const auto fe2 = read("fe2.msa", "fe2-low.csv");
  const auto fe3 = read("fe3.csv", "fe3-low.csv");
  ASSERT_TRUE(fe2.ok()) << fe2.error().text;
  ASSERT_TRUE(fe3.ok()) << fe3.error().text;
  const analysis::Reference references[] = {{&*fe2, 2.0}, {&*fe3, 3.0}};
  analysis::EvaluationOptions options;
  options.law = analysis::DamageLaw::none;
  options.without_frames = true;
  for (const char* name : {"film.msa", "film.h5:/entry/data/counts",
                           "film.h5:/entry/data/counts:/entry/data/energy"}) {
    const auto film = read(name, "film-low.csv");
    ASSERT_TRUE(film.ok()) << name << ": " << film.error().text;
    const auto made = analysis::evaluate(*film, references, options);
    ASSERT_TRUE(made.ok()) << made.error().text;
    ASSERT_TRUE(made->oxidation) << made->oxidation_withheld;
    std::printf("  %s: x %.4f +- %.4f, true %.2f; t/lambda %.3f, true %.2f\n", name,
                made->oxidation->x0, made->oxidation->sigma_x0, x_, *made->specimen.t_over_lambda,
                t_over_lambda_);
    EXPECT_NEAR(made->oxidation->x0, x_, 4 * made->oxidation->sigma_x0);
    EXPECT_LT(made->oxidation->sigma_x0, 0.05);
    EXPECT_NEAR(*made->specimen.t_over_lambda, t_over_lambda_, 0.02);
  }
}

TEST_F(ForeignFiles, LieOnEachOtherWhereTheyAreAlike) {
  const auto windows = analysis::white_line_windows("Fe");
  const auto film = read("film.msa", "film-low.csv");
  const auto fe2 = read("fe2.msa", "fe2-low.csv");
  const auto fe3 = read("fe3.csv", "fe3-low.csv");
  ASSERT_TRUE(film.ok() && fe2.ok() && fe3.ok() && windows.ok());
  const auto same = analysis::compare_edges(*film, *film, *windows);
  ASSERT_TRUE(same.ok()) << same.error().text;
  EXPECT_NEAR(same->scale, 1, 1e-6);
  EXPECT_NEAR(same->shift_ev, 0, 1e-6);
  EXPECT_NEAR(same->chi_square, 0, 1e-6);
  // Fe(III) lies 1.7 eV above Fe(II): what the script was told (van Aken, Liebscher, Styrsa 1998).
  // The script's lines have one shape and another ratio, so L3 carries the shift.
  const auto apart = analysis::compare_edges(*fe3, *fe2, *windows);
  ASSERT_TRUE(apart.ok()) << apart.error().text;
  std::printf("  Fe(III) on Fe(II): shift %.3f +- %.3f eV, scale %.3f, chi-square %.0f of %llu\n",
              apart->shift_ev, apart->sigma_shift_ev, apart->scale, apart->chi_square,
              static_cast<unsigned long long>(apart->degrees_of_freedom));
  EXPECT_NEAR(apart->shift_ev, 1.7, 0.05);
  EXPECT_GT(apart->chi_square, 2.0 * static_cast<double>(apart->degrees_of_freedom));
}

}  // namespace
}  // namespace creel::report
