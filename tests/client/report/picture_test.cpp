#include "client/report/picture.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <regex>
#include <sstream>

#include "client/report/figure.h"
#include "client/report/gnuplot.h"

namespace creel::report {
namespace {

namespace fs = std::filesystem;
using session::Record;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

/// A session in memory.
class MemoryReader : public session::Reader {
 public:
  explicit MemoryReader(session::FrameShape shape) {
    documents_.shape = shape;
    documents_.name = "film-1";
    documents_.series_text =
        R"({"name": "film", "title": "A film", "specimen": {"elements": ["C", "Fe"]},
      "areas": [{"grid": "g7", "name": "a1"}],
      "microscope": {"dispersion_ev_per_channel": 0.5, "energy_offset_ev": -24}})";
  }
  void set_series(std::string text) { documents_.series_text = std::move(text); }
  void add(ExposureKind kind, const std::vector<std::uint16_t>& pixels, std::uint32_t flags = 0) {
    Record record;
    record.sequence = records_.size();
    record.exposure = records_.size();
    record.kind = static_cast<std::uint8_t>(kind);
    record.first_channel_ev = -24;
    record.exposure_set_ns = seconds(1).value;
    record.flags = flags;
    if (kind == ExposureKind::specimen) {
      record.area = 0;
      record.dose = 0.25;
    }
    records_.push_back(record);
    frames_.push_back(pixels);
  }
  void damage(std::size_t index) { damaged_.push_back(index); }

  [[nodiscard]] bool folded() const override { return true; }
  Result<void> read_frame(std::size_t index, std::span<std::byte> into) override {
    std::memcpy(into.data(), frames_[index].data(), into.size());
    if (std::find(damaged_.begin(), damaged_.end(), index) != damaged_.end()) {
      return Error{ErrorCode::corrupt, "checksum"};
    }
    return {};
  }
  [[nodiscard]] bool proven(std::size_t) const override { return true; }
  [[nodiscard]] std::string place(std::size_t index) const override {
    return "frame " + std::to_string(index);
  }
  Result<session::EventLog> each_event(const session::EventParser::Take&,
                                       const session::EventParser::Words&) override {
    return session::EventLog{};
  }
  Result<void> refresh() override { return {}; }

 private:
  std::vector<std::vector<std::uint16_t>> frames_;
  std::vector<std::size_t> damaged_;
};

constexpr session::FrameShape kSpectrum{1, 2048, session::Pixel::u16};

/// A zero loss, a plasmon and an iron edge on a falling background, on a dark of 100.
std::vector<std::uint16_t> film_frame() {
  std::vector<std::uint16_t> pixels(2048);
  for (std::size_t c = 0; c < pixels.size(); ++c) {
    const double loss = -24 + 0.5 * static_cast<double>(c);
    double counts =
        100 + 50000 * std::exp(-loss * loss / 2) + 900 * std::exp(-(loss - 23) * (loss - 23) / 60);
    counts += loss > 30 ? 300 * std::pow(loss / 30, -2.5) : 0;
    counts += 25 * std::exp(-(loss - 709) * (loss - 709) / 3) +
              12 * std::exp(-(loss - 722) * (loss - 722) / 4);
    pixels[c] = static_cast<std::uint16_t>(std::lround(counts));
  }
  return pixels;
}

TEST(Sums, AreOfSpecimenFramesWithDosesAndAxisFromTheSeries) {
  MemoryReader reader({1, 3, session::Pixel::u16});
  reader.add(ExposureKind::dark, {1, 1, 1});
  reader.add(ExposureKind::specimen, {2, 3, 4});
  reader.add(ExposureKind::specimen, {2, 3, 4});
  auto sums = sum_session(reader, {});
  ASSERT_TRUE(sums.ok()) << sums.error().text;
  EXPECT_THAT(sums->spectrum.counts, ElementsAre(2.0, 4.0, 6.0));
  EXPECT_EQ(sums->title, "A film");
  ASSERT_TRUE(sums->axis.has_value());
  EXPECT_DOUBLE_EQ(sums->axis->at(2), -23.0);
  EXPECT_THAT(sums->doses, ElementsAre(std::make_pair(std::string("g7/a1"), 0.5)));
  EXPECT_THAT(sums->remarks, ElementsAre());
  EXPECT_FALSE(sums->image.has_value());
}

