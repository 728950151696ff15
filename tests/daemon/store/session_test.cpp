// A session from its first byte to the folded file, on the fake disk.
#include "daemon/store/session.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "daemon/store/fold.h"
#include "daemon/store/piece.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel::store {
namespace {

using fakes::FakeDisk;
using testing::ElementsAre;
using testing::HasSubstr;

constexpr FrameShape kSpectrum{1, 64, Pixel::u16};

std::unique_ptr<Session> create(Disk& disk, const std::string& name, FrameShape shape,
                                std::uint64_t planned) {
  auto session = create_session(disk, sample::start(kDirectory, name, shape, planned));
  EXPECT_TRUE(session.ok()) << (session.ok() ? "" : session.error().text);
  return session.ok() ? std::move(session).value() : nullptr;
}

void put(Session& session, FrameShape shape, std::uint64_t first, std::uint64_t end) {
  for (auto number = first; number < end; ++number) {
    const auto done = session.append(sample::record(number), sample::frame(shape, number));
    ASSERT_TRUE(done.ok()) << done.error().text;
  }
  const auto durable = session.commit();
  ASSERT_TRUE(durable.ok()) << durable.error().text;
  ASSERT_EQ(*durable, end);
}

struct ShapeCase {
  FrameShape shape;
  const char* name;
};
class EveryShape : public testing::TestWithParam<ShapeCase> {};

TEST_P(EveryShape, ComesBackAliveKilledAndFolded) {
  FakeDisk disk;
  const auto shape = GetParam().shape;
  const std::string path = kDirectory + "/ink-a";
  auto session = create(disk, "ink-a", shape, 4);
  ASSERT_NE(session, nullptr);
  put(*session, shape, 0, 9);  // three pieces
  expect_frames(disk, path, 9);
  auto killed = disk.after_kill();
  expect_frames(killed, path, 9);

  auto file = session->fold({{"outcome", "finished"}}, {});
  ASSERT_TRUE(file.ok()) << file.error().text;
  EXPECT_EQ(*file, path + ".h5");
  EXPECT_EQ(session->path(), *file);
  EXPECT_FALSE(disk.exists(path));
  expect_frames(disk, *file, 9);
  const auto source = disk_source(disk);
  const auto reader = open_reader(*source, *file);
  EXPECT_EQ(reader->documents().shape, shape);
  EXPECT_EQ(reader->documents().summary["outcome"], "finished");
}

INSTANTIATE_TEST_SUITE_P(Shapes, EveryShape,
                         testing::Values(ShapeCase{{1, 64, Pixel::u8}, "spectrum_u8"},
                                         ShapeCase{{1, 64, Pixel::u16}, "spectrum_u16"},
                                         ShapeCase{{1, 1, Pixel::u32}, "one_channel_u32"},
                                         ShapeCase{{1, 300, Pixel::f32}, "spectrum_f32"},
                                         ShapeCase{{16, 32, Pixel::u8}, "image_u8"},
                                         ShapeCase{{16, 32, Pixel::u16}, "image_u16"},
                                         ShapeCase{{33, 17, Pixel::u32}, "image_u32"},
                                         ShapeCase{{600, 1000, Pixel::f32},
                                                   "image_f32_larger_than_a_chunk"}),
                         [](const auto& tested) { return tested.param.name; });

TEST(Session, DocumentsComeBackWordForWord) {
  FakeDisk disk;
  auto start = sample::start(kDirectory, "ink-a", kSpectrum, 4);
  start.series_text += "\n\t\n";  // verbatim means also what no parser would keep
  auto session = create_session(disk, start);
  ASSERT_TRUE(session.ok()) << session.error().text;
  session->reset();
  const auto source = disk_source(disk);
  const auto reader = open_reader(*source, kDirectory + "/ink-a");
  ASSERT_NE(reader, nullptr);
  const auto read = start_from(reader->documents(), kDirectory);
  EXPECT_EQ(read.series_text, start.series_text);
  EXPECT_EQ(read.rig_text, start.rig_text);
  EXPECT_EQ(read.series, start.series);
  EXPECT_EQ(read.rig, start.rig);
  EXPECT_EQ(read.devices, start.devices);
  EXPECT_EQ(read.software, start.software);
  EXPECT_EQ(read.area_dose_before, start.area_dose_before);
  EXPECT_EQ(read.start_utc_ns, start.start_utc_ns);
  EXPECT_EQ(read.start_world_ns, start.start_world_ns);
  EXPECT_EQ(read.frames_planned, start.frames_planned);
  EXPECT_EQ(read.shape, start.shape);
  EXPECT_EQ(read.name, "ink-a");
  EXPECT_EQ(read.directory, kDirectory);
}

TEST(Session, NothingKnownAboutTheSeriesIsNoReasonToRefuse) {
  FakeDisk disk;
  SessionStart start;
  start.directory = kDirectory;
  start.name = "bare";
  start.shape = kSpectrum;
  auto session = create_session(disk, start);
  ASSERT_TRUE(session.ok()) << session.error().text;
  put(**session, kSpectrum, 0, 1);
  const auto file = (*session)->fold({}, {});
  ASSERT_TRUE(file.ok()) << file.error().text;
  expect_frames(disk, *file, 1);
}

TEST(Session, ANameThatIsTakenIsRefused) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 2);
  put(*session, kSpectrum, 0, 2);
  const auto start = sample::start(kDirectory, "ink-a", kSpectrum, 2);
  EXPECT_EQ(create_session(disk, start).error().code, ErrorCode::refused) << "while it runs";
  session.reset();
  EXPECT_EQ(create_session(disk, start).error().code, ErrorCode::refused) << "as a folder";
  session = std::move(resume_session(disk, kDirectory, "ink-a")).value();
  ASSERT_TRUE(session->fold({}, {}).ok());
  const auto again = create_session(disk, start);
  ASSERT_FALSE(again.ok()) << "as a file";
  EXPECT_EQ(again.error().code, ErrorCode::refused);
  EXPECT_THAT(again.error().text, HasSubstr("/sessions/ink-a.h5"));
  expect_frames(disk, "/sessions/ink-a.h5", 2);
}

