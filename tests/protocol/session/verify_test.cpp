// verify() finds each planted fault, and nothing where nothing is wrong.
#include "protocol/session/verify.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "daemon/store/disk_source.h"
#include "daemon/store/piece.h"
#include "daemon/store/session.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel::session {
namespace {

using fakes::FakeDisk;
using store::kDirectory;
using testing::AllOf;
using testing::Contains;
using testing::ElementsAre;
using testing::Field;
using testing::HasSubstr;
using testing::IsEmpty;

namespace sample = store::sample;

constexpr FrameShape kShape{4, 64, Pixel::u16};
constexpr std::uint64_t kPlanned = 5;
const std::string kFolder = "/sessions/ink-a";

auto found(Severity severity, const std::string& place, const std::string& sentence) {
  return Contains(AllOf(Field(&Finding::severity, severity),
                        Field(&Finding::place, HasSubstr(place)),
                        Field(&Finding::sentence, HasSubstr(sentence))));
}

class Verify : public testing::Test {
 protected:
  void SetUp() override {
    auto made = store::create_session(disk_, sample::start(kDirectory, "ink-a", kShape, kPlanned));
    ASSERT_TRUE(made.ok()) << made.error().text;
    session_ = std::move(made).value();
    layout_ = store::lay_out_piece(kShape, kPlanned)->layout;
    for (std::uint64_t number = 0; number < 12; ++number) {
      ASSERT_TRUE(session_->append(sample::record(number), sample::frame(kShape, number)).ok());
    }
    ASSERT_TRUE(session_->commit().ok());
    ASSERT_TRUE(session_->event({{"event", "x"}, {"text", "one"}}).ok());
    ASSERT_TRUE(session_->event({{"event", "x"}, {"text", "two"}}).ok());
  }

  Report look(const std::string& path = kFolder) {
    const auto source = store::disk_source(disk_);
    auto report = verify(*source, path);
    EXPECT_TRUE(report.ok()) << (report.ok() ? "" : report.error().text);
    return report.ok() ? std::move(report).value() : Report{};
  }

  std::uint64_t frame_at(std::uint64_t place) const {
    return layout_.frames_offset + place * kShape.bytes();
  }
  std::uint64_t record_at(std::uint64_t place) const {
    return layout_.record_offset + place * sizeof(Record);
  }