TEST(Sums, SayWhatAReaderMustKnow) {
  MemoryReader reader({1, 2, session::Pixel::u16});
  reader.set_series(R"({"name": "x", "microscope": {"dispersion_ev_per_channel": "unknown"}})");
  reader.add(ExposureKind::zero_loss, {5, 6});
  reader.add(ExposureKind::zero_loss, {7, 8}, session::kSaturated);
  reader.add(ExposureKind::zero_loss, {9, 9}, session::kBroken);
  reader.add(ExposureKind::zero_loss, {60000, 60000});
  reader.damage(3);
  auto sums = sum_session(reader, {});
  ASSERT_TRUE(sums.ok());
  EXPECT_THAT(sums->spectrum.counts, ElementsAre(12.0, 14.0));
  EXPECT_FALSE(sums->axis.has_value());
  EXPECT_THAT(sums->remarks,
              ElementsAre(HasSubstr("kind zero_loss"), HasSubstr("no dark frames"),
                          HasSubstr("1 frame left out: broken"), HasSubstr("damaged on disk"),
                          HasSubstr("1 frame saturated"), HasSubstr("no energy axis")));
}

TEST(Sums, OfASessionWithoutUsableFramesAreRefused) {
  MemoryReader reader({1, 1, session::Pixel::u16});
  EXPECT_EQ(sum_session(reader, {}).error().code, ErrorCode::refused);
  reader.add(ExposureKind::specimen, {1}, session::kBroken);
  EXPECT_EQ(sum_session(reader, {}).error().code, ErrorCode::refused);
}

TEST(Sums, SurviveASeriesDocumentThatIsNone) {
  for (const char* text :
       {"", "[]", "7", "{\"microscope\": 3}", "{\"specimen\": {\"elements\": [1, null]}}",
        "{\"title\": {}, \"name\": []}"}) {
    MemoryReader reader({1, 1, session::Pixel::u16});
    reader.set_series(text);
    reader.add(ExposureKind::specimen, {1});
    auto sums = sum_session(reader, {});
    ASSERT_TRUE(sums.ok()) << text;
    EXPECT_EQ(sums->title, "film-1") << text;
  }
}

TEST(Sums, EndWhenAskedTo) {
  MemoryReader reader({1, 1, session::Pixel::u16});
  reader.add(ExposureKind::specimen, {1});
  reader.add(ExposureKind::specimen, {1});
  EXPECT_EQ(
      sum_session(reader, [](std::uint64_t done, std::uint64_t) { return done < 1; }).error().code,
      ErrorCode::cancelled);
}

TEST(Figure, TextIsTakenLiterally) {
  EXPECT_EQ(literal("it's"), "'it’s'");
  EXPECT_EQ(literal("a\nb\tc\x7f"), "'a b c '");
  EXPECT_EQ(literal("Ångström", 3), "'Ång…'");
  EXPECT_EQ(literal("`date`"), "'`date`'") << "gnuplot runs back-quotes only in double quotes";
}

class Drawing : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = ::testing::TempDir() + "creel-picture-XXXXXX";
    ASSERT_NE(::mkdtemp(pattern.data()), nullptr);
    directory_ = pattern;
  }
  void TearDown() override { fs::remove_all(directory_); }
  [[nodiscard]] std::string base() const { return directory_ + "/first"; }
  static std::string read(const std::string& path) {
    std::ifstream file(path, std::ios::binary);
    std::ostringstream text;
    text << file.rdbuf();
    return text.str();
  }
  std::string directory_;
};