TEST(Session, NamesThatCannotBeFilesAreRefused) {
  FakeDisk disk;
  for (const auto* name : {"", ".hidden", "a/b", "a b", "a.h5", "a.part"}) {
    const auto made = create_session(disk, sample::start(kDirectory, name, kSpectrum, 2));
    ASSERT_FALSE(made.ok()) << name;
    EXPECT_EQ(made.error().code, ErrorCode::invalid_request) << name;
  }
  EXPECT_FALSE(disk.exists(kDirectory));
}

TEST(Session, OnlyOneProcessHasASession) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 2);
  const auto second = resume_session(disk, kDirectory, "ink-a");
  ASSERT_FALSE(second.ok());
  EXPECT_EQ(second.error().code, ErrorCode::refused);
  session.reset();
  EXPECT_TRUE(resume_session(disk, kDirectory, "ink-a").ok());
}

TEST(Session, AFrameOfAnotherSizeIsRefusedAndLosesNothing) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 4);
  put(*session, kSpectrum, 0, 1);
  const std::vector<std::byte> small(3);
  EXPECT_EQ(session->append(sample::record(1), small).error().code, ErrorCode::invalid_request);
  put(*session, kSpectrum, 1, 2);
  expect_frames(disk, "/sessions/ink-a", 2);
}

TEST(Session, AFrameIsNotCountedBeforeCommit) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 4);
  ASSERT_TRUE(session->append(sample::record(0), sample::frame(kSpectrum, 0)).ok());
  EXPECT_EQ(session->progress().frames, 0U);
  EXPECT_EQ(session->progress().exposures_done, 0U);
  ASSERT_TRUE(session->commit().ok());
  EXPECT_EQ(session->progress().frames, 1U);
  EXPECT_EQ(session->progress().exposures_done, 1U);
  EXPECT_EQ(session->progress().last->exposure, 0U);
}

TEST(Session, OneSyncACommitHoweverManyFrames) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 1000);
  for (const std::uint64_t batch : {1, 10, 200}) {
    const auto before = disk.counts().syncs;
    const auto first = session->progress().frames;
    put(*session, kSpectrum, first, first + batch);
    EXPECT_EQ(disk.counts().syncs, before + 1) << batch;
  }
}

