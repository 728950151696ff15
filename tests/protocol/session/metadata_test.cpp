// The table of metadata against DEVELOPERS.md, and against sessions from which items were taken
// out.
#include "protocol/session/metadata.h"

#include <H5Cpp.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <set>
#include <sstream>

#include "daemon/platform/disk.h"
#include "daemon/store/session.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/sample_session.h"

namespace creel::session {
namespace {

using testing::AllOf;
using testing::Contains;
using testing::Field;
using testing::HasSubstr;
namespace fs = std::filesystem;
namespace sample = store::sample;

TEST(Metadata, DevelopersMdShowsThisTable) {
  const char* source = std::getenv("CREEL_SOURCE");
  ASSERT_NE(source, nullptr) << "run this test through ctest";
  std::ifstream file(std::string(source) + "/DEVELOPERS.md");
  std::stringstream text;
  text << file.rdbuf();
  const auto all = text.str();
  const auto begin = all.find("| what | where | from | when |");
  ASSERT_NE(begin, std::string::npos);
  const auto end = all.find("\n\n", begin);
  EXPECT_EQ(all.substr(begin, end + 1 - begin), metadata_table())
      << "copy what is expected here into DEVELOPERS.md";
}

TEST(Metadata, NoItemStandsTwiceInTheTable) {
  std::set<std::string> paths, names;
  for (const auto& item : kMetadata) {
    EXPECT_TRUE(paths.insert(item.path).second) << item.path;
    EXPECT_TRUE(names.insert(item.what).second) << item.what;
    EXPECT_EQ(std::string(item.what).find('|'), std::string::npos);
    EXPECT_EQ(item.when == When::known, *item.source != '\0' && item.when != When::always)
        << item.what << ": what is there when known names its source, and nothing else does";
  }
}

TEST(Metadata, UnknownIsNotExpected) {
  for (const char* nothing : {"null", "\"\"", "\"unknown\"", "[]", "{}"}) {
    EXPECT_FALSE(known(nlohmann::json::parse(nothing))) << nothing;
  }
  for (const char* something : {"0", "false", "\"x\"", "[0]", "{\"a\": 1}"}) {
    EXPECT_TRUE(known(nlohmann::json::parse(something))) << something;
  }
}

// Documents are read from files: anything may be in them.
TEST(Metadata, HostileDocumentsExpectWhatIsAlwaysThere) {
  for (const char* text :
       {"", "[]", "7", "{\"areas\": 3, \"devices\": [1, {\"name\": 2}], \"beam\": []}",
        "{\"devices\": {\"detector\": {\"detector\": 1}}, \"microscope\": \"none\"}"}) {
    Documents documents;
    documents.shape = {1, 8, Pixel::u16};
    documents.series_text = documents.rig_text = text;
    documents.devices = nlohmann::json::parse(text, nullptr, false);
    const auto expected = expected_metadata(documents, true);
    EXPECT_THAT(expected, Contains(Field(&ExpectedItem::path, kPathFrames))) << text;
    EXPECT_LT(expected.size(), kMetadata.size() + 2) << text;
  }
}

class InAFile : public testing::TestWithParam<FrameShape> {
 protected:
  void SetUp() override {
    std::string name = (fs::temp_directory_path() / "creel-metadata-XXXXXX").string();
    ASSERT_NE(::mkdtemp(name.data()), nullptr);
    directory_ = name;
    const auto disk = make_posix_disk();
    auto session = store::create_session(*disk, sample::start(directory_, "ink", GetParam(), 4));
    ASSERT_TRUE(session.ok()) << session.error().text;
    for (std::uint64_t number = 0; number < 4; ++number) {
      ASSERT_TRUE(
          (*session)->append(sample::record(number), sample::frame(GetParam(), number)).ok());
    }
    ASSERT_TRUE((*session)->commit().ok());
    fs::copy(directory_ + "/ink", directory_ + "/live", fs::copy_options::recursive);
    ASSERT_TRUE((*session)->fold(sample::summary(4), {}).ok());
  }
  void TearDown() override { fs::remove_all(directory_); }