TEST_F(Drawing, BringsSvgAndPngWithUnitsTitleFramesAndDose) {
  MemoryReader reader(kSpectrum);
  for (int i = 0; i < 2; ++i) reader.add(ExposureKind::dark, std::vector<std::uint16_t>(2048, 100));
  for (int i = 0; i < 3; ++i) reader.add(ExposureKind::specimen, film_frame());
  auto picture = draw_picture(reader, base(), {});
  ASSERT_TRUE(picture.ok()) << picture.error().text;
  const std::string svg = read(picture->svg);
  EXPECT_THAT(svg, HasSubstr("A film"));
  EXPECT_THAT(svg, HasSubstr("energy loss (eV)"));
  EXPECT_THAT(svg, HasSubstr("counts per channel"));
  EXPECT_THAT(svg, HasSubstr("sum of 3 specimen frames, 3 s exposed, mean of 2 darks subtracted"));
  EXPECT_THAT(svg, HasSubstr("g7/a1 0.75 e/Å²"));
  EXPECT_THAT(svg, HasSubstr("Fe L3 region"));
  // PNG signature: ISO/IEC 15948:2004 (W3C PNG, 2nd ed.), section 5.2.
  EXPECT_EQ(read(picture->png).substr(0, 8), "\x89PNG\r\n\x1a\n");
  EXPECT_EQ(std::distance(fs::directory_iterator(directory_), fs::directory_iterator()), 2)
      << "nothing else is left";
}

TEST_F(Drawing, ShowsFramesOfSeveralRowsAsAnImageToo) {
  MemoryReader reader({3, 4, session::Pixel::u16});
  reader.add(ExposureKind::specimen, {0, 0, 5, 0, 0, 9, 5, 0, 0, 0, 5, 0});
  auto picture = draw_picture(reader, base(), {});
  ASSERT_TRUE(picture.ok()) << picture.error().text;
  EXPECT_THAT(read(picture->svg), HasSubstr("mean frame"));
  EXPECT_THAT(read(picture->svg), Not(HasSubstr("Fe L3"))) << "four channels do not reach the edge";
}

TEST_F(Drawing, DrawsFlatAndEmptySpectra) {
  for (const std::uint16_t level : {std::uint16_t{0}, std::uint16_t{100}}) {
    for (const std::uint32_t columns : {1U, 2U, 5U}) {
      MemoryReader reader({1, columns, session::Pixel::u16});
      for (int i = 0; i < 2; ++i)
        reader.add(ExposureKind::dark, std::vector<std::uint16_t>(columns, level));
      for (int i = 0; i < 2; ++i)
        reader.add(ExposureKind::specimen, std::vector<std::uint16_t>(columns, 100));
      auto picture = draw_picture(reader, base(), {});
      ASSERT_TRUE(picture.ok()) << picture.error().text;
    }
  }
}

TEST_F(Drawing, NeverRunsWhatATitleSays) {
  MemoryReader reader({1, 3, session::Pixel::u16});
  const std::string mark = directory_ + "/mark";
  const std::string title =
      "'; system('touch MARK'); a='`touch MARK`\"@x {/Symbol a} $(touch MARK)\n!touch MARK";
  reader.set_series(
      nlohmann::json{{"title", std::regex_replace(title, std::regex("MARK"), mark)}}.dump());
  reader.add(ExposureKind::specimen, {1, 2, 3});
  auto picture = draw_picture(reader, base(), {});
  ASSERT_TRUE(picture.ok()) << picture.error().text;
  EXPECT_FALSE(fs::exists(mark));
  EXPECT_THAT(read(picture->svg), HasSubstr("system("));
}

TEST_F(Drawing, LeavesNothingBehindWhenItFails) {
  MemoryReader reader({1, 3, session::Pixel::u16});
  reader.add(ExposureKind::specimen, {1, 2, 3});
  EXPECT_EQ(draw_picture(reader, directory_ + "/none/first", {}).error().code,
            ErrorCode::storage_failed);
  EXPECT_TRUE(fs::is_empty(directory_));
}

TEST_F(Drawing, GnuplotsOwnWordsAreInTheError) {
  std::ofstream(directory_ + "/bad.gnuplot") << "plot nonsense_function(\n";
  const auto ran = run_gnuplot(directory_, "bad.gnuplot");
  ASSERT_FALSE(ran.ok());
  EXPECT_EQ(ran.error().code, ErrorCode::internal);
  EXPECT_THAT(ran.error().text, HasSubstr("bad.gnuplot"));
}

}  // namespace
}  // namespace creel::report
