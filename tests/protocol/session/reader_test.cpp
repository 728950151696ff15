#include "protocol/session/reader.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "daemon/store/disk_source.h"
#include "daemon/store/session.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel::session {
namespace {

using fakes::FakeDisk;
using store::kDirectory;
using testing::HasSubstr;

namespace sample = store::sample;

constexpr FrameShape kShape{1, 64, Pixel::u16};

class ReaderTest : public testing::Test {
 protected:
  void SetUp() override {
    auto made = store::create_session(disk_, sample::start(kDirectory, "ink-a", kShape, 4));
    ASSERT_TRUE(made.ok()) << made.error().text;
    session_ = std::move(made).value();
    source_ = store::disk_source(disk_);
  }
  void put(std::uint64_t first, std::uint64_t end) {
    for (auto number = first; number < end; ++number) {
      ASSERT_TRUE(session_->append(sample::record(number), sample::frame(kShape, number)).ok());
    }
    ASSERT_TRUE(session_->commit().ok());
  }
  FakeDisk disk_;
  std::unique_ptr<store::Session> session_;
  std::unique_ptr<FileSource> source_;
};

TEST_F(ReaderTest, TakesTheFolderItsWholeFileAndTheFoldedFile) {
  put(0, 3);
  for (const auto* path : {"/sessions/ink-a", "/sessions/ink-a/", "/sessions/ink-a/whole.h5"}) {
    const auto reader = Reader::open(*source_, path);
    ASSERT_TRUE(reader.ok()) << path << ": " << reader.error().text;
    EXPECT_EQ((*reader)->records().size(), 3U);
    EXPECT_FALSE((*reader)->folded());
    EXPECT_EQ((*reader)->documents().name, "ink-a");
  }
  ASSERT_TRUE(session_->fold({{"outcome", "stopped"}}, {}).ok());
  for (const auto* path : {"/sessions/ink-a", "/sessions/ink-a.h5"}) {
    const auto reader = Reader::open(*source_, path);
    ASSERT_TRUE(reader.ok()) << path << ": " << reader.error().text;
    EXPECT_EQ((*reader)->records().size(), 3U);
    EXPECT_TRUE((*reader)->folded());
    EXPECT_EQ((*reader)->documents().summary["outcome"], "stopped");
    EXPECT_EQ((*reader)->documents().series_text, sample::kSeries);
    EXPECT_EQ((*reader)->events()->events.size(), 1U);
  }
}

// A night of a million exposures with gauges has hundreds of MiB of events.
TEST_F(ReaderTest, EventsBeyond64MiBAreReadFromTheFoldedFile) {
  put(0, 3);
  const std::string text(std::size_t{1} << 20U, 'x');
  for (int i = 0; i < 66; ++i) {
    ASSERT_TRUE(session_->event({{"event", "long"}, {"i", i}, {"text", text}}).ok());
  }
  for (const bool folded : {false, true}) {
    ASSERT_TRUE(!folded || session_->fold({{"outcome", "stopped"}}, {}).ok());
    const auto reader = Reader::open(*source_, "/sessions/ink-a");
    ASSERT_TRUE(reader.ok()) << reader.error().text;
    int found = 0;
    const auto log = (*reader)->each_event([&](const nlohmann::json& event) {
      found += event.value("event", "") == "long" && event["i"] == found ? 1 : 0;
    });
    ASSERT_TRUE(log.ok()) << log.error().text;
    EXPECT_EQ(found, 66);
    EXPECT_TRUE(log->bad_lines.empty());
  }
}

TEST_F(ReaderTest, SeveralReadersOfAFileShareItsRecords) {
  put(0, 3);
  ASSERT_FALSE((*Reader::open(*source_, "/sessions/ink-a"))->again(*source_).ok()) << "a folder";
  ASSERT_TRUE(session_->fold({{"outcome", "stopped"}}, {}).ok());
  auto first = Reader::open(*source_, "/sessions/ink-a");
  ASSERT_TRUE(first.ok());
  auto second = (*first)->again(*source_);
  ASSERT_TRUE(second.ok()) << second.error().text;
  EXPECT_EQ((*second)->records().data(), (*first)->records().data());
  first->reset();
  std::vector<std::byte> frame(kShape.bytes());
  for (std::uint64_t i = 0; i < 3; ++i) {
    ASSERT_TRUE((*second)->read_frame(i, frame).ok()) << i;
    EXPECT_EQ(frame, sample::frame(kShape, i));
  }
}

TEST_F(ReaderTest, SaysWhatItExpectedWhereThereIsNoSession) {
  for (const auto* path : {"/sessions/none", "/sessions", "/sessions/none.h5", "/x/whole.h5", ""}) {
    const auto reader = Reader::open(*source_, path);
    ASSERT_FALSE(reader.ok()) << path;
    EXPECT_EQ(reader.error().code, ErrorCode::invalid_request) << path;
    EXPECT_THAT(reader.error().text, HasSubstr("there is no session here")) << path;
  }
}

TEST_F(ReaderTest, AForeignFileIsAnErrorWithItsPath) {
  disk_.put("/sessions/text.h5", "this is not HDF5");
  disk_.put("/sessions/empty.h5", "");
  for (const auto* path :
       {"/sessions/text.h5", "/sessions/empty.h5", "/sessions/ink-a/piece-0.h5"}) {
    const auto reader = Reader::open(*source_, path);
    ASSERT_FALSE(reader.ok()) << path;
    EXPECT_EQ(reader.error().code, ErrorCode::corrupt) << path;
    EXPECT_THAT(reader.error().text, HasSubstr(path));
  }
}

TEST_F(ReaderTest, SeesNewFramesAfterRefresh) {
  const auto reader = store::open_reader(*source_, "/sessions/ink-a");
  EXPECT_EQ(reader->records().size(), 0U);
  std::vector<std::byte> bytes(kShape.bytes());
  for (std::uint64_t count = 3; count < 12; count += 3) {
    put(count - 3, count);
    EXPECT_EQ(reader->records().size(), count - 3);
    ASSERT_TRUE(reader->refresh().ok());
    ASSERT_EQ(reader->records().size(), count);
    ASSERT_TRUE(reader->read_frame(count - 1, bytes).ok());
    EXPECT_EQ(bytes, sample::frame(kShape, count - 1));
    EXPECT_TRUE(reader->faults().empty());
    EXPECT_EQ(reader->unfinished(), 0U);
  }
}

TEST_F(ReaderTest, FindsAFrameByItsSequenceNumber) {
  put(0, 6);
  const auto reader = store::open_reader(*source_, "/sessions/ink-a");
  EXPECT_EQ(reader->find(4), 4U);
  EXPECT_FALSE(reader->find(6));
}

TEST_F(ReaderTest, AFrameThatWasOnlyHalfWrittenIsNoFrame) {
  put(0, 2);
  ASSERT_TRUE(session_->append(sample::record(2), sample::frame(kShape, 2)).ok());
  disk_.reset_counts();
  disk_.die_at_sync(0);
  ASSERT_FALSE(session_->commit().ok());
  disk_.kill();
  // The record got to the disk, the frame did not: n_valid does not vouch for it.
  const auto reader = store::open_reader(*source_, "/sessions/ink-a");
  EXPECT_EQ(reader->records().size(), 3U) << "it is all there while nothing fails";
  EXPECT_TRUE(reader->proven(1));
  EXPECT_FALSE(reader->proven(2));
  const auto whole = sample::frame(kShape, 2);
  const auto piece = *read_all(disk_, "/sessions/ink-a/piece-0.h5");
  const auto at =
      piece.find(std::string(reinterpret_cast<const char*>(whole.data()), whole.size()));
  ASSERT_NE(at, std::string::npos);
  disk_.flip_bit("/sessions/ink-a/piece-0.h5", at + 17, 0);
  ASSERT_TRUE(reader->refresh().ok());
  EXPECT_EQ(reader->records().size(), 2U);
  EXPECT_EQ(reader->unfinished(), 1U);
  EXPECT_TRUE(reader->faults().empty()) << "it was never acknowledged";
}

}  // namespace
}  // namespace creel::session