TEST(Session, BrokenExposuresAreTakenAgain) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 4);
  auto broken = sample::record(1);
  broken.flags = session::kBroken;
  ASSERT_TRUE(session->append(sample::record(0), sample::frame(kSpectrum, 0)).ok());
  ASSERT_TRUE(session->append(broken, sample::frame(kSpectrum, 1)).ok());
  ASSERT_TRUE(session->append(sample::record(2), sample::frame(kSpectrum, 2)).ok());
  ASSERT_TRUE(session->commit().ok());
  EXPECT_EQ(session->progress().exposures_done, 1U);
  auto again = sample::record(1);
  again.attempt = 1;
  ASSERT_TRUE(session->append(again, sample::frame(kSpectrum, 1)).ok());
  ASSERT_TRUE(session->commit().ok());
  EXPECT_EQ(session->progress().exposures_done, 3U);
  EXPECT_EQ(session->progress().frames, 4U);
}

TEST(Session, AnExposureOfManyFramesIsDoneWithItsLastOne) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 3);
  auto record = sample::record(0);
  record.flags = session::kMoreToCome;
  for (std::uint64_t frame = 0; frame < 2; ++frame) {
    ASSERT_TRUE(session->append(record, sample::frame(kSpectrum, frame)).ok());
  }
  ASSERT_TRUE(session->commit().ok());
  EXPECT_EQ(session->progress().exposures_done, 0U) << "a crash now would repeat it";
  record.flags = 0;
  ASSERT_TRUE(session->append(record, sample::frame(kSpectrum, 2)).ok());
  ASSERT_TRUE(session->commit().ok());
  EXPECT_EQ(session->progress().exposures_done, 1U);
}

TEST(Session, GoesOnWhereItStopped) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 5);
  put(*session, kSpectrum, 0, 7);
  ASSERT_TRUE(session->event({{"event", "x"}, {"text", "before"}}).ok());
  disk.kill();
  session.reset();
  EXPECT_THAT(*unfinished_sessions(disk, kDirectory), ElementsAre("ink-a"));
  session = std::move(resume_session(disk, kDirectory, "ink-a")).value();
  EXPECT_EQ(session->progress().frames, 7U);
  EXPECT_EQ(session->progress().exposures_done, 7U);
  EXPECT_EQ(session->progress().last->exposure, 6U);
  ASSERT_TRUE(session->event({{"event", "x"}, {"text", "after"}}).ok());
  put(*session, kSpectrum, 7, 12);
  expect_frames(disk, "/sessions/ink-a", 12);
  const auto source = disk_source(disk);
  const auto reader = open_reader(*source, "/sessions/ink-a");
  std::vector<std::string> texts;
  const auto log = reader->events();
  for (const auto& event : log->events) {
    texts.push_back(event["text"]);
  }
  EXPECT_THAT(texts, ElementsAre("piece-0.h5 is laid out", "piece-1.h5 is laid out", "before",
                                 "after", "piece-2.h5 is laid out"));
  for (std::size_t i = 0; i < 12; ++i) {
    EXPECT_EQ(reader->records()[i].sequence, i);
  }
}

