// A session that is being recorded, read meanwhile by a program that is not ours (h5py).
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdio>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "daemon/platform/disk.h"
#include "daemon/store/session.h"
#include "tests/daemon/store/outside.h"
#include "tests/daemon/store/sample_session.h"

namespace creel::store {
namespace {

using testing::HasSubstr;
using testing::StartsWith;
namespace fs = std::filesystem;

class Live : public testing::TestWithParam<FrameShape> {
 protected:
  void SetUp() override {
    if (!has_h5py()) {
      GTEST_SKIP() << "h5py is not installed for " << kPython;
    }
    std::string name = (fs::temp_directory_path() / "creel-live-XXXXXX").string();
    ASSERT_NE(::mkdtemp(name.data()), nullptr);
    directory_ = name;
    disk_ = make_posix_disk();
    auto made = create_session(*disk_, sample::start(directory_, "ink", GetParam(), planned()));
    ASSERT_TRUE(made.ok()) << made.error().text;
    session_ = std::move(made).value();
  }
  void TearDown() override {
    if (!directory_.empty()) {
      fs::remove_all(directory_);
    }
  }

  std::uint64_t store(std::uint64_t number) {
    EXPECT_TRUE(session_->append(sample::record(number), sample::frame(GetParam(), number)).ok());
    const auto durable = session_->commit();
    EXPECT_TRUE(durable.ok());
    return durable.ok() ? *durable : 0;
  }
  std::string said() const {
    std::ifstream file(directory_ + "/said");
    std::stringstream text;
    text << file.rdbuf();
    return text.str();
  }
  FILE* start(const std::string& command) const {
    return ::popen((command + " > " + directory_ + "/said 2>&1").c_str(), "we");
  }

  // Places in a piece: few of large frames, because the reader sums them byte by byte in Python.
  static std::uint64_t planned() { return GetParam().bytes() > 65536 ? 5 : 30; }
  std::string directory_;
  std::unique_ptr<Disk> disk_;
  std::unique_ptr<Session> session_;
};

TEST_P(Live, AReaderThatOpensAnewSeesEveryDurableFrameAndNoWrongOne) {
  FILE* reader = start(std::string(kPython) + " " + CREEL_TEST_FOLDER + "/live_reader.py " +
                       directory_ + "/ink");
  ASSERT_NE(reader, nullptr);
  const auto frames = 10 * planned();
  for (std::uint64_t number = 0; number < frames && !HasFailure(); ++number) {
    std::fprintf(reader, "%llu\n", static_cast<unsigned long long>(store(number)));
    std::fflush(reader);
  }
  EXPECT_EQ(::pclose(reader), 0);
  EXPECT_THAT(said(), StartsWith("ok "));
  EXPECT_THAT(said(), HasSubstr(" " + std::to_string(frames) + "\n"));
}

// What DEVELOPERS.md says of a reader that keeps its file open.
TEST_P(Live, AReaderThatKeepsTheFileOpenSeesEveryDurableFrameOnceItRefreshes) {
  FILE* reader = start(std::string(kPython) + " " + CREEL_TEST_FOLDER +
                       "/live_reader.py --kept-open " + directory_ + "/ink");
  ASSERT_NE(reader, nullptr);
  const auto frames = 2 * planned();
  for (std::uint64_t number = 0; number < frames && !HasFailure(); ++number) {
    std::fprintf(reader, "%llu\n", static_cast<unsigned long long>(store(number)));
    std::fflush(reader);
    // It has looked before the next frame comes, or has ended because something was wrong.
    std::string seen;
    for (int patience = 0; seen != std::to_string(number + 1) && patience < 30'000; ++patience) {
      ::usleep(1000);
      std::ifstream(directory_ + "/ink.seen") >> seen;
      patience = said().empty() ? patience : 30'000;
    }
  }
  EXPECT_EQ(::pclose(reader), 0);
  const auto all = std::to_string(frames);
  EXPECT_EQ(said(), "ok " + all + " " + all + "\n");
}

INSTANTIATE_TEST_SUITE_P(Shapes, Live,
                         testing::Values(FrameShape{1, 32, Pixel::u16},    // many in a page
                                         FrameShape{1, 2048, Pixel::u16},  // many in 64 KiB
                                         FrameShape{24, 1024, Pixel::f32}),
                         [](const auto& tested) {
                           return std::to_string(tested.param.bytes()) + "_bytes";
                         });

}  // namespace
}  // namespace creel::store