  static Report look(const std::string& path) {
    auto report = verify(*native_source(), path);
    EXPECT_TRUE(report.ok()) << (report.ok() ? "" : report.error().text);
    return report.ok() ? *report : Report{};
  }

  // Takes out each item in turn; what cannot be missing without the session being unreadable says
  // so.
  void take_out_each(const std::string& whole, const std::string& path, bool folded) {
    const auto documents = Reader::open(*native_source(), path);
    ASSERT_TRUE(documents.ok()) << documents.error().text;
    const auto expected = expected_metadata((*documents)->documents(), folded);
    std::size_t named = 0;
    fs::copy(whole, directory_ + "/kept");
    for (const auto& item : expected) {
      fs::copy(directory_ + "/kept", whole, fs::copy_options::overwrite_existing);
      {
        const H5::H5File file(whole, H5F_ACC_RDWR);
        file.unlink(item.path);
      }
      const auto report = look(path);
      EXPECT_FALSE(report.intact()) << item.path;
      const auto is_named = Contains(AllOf(Field(&Finding::severity, Severity::error),
                                           Field(&Finding::place, item.path),
                                           Field(&Finding::sentence, HasSubstr(item.item->what))));
      named += testing::Matches(is_named)(report.findings) ? 1 : 0;
      const bool needed = report.frames == 0;
      EXPECT_TRUE(needed || testing::Matches(is_named)(report.findings)) << item.path << "\n"
                                                                         << to_json(report).dump(1);
    }
    fs::copy(directory_ + "/kept", whole, fs::copy_options::overwrite_existing);
    fs::remove(directory_ + "/kept");
    EXPECT_GE(named + 6, expected.size())
        << "only the reader's own needs make a session unreadable";
  }

  std::string directory_;
};

TEST_P(InAFile, EachItemThatIsMissingIsNamed) {
  const auto file = look(directory_ + "/ink.h5");
  ASSERT_TRUE(file.findings.empty()) << to_json(file).dump(1);
  take_out_each(directory_ + "/ink.h5", directory_ + "/ink.h5", true);
  const auto folder = look(directory_ + "/live");
  ASSERT_TRUE(folder.findings.empty()) << to_json(folder).dump(1);
  take_out_each(directory_ + "/live/whole.h5", directory_ + "/live", false);
}

TEST_P(InAFile, ASettingThatIsMissingIsNamed) {
  for (const char* setting : {"settings/gain", "settings_set/gain", "describe/saturation",
                              "describe/identity/serial", "settings/binning"}) {
    const auto path = std::string("/entry/creel/devices/camera/") + setting;
    H5::H5File(directory_ + "/ink.h5", H5F_ACC_RDWR).unlink(path);
    EXPECT_THAT(
        look(directory_ + "/ink.h5").findings,
        Contains(AllOf(Field(&Finding::severity, Severity::error), Field(&Finding::place, path))));
  }
}

TEST_P(InAFile, ABrokenNexusRuleIsAWarning) {
  {
    const H5::H5File file(directory_ + "/ink.h5", H5F_ACC_RDWR);
    file.openGroup("/entry").removeAttr("default");
    file.openDataSet("/entry/sample/thickness").removeAttr("units");
  }
  const auto report = look(directory_ + "/ink.h5");
  EXPECT_TRUE(report.intact());
  EXPECT_THAT(report.findings, Contains(AllOf(Field(&Finding::severity, Severity::warning),
                                              Field(&Finding::place, "/entry/sample/thickness"))));
  EXPECT_THAT(report.findings, Contains(Field(&Finding::place, "/entry/@default")));
}

INSTANTIATE_TEST_SUITE_P(
    Shapes, InAFile, testing::Values(FrameShape{1, 32, Pixel::u16}, FrameShape{4, 8, Pixel::f32}),
    [](const auto& tested) { return tested.param.rows == 1 ? "spectra" : "images"; });

}  // namespace
}  // namespace creel::session