  FakeDisk disk_;
  std::unique_ptr<store::Session> session_;
  PieceLayout layout_;
};

TEST_F(Verify, FindsNothingWhereNothingIsWrong) {
  const auto folder = look();
  EXPECT_THAT(folder.findings, IsEmpty()) << to_json(folder).dump(1);
  EXPECT_TRUE(folder.intact());
  EXPECT_EQ(folder.frames, 12U);
  EXPECT_EQ(folder.events, 5U);
  ASSERT_TRUE(session_->fold(sample::summary(12), {}).ok());
  const auto file = look(kFolder + ".h5");
  EXPECT_THAT(file.findings, IsEmpty()) << to_json(file).dump(1);
  EXPECT_TRUE(file.folded);
  EXPECT_EQ(file.frames, 12U);
  EXPECT_EQ(file.events, 5U);
}

TEST_F(Verify, AddsUpTheDoseOfEachArea) {
  // Numbers 0..11 without 3, 7, 11 (darks): even ones on area 0, odd ones on area 1.
  const auto report = look();
  ASSERT_EQ(report.doses.size(), 2U);
  EXPECT_EQ(report.doses[0].area, 0);
  EXPECT_EQ(report.doses[0].exposures, 6U);
  EXPECT_NEAR(report.doses[0].dose, 6 * 0.02, 1e-12);
  EXPECT_NEAR(report.doses[0].total, 1.5 + 0.02 * 6, 1e-12);
  EXPECT_EQ(report.doses[1].exposures, 3U);
  EXPECT_NEAR(report.doses[1].dose, 3 * 0.02, 1e-12);
}

TEST_F(Verify, CountsTheDoseOfAnExposureOnceHoweverManyFramesItHas) {
  auto made = store::create_session(disk_, sample::start(kDirectory, "block", kShape, 4));
  auto record = sample::record(0);
  for (int i = 0; i < 3; ++i) {
    ASSERT_TRUE((*made)->append(record, sample::frame(kShape, 0)).ok());
  }
  record.attempt = 1;  // the beam was on once more
  ASSERT_TRUE((*made)->append(record, sample::frame(kShape, 0)).ok());
  ASSERT_TRUE((*made)->commit().ok());
  const auto report = look("/sessions/block");
  ASSERT_EQ(report.doses.size(), 1U);
  EXPECT_EQ(report.doses[0].exposures, 2U);
  EXPECT_NEAR(report.doses[0].dose, 0.04, 1e-12);
}

TEST_F(Verify, FindsAFlippedBitInAFrame) {
  disk_.flip_bit(kFolder + "/piece-1.h5", frame_at(2) + 100, 4);
  const auto report = look();
  EXPECT_FALSE(report.intact());
  EXPECT_EQ(report.frames, 11U);
  EXPECT_EQ(report.frames_damaged, 1U);
  EXPECT_THAT(report.findings, found(Severity::error, "piece-1.h5 place 2 (frame 7)", "checksum"));
}

TEST_F(Verify, FindsAFlippedBitInARecord) {
  disk_.flip_bit(kFolder + "/piece-0.h5", record_at(3) + 70, 1);
  const auto report = look();
  EXPECT_EQ(report.frames, 11U);
  EXPECT_EQ(report.records_damaged, 1U);
  EXPECT_EQ(report.sequences_missing, 1U);
  EXPECT_THAT(report.findings, found(Severity::error, "piece-0.h5 place 3", "now damaged"));
  EXPECT_THAT(report.findings, found(Severity::error, "(frame 4)", "frame 3 is missing before it"));
}

TEST_F(Verify, FindsAPlaceThatWasWiped) {
  FakeDisk& disk = disk_;
  auto file = std::move(disk.open(kFolder + "/piece-0.h5", OpenMode::read_write)).value();
  const std::vector<std::byte> zeros(sizeof(Record));
  ASSERT_TRUE(file->write_at(record_at(2), zeros).ok());
  const auto report = look();
  EXPECT_THAT(report.findings, found(Severity::error, "piece-0.h5 place 2", "now empty"));
}

TEST_F(Verify, FindsAMissingPiece) {
  ASSERT_TRUE(disk_.remove_file(kFolder + "/piece-1.h5").ok());
  const auto report = look();
  EXPECT_FALSE(report.intact());
  EXPECT_EQ(report.frames, 7U);
  EXPECT_THAT(report.findings, found(Severity::error, "piece-1.h5", "is missing"));
}

TEST_F(Verify, FindsThatTheLastPieceIsMissing) {
  ASSERT_TRUE(disk_.remove_file(kFolder + "/piece-2.h5").ok());
  const auto report = look();
  EXPECT_FALSE(report.intact()) << "never a silently shorter session";
  EXPECT_EQ(report.frames, 10U);
  EXPECT_THAT(report.findings, found(Severity::error, "piece-2.h5", "is missing"));
}

TEST_F(Verify, FindsThatAllPiecesAreMissing) {
  for (const auto* piece : {"/piece-0.h5", "/piece-1.h5", "/piece-2.h5"}) {
    ASSERT_TRUE(disk_.remove_file(kFolder + piece).ok());
  }
  const auto report = look();
  EXPECT_THAT(report.findings, found(Severity::error, "piece-0.h5 to piece-2.h5", "is missing"));
}

TEST_F(Verify, FindsATruncatedPiece) {
  disk_.truncate(kFolder + "/piece-1.h5", frame_at(3));
  const auto report = look();
  EXPECT_FALSE(report.intact());
  EXPECT_THAT(report.findings, found(Severity::error, "piece-1.h5", "bytes instead of"));
  EXPECT_EQ(report.frames + report.frames_damaged + report.records_damaged, 12U);
}

TEST_F(Verify, FindsADamagedStructureAndReadsTheFramesAllTheSame) {
  disk_.flip_bit(kFolder + "/piece-0.h5", 0, 0);  // the HDF5 signature
  const auto report = look();
  EXPECT_FALSE(report.intact());
  EXPECT_EQ(report.frames, 12U);
  EXPECT_THAT(report.findings, found(Severity::error, "piece-0.h5", "HDF5 structure is damaged"));
}

TEST_F(Verify, FindsAnImpossibleCount) {
  disk_.flip_bit(kFolder + "/piece-0.h5", layout_.valid_offset + 6, 0);
  const auto report = look();
  EXPECT_FALSE(report.intact());
  EXPECT_EQ(report.frames, 12U);
  EXPECT_THAT(report.findings, found(Severity::error, "piece-0.h5", "n_valid is"));
}

TEST_F(Verify, FindsADamagedLineOfTheLog) {
  const auto text = *read_all(disk_, kFolder + "/events.log");
  disk_.flip_bit(kFolder + "/events.log", text.find("one"), 0);
  const auto report = look();
  EXPECT_EQ(report.events, 4U);
  EXPECT_EQ(report.events_damaged, 1U);
  EXPECT_THAT(report.findings, found(Severity::error, "events.log line 4", "checksum"));
}

TEST_F(Verify, ATornLastLineOfTheLogIsANote) {
  const auto text = *read_all(disk_, kFolder + "/events.log");
  disk_.truncate(kFolder + "/events.log", text.size() - 5);
  const auto report = look();
  EXPECT_TRUE(report.intact());
  EXPECT_EQ(report.events, 4U);
  EXPECT_THAT(report.findings, found(Severity::note, "events.log", "unfinished"));
}

TEST_F(Verify, FindsThatTheLogIsMissing) {
  ASSERT_TRUE(disk_.remove_file(kFolder + "/events.log").ok());
  EXPECT_THAT(look().findings, found(Severity::error, "events.log", ""));
}

TEST_F(Verify, FindsADamagedDocument) {
  const auto text = *read_all(disk_, kFolder + "/whole.h5");
  disk_.flip_bit(kFolder + "/whole.h5", text.find("\"creel_rig\"") + 3, 2);
  const auto report = look();
  EXPECT_FALSE(report.intact());
  EXPECT_THAT(report.findings, found(Severity::error, "/entry/note_rig/data", "checksum"));
  EXPECT_EQ(report.frames, 12U);
}

TEST_F(Verify, SaysThatTheMetadataCannotBeRead) {
  disk_.truncate(kFolder + "/whole.h5", 1000);
  const auto report = look();
  EXPECT_FALSE(report.intact());
  ASSERT_EQ(report.findings.size(), 1U);
  EXPECT_THAT(report.findings, found(Severity::error, "ink-a", "whole.h5"));
}

TEST_F(Verify, FindsAFlippedBitInAFoldedFile) {
  ASSERT_TRUE(session_->fold({}, {}).ok());
  const auto bytes = *read_all(disk_, kFolder + ".h5");
  // The sealed record of frame 5, as it lies in the file.
  Record record;
  {
    const auto source = store::disk_source(disk_);
    record = store::open_reader(*source, kFolder + ".h5")->records()[5];
  }
  const auto at = bytes.find(std::string(reinterpret_cast<const char*>(&record), sizeof(record)));
  ASSERT_NE(at, std::string::npos);
  disk_.flip_bit(kFolder + ".h5", at + 60, 3);
  const auto report = look(kFolder + ".h5");
  EXPECT_EQ(report.frames, 11U);
  EXPECT_EQ(report.records_damaged, 1U);
  EXPECT_EQ(report.sequences_missing, 1U);
}

TEST_F(Verify, NoSessionIsAnErrorAndNotAReport) {
  const auto source = store::disk_source(disk_);
  EXPECT_EQ(verify(*source, "/sessions/none").error().code, ErrorCode::invalid_request);
}

TEST_F(Verify, TellsItsProgress) {
  const auto source = store::disk_source(disk_);
  std::vector<std::uint64_t> told;
  ASSERT_TRUE(verify(*source, kFolder, [&](std::uint64_t done, std::uint64_t total) {
                EXPECT_EQ(total, 12U);
                told.push_back(done);
              }).ok());
  EXPECT_THAT(told, ElementsAre(1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12));
}

TEST_F(Verify, ReportsAsJson) {
  disk_.flip_bit(kFolder + "/piece-1.h5", frame_at(2) + 100, 4);
  const auto json = to_json(look());
  EXPECT_EQ(json["intact"], false);
  EXPECT_EQ(json["frames"], 11);
  EXPECT_EQ(json["findings"][0]["severity"], "error");
  EXPECT_EQ(json["doses"][1]["area"], 1);
}

}  // namespace
}  // namespace creel::session