TEST(Session, TheNextPieceIsPreparedWhenOneIsHalfFull) {
  FakeDisk disk;
  const FrameShape shape{64, 1024, Pixel::u32};  // 256 KiB
  const auto capacity = piece_capacity(shape, 100'000);
  EXPECT_EQ(capacity, (64U << 20) / (shape.bytes() + sizeof(session::Record)) / 4 * 4)
      << "whole chunks of four";
  auto session = create(disk, "ink-a", shape, 100'000);
  for (std::uint64_t i = 0; i < capacity / 2; ++i) {
    EXPECT_FALSE(disk.exists("/sessions/ink-a/piece-1.h5"));
    put(*session, shape, i, i + 1);
  }
  put(*session, shape, capacity / 2, capacity / 2 + 1);
  EXPECT_TRUE(disk.exists("/sessions/ink-a/piece-1.h5"));
}

std::uint64_t still_needed(const Session& session) {
  const auto room = session.headroom();
  EXPECT_TRUE(room.ok());
  return room->rest + room->to_fold;
}

TEST(Session, HeadroomCoversWhatIsStillToBeWrittenAndTheFoldedFile) {
  FakeDisk disk;
  const FrameShape shape{16, 32, Pixel::u16};
  auto session = create(disk, "ink-a", shape, 500);
  const auto before = *disk.free_bytes(kDirectory);
  const auto needed = still_needed(*session);
  for (std::uint64_t i = 0; i < 500; i += 50) {
    put(*session, shape, i, i + 50);
    // What has been used up plus what is still asked for stays within what was asked for at first.
    EXPECT_LE(before - *disk.free_bytes(kDirectory) + still_needed(*session),
              needed + 4096ULL * 20);
  }
  disk.set_capacity((before - *disk.free_bytes(kDirectory)) + (1ULL << 40) - before +
                    still_needed(*session));
  const auto file = session->fold({}, {});
  EXPECT_TRUE(file.ok()) << file.error().text;
}

TEST(Session, HeadroomForTheNextFramesCountsPlacesThatAreSetAside) {
  FakeDisk disk;
  const FrameShape shape{16, 32, Pixel::u16};
  auto session = create(disk, "ink-a", shape, 500);
  const auto room = *session->headroom();
  EXPECT_EQ(room.free, *disk.free_bytes(kDirectory));
  EXPECT_EQ(room.frames_set_aside, room.piece_frames);
  EXPECT_EQ(room.needed_for(room.frames_set_aside) + room.piece,
            room.needed_for(room.frames_set_aside + 1));
}

TEST(Session, FoldTellsItsProgressAndMakesOneFile) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 20);
  put(*session, kSpectrum, 0, 20);
  std::uint64_t last = 0;
  const auto file = session->fold({{"outcome", "finished"}, {"frames", 20}},
                                  [&](std::uint64_t done, std::uint64_t total) {
                                    EXPECT_GE(done, last);
                                    EXPECT_EQ(total, 20U);
                                    last = done;
                                  });
  ASSERT_TRUE(file.ok()) << file.error().text;
  EXPECT_EQ(last, 20U);
  EXPECT_THAT(*disk.list(kDirectory), ElementsAre("ink-a.h5"));
  EXPECT_THAT(*unfinished_sessions(disk, kDirectory), ElementsAre());
  EXPECT_EQ(session->append(sample::record(20), sample::frame(kSpectrum, 20)).error().code,
            ErrorCode::refused);
  EXPECT_EQ(session->commit().error().code, ErrorCode::refused);
  EXPECT_EQ(session->event({}).error().code, ErrorCode::refused);
}

TEST(Session, AnEmptySessionFoldsToo) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 20);
  const auto file = session->fold({{"outcome", "stopped"}}, {});
  ASSERT_TRUE(file.ok()) << file.error().text;
  expect_frames(disk, *file, 0);
}

TEST(Session, ADamagedFolderIsNotFoldedAndStays) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 4);
  put(*session, kSpectrum, 0, 4);
  const auto layout = lay_out_piece(kSpectrum, 4)->layout;
  disk.flip_bit("/sessions/ink-a/piece-0.h5", layout.frames_offset + kSpectrum.bytes() + 5, 3);
  const auto file = session->fold({}, {});
  ASSERT_FALSE(file.ok());
  EXPECT_THAT(file.error().text, HasSubstr("piece-0.h5 place 1 (frame 1)"));
  EXPECT_TRUE(disk.exists("/sessions/ink-a/whole.h5"));
  EXPECT_FALSE(disk.exists("/sessions/ink-a.h5"));
  EXPECT_FALSE(disk.exists("/sessions/ink-a.h5.part"));
}

TEST(Session, ASessionThatLostAPieceIsNotTakenUp) {
  FakeDisk disk;
  auto session = create(disk, "ink-a", kSpectrum, 4);
  put(*session, kSpectrum, 0, 6);
  session.reset();
  ASSERT_TRUE(disk.remove_file("/sessions/ink-a/piece-1.h5").ok());
  const auto resumed = resume_session(disk, kDirectory, "ink-a");
  ASSERT_FALSE(resumed.ok());
  EXPECT_EQ(resumed.error().code, ErrorCode::corrupt);
  EXPECT_THAT(resumed.error().text, HasSubstr("piece-1.h5 is missing"));
}

TEST(Session, AnOrdinaryFolderBesideAnHdf5FileOfItsNameIsLeftAlone) {
  FakeDisk disk;
  ASSERT_TRUE(disk.create_directories("/sessions/notes").ok());
  disk.put("/sessions/notes/page.txt", "of a person");
  disk.put("/sessions/notes.h5", "not a session");
  EXPECT_THAT(*unfinished_sessions(disk, kDirectory), ElementsAre());
  EXPECT_TRUE(disk.exists("/sessions/notes/page.txt"));
}

}  // namespace
}  // namespace creel::store
