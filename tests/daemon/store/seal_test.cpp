// Sealing: whatever happens meanwhile, a frame is in the old piece or in the new one; and folding
// of what was sealed.
#include "daemon/store/seal.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <atomic>
#include <chrono>
#include <future>
#include <thread>

#include "daemon/platform/asio_scheduler.h"
#include "daemon/store/fold.h"
#include "daemon/store/on_workers.h"
#include "daemon/store/sealing.h"
#include "protocol/base/crc32c.h"
#include "protocol/session/folder_reader.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

namespace creel::store {
namespace {

using fakes::DiskFault;
using fakes::FakeDisk;
using session::Codec;
using session::FolderReader;
using testing::ElementsAre;
using testing::HasSubstr;

constexpr std::uint64_t kFrames = 14;
const std::string kPath = "/sessions/ink-a";

// How frames lie in chunks and pieces.
struct Form {
  FrameShape shape;
  std::uint64_t places;  // in a piece
};
constexpr Form kSmall{{1, 700, Pixel::u16}, 5};     // one chunk a piece
constexpr Form kPadded{{3, 43691, Pixel::u16}, 6};  // chunks of 4, the last one padded
constexpr Form kAlone{{5, 52430, Pixel::u16}, 4};   // every frame a chunk

std::unique_ptr<Session> begin(Disk& disk, const Form& form, Codec codec) {
  auto start = sample::start(kDirectory, "ink-a", form.shape, form.places);
  start.codec = codec;
  auto session = create_session(disk, start);
  EXPECT_TRUE(session.ok()) << (session.ok() ? "" : session.error().text);
  return session.ok() ? std::move(session).value() : nullptr;
}

void put(Session& session, const FrameShape& shape, std::uint64_t first, std::uint64_t end) {
  for (auto number = first; number < end; ++number) {
    ASSERT_TRUE(session.append(sample::record(number), sample::frame(shape, number)).ok());
  }
  ASSERT_TRUE(session.commit().ok());
}

std::unique_ptr<FolderReader> open_folder(session::FileSource& source) {
  auto reader = FolderReader::open(source, kPath);
  EXPECT_TRUE(reader.ok()) << (reader.ok() ? "" : reader.error().text);
  return reader.ok() ? std::move(reader).value() : nullptr;
}

SealPlan plan_of(Disk& disk) {
  const auto source = disk_source(disk);
  const auto reader = open_folder(*source);
  return {kPath, reader->layout(), reader->documents().shape, reader->documents().codec};
}

// kFrames frames, nobody writing.
FakeDisk recorded(const Form& form, Codec codec) {
  FakeDisk disk;
  put(*begin(disk, form, codec), form.shape, 0, kFrames);
  return disk;
}

void seal_full_pieces(Disk& disk, const Form& form) {
  for (std::uint64_t number = 0; (number + 1) * form.places <= kFrames; ++number) {
    const auto sealed = seal_piece(disk, plan_of(disk), number);
    ASSERT_TRUE(sealed.ok()) << sealed.error().text;
  }
}

std::vector<bool> sealed_pieces(Disk& disk) {
  const auto source = disk_source(disk);
  const auto reader = open_folder(*source);
  std::vector<bool> sealed;
  for (const auto& piece : reader->pieces()) {
    sealed.push_back(piece.sealed);
  }
  return sealed;
}

void expect_intact(Disk& disk, const std::string& path = kPath) {
  expect_frames(disk, path, kFrames);
  const auto source = disk_source(disk);
  const auto report = session::verify(*source, path);
  ASSERT_TRUE(report.ok() && report->intact()) << session::to_json(*report).dump(1);
  ASSERT_EQ(report->frames, kFrames);
}

// What the next start of the daemon does.
void resume_and_fold(FakeDisk& disk) {
  {
    auto session = resume_session(disk, kDirectory, "ink-a");
    ASSERT_TRUE(session.ok()) << session.error().text;
    ASSERT_EQ((*session)->progress().frames, kFrames);
    const auto names = disk.list(kPath);
    for (const auto& name : *names) {
      ASSERT_FALSE(name.ends_with(".part")) << name;
    }
    ASSERT_TRUE((*session)->fold({{"outcome", "finished"}}, {}).ok());
  }
  expect_intact(disk, kPath + ".h5");
}

class Seal : public testing::TestWithParam<std::tuple<Codec, Form>> {
 protected:
  static Codec codec() { return std::get<0>(GetParam()); }
  static Form form() { return std::get<1>(GetParam()); }
};
INSTANTIATE_TEST_SUITE_P(Forms, Seal,
                         testing::Combine(testing::Values(Codec::deflate, Codec::bitshuffle_lz4),
                                          testing::Values(kSmall, kPadded, kAlone)),
                         [](const auto& tested) {
                           return std::string(std::get<0>(tested.param) == Codec::deflate
                                                  ? "deflate"
                                                  : "bitshuffle") +
                                  "_places" + std::to_string(std::get<1>(tested.param).places);
                         });

TEST_P(Seal, KeepsEveryFrameAndSaysSo) {
  auto disk = recorded(form(), codec());
  seal_full_pieces(disk, form());
  const auto sealed = sealed_pieces(disk);
  for (std::size_t i = 0; i < sealed.size(); ++i) {
    EXPECT_EQ(sealed[i], (i + 1) * form().places <= kFrames) << i;
  }
  expect_intact(disk);
  const auto source = disk_source(disk);
  const auto reader = open_folder(*source);
  EXPECT_TRUE(reader->proven(0));
  EXPECT_EQ(reader->place(1), "piece-0.h5 place 1 (frame 1)");
  const auto before = disk.counts().changes;
  EXPECT_TRUE(seal_piece(disk, plan_of(disk), 0).ok()) << "a second time";
  EXPECT_EQ(disk.counts().changes, before) << "nothing is written";
}

TEST_P(Seal, FoldsTheSameWithAndWithoutSealedPieces) {
  for (const bool sealed : {false, true}) {
    for (const std::size_t helpers : {0, 2}) {
      auto disk = recorded(form(), codec());
      if (sealed) {
        seal_full_pieces(disk, form());
      }
      std::vector<std::unique_ptr<platform::ThreadWorker>> threads;
      std::vector<Worker*> workers;
      for (std::size_t i = 0; i < helpers; ++i) {
        threads.push_back(std::make_unique<platform::ThreadWorker>());
        workers.push_back(threads.back().get());
      }
      std::vector<std::uint64_t> told;
      const auto file = fold_folder(
          disk, kDirectory, "ink-a", {{"outcome", "finished"}},
          [&](std::uint64_t done, std::uint64_t total) {
            told.push_back(done);
            EXPECT_EQ(total, kFrames);
          },
          workers);
      ASSERT_TRUE(file.ok()) << file.error().text;
      expect_intact(disk, *file);
      EXPECT_TRUE(std::is_sorted(told.begin(), told.end()));
      EXPECT_EQ(open_reader(*disk_source(disk), *file)->documents().codec, codec());
    }
  }
}

TEST_P(Seal, AReaderThatIsOpenMeanwhileGoesOn) {
  auto disk = recorded(form(), codec());
  const auto source = disk_source(disk);
  const auto reader = open_folder(*source);
  std::vector<std::byte> frame(form().shape.bytes());
  const auto expect_all = [&] {
    ASSERT_EQ(reader->records().size(), kFrames);
    for (std::size_t i = 0; i < kFrames; ++i) {
      const auto read = reader->read_frame(i, frame);
      ASSERT_TRUE(read.ok()) << read.error().text;
      ASSERT_EQ(frame, sample::frame(form().shape, i));
    }
  };
  ASSERT_TRUE(reader->read_frame(0, frame).ok());
  seal_full_pieces(disk, form());
  expect_all();  // piece 0 as it was, the others as they are now
  EXPECT_FALSE(reader->pieces()[0].sealed);
  ASSERT_TRUE(reader->refresh().ok());
  EXPECT_TRUE(reader->pieces()[0].sealed);
  expect_all();
  EXPECT_TRUE(reader->faults().empty());
}

TEST_P(Seal, CopiesChunksOnlyWhereTheyLieInOrder) {
  auto disk = recorded(form(), codec());
  seal_full_pieces(disk, form());
  const auto source = disk_source(disk);
  const auto reader = open_folder(*source);
  const auto each = session::chunk_frames(form().shape, form().places);
  std::vector<std::byte> chunk;
  EXPECT_TRUE(*reader->read_chunk(0, each, codec(), chunk));
  std::vector<std::byte> frames(each * form().shape.bytes());
  EXPECT_TRUE(session::unpack(codec(), form().shape.pixel, chunk, frames));
  EXPECT_TRUE(std::equal(frames.begin(),
                         frames.begin() + static_cast<std::ptrdiff_t>(form().shape.bytes()),
                         sample::frame(form().shape, 0).begin()));
  const auto other = codec() == Codec::deflate ? Codec::bitshuffle_lz4 : Codec::deflate;
  EXPECT_FALSE(*reader->read_chunk(0, each, other, chunk)) << "another codec";
  EXPECT_FALSE(*reader->read_chunk(kFrames - 1, 1, codec(), chunk)) << "not sealed";
  if (each > 1) {
    EXPECT_FALSE(*reader->read_chunk(1, each, codec(), chunk)) << "not where a chunk begins";
    EXPECT_FALSE(*reader->read_chunk(0, each - 1, codec(), chunk)) << "not the whole chunk";
    EXPECT_FALSE(*reader->read_chunk(form().places - 1, each, codec(), chunk)) << "two pieces";
  }
}

class SealCodec : public testing::TestWithParam<Codec> {};
INSTANTIATE_TEST_SUITE_P(Codecs, SealCodec, testing::Values(Codec::deflate, Codec::bitshuffle_lz4),
                         [](const auto& tested) {
                           return tested.param == Codec::deflate ? "deflate" : "bitshuffle";
                         });

TEST_P(SealCodec, KilledAnywhereLosesNothing) {
  const auto before = recorded(kSmall, GetParam());
  for (std::uint64_t change = 0;; change += kStep) {
    SCOPED_TRACE("killed in change " + std::to_string(change));
    auto disk = before;
    const auto plan = plan_of(disk);
    disk.die_at_change(change);
    const auto sealed = seal_piece(disk, plan, 0);
    ASSERT_EQ(sealed.ok(), !disk.dead());
    auto killed = disk.after_kill();
    expect_intact(killed);
    resume_and_fold(killed);
    for (std::uint64_t seed = 0; seed < 4; ++seed) {
      auto cut = disk.after_power_cut(change * 4 + seed);
      expect_intact(cut);
      if (seed == 0) {
        resume_and_fold(cut);
      }
    }
    if (HasFatalFailure()) {
      return;
    }
    if (!disk.dead()) {
      EXPECT_GT(change, 10U);
      return;
    }
  }
}

TEST_P(SealCodec, AFoldOfSealedPiecesThatIsKilledAnywhereLosesNothing) {
  auto before = recorded(kSmall, GetParam());
  seal_full_pieces(before, kSmall);
  for (std::uint64_t change = 0;; change += kStep) {
    SCOPED_TRACE("killed in change " + std::to_string(change));
    auto disk = before;
    disk.die_at_change(change);
    auto session = resume_session(disk, kDirectory, "ink-a");
    const bool folded = session.ok() && (*session)->fold({{"outcome", "finished"}}, {}).ok();
    ASSERT_TRUE(folded || disk.dead());
    const bool died = disk.dead();
    for (auto cut : {disk.after_kill(), disk.after_power_cut(change)}) {
      const auto unfinished = unfinished_sessions(cut, kDirectory);
      ASSERT_TRUE(unfinished.ok());
      if (unfinished->empty()) {
        expect_intact(cut, kPath + ".h5");
      } else {
        expect_intact(cut);
        resume_and_fold(cut);
      }
    }
    if (HasFatalFailure() || !died) {
      EXPECT_GT(change, 40U);
      return;
    }
    change += change > 12 ? 4 : 0;  // HDF5's many writes in between are all alike
  }
}

struct FaultCase {
  bool sync;
  DiskFault how;
};
class SealFault : public testing::TestWithParam<FaultCase> {};
INSTANTIATE_TEST_SUITE_P(Faults, SealFault,
                         testing::Values(FaultCase{false, DiskFault::io_error},
                                         FaultCase{false, DiskFault::no_space},
                                         FaultCase{true, DiskFault::io_error},
                                         FaultCase{true, DiskFault::no_space}),
                         [](const auto& tested) {
                           return std::string(tested.param.sync ? "Sync" : "Write") +
                                  (tested.param.how == DiskFault::io_error ? "Error" : "NoSpace");
                         });

TEST_P(SealFault, AnywhereLeavesThePieceAndCanBeTriedAgain) {
  const auto before = recorded(kSmall, Codec::deflate);
  for (std::uint64_t k = 0;; k += kStep) {
    SCOPED_TRACE("fault at operation " + std::to_string(k));
    auto disk = before;
    const auto plan = plan_of(disk);
    disk.reset_counts();
    if (GetParam().sync) {
      disk.fail_syncs(k, 1, GetParam().how);
    } else {
      disk.fail_writes(k, 1, GetParam().how);
    }
    const auto sealed = seal_piece(disk, plan, 0);
    expect_intact(disk);
    EXPECT_FALSE(disk.exists(kPath + "/piece-0.h5.part"));
    for (std::uint64_t seed = 0; seed < 3; ++seed) {
      auto cut = disk.after_power_cut(seed);
      expect_intact(cut);
    }
    if (sealed.ok()) {
      EXPECT_GT(k, GetParam().sync ? 1U : 3U);
      return;
    }
    EXPECT_EQ(sealed.error().code, ErrorCode::storage_failed);
    EXPECT_THAT(sealed.error().text,
                HasSubstr(GetParam().how == DiskFault::io_error ? "Input/output error"
                                                                : "No space left on device"));
    ASSERT_TRUE(seal_piece(disk, plan, 0).ok());
    EXPECT_THAT(sealed_pieces(disk), ElementsAre(true, false, false));
    expect_intact(disk);
    if (HasFatalFailure()) {
      return;
    }
  }
}

TEST(SealRefused, APieceThatIsNotFullOrNotIntactStaysAsItIs) {
  auto disk = recorded(kSmall, Codec::deflate);
  const auto plan = plan_of(disk);
  const auto expect_refusal = [&](std::uint64_t number, const std::string& sentence) {
    const auto before = *read_all(disk, kPath + "/" + session::piece_name(number));
    const auto sealed = seal_piece(disk, plan, number);
    ASSERT_FALSE(sealed.ok());
    EXPECT_EQ(sealed.error().code, ErrorCode::corrupt);
    EXPECT_EQ(sealed.error().text, kPath + sentence);
    EXPECT_EQ(*read_all(disk, kPath + "/" + session::piece_name(number)), before);
  };
  expect_refusal(2, "/piece-2.h5 is not sealed, because place 4 holds no frame");
  disk.flip_bit(kPath + "/piece-1.h5", plan.layout.frames_offset + 3 * kSmall.shape.bytes() + 9, 2);
  expect_refusal(1,
                 "/piece-1.h5 is not sealed, because the frame in place 3 does not match its "
                 "checksum");
}

// --- Damage: exactly what is lost
// ------------------------------------------------------------------

std::vector<std::string> findings(Disk& disk) {
  const auto source = disk_source(disk);
  const auto report = session::verify(*source, kPath);
  std::vector<std::string> found;
  for (const auto& finding : report->findings) {
    found.push_back(finding.place + " | " + finding.sentence);
  }
  return found;
}

TEST(SealDamage, OneCopyOfTheTableIsEnough) {
  auto whole = recorded(kSmall, Codec::deflate);
  seal_full_pieces(whole, kSmall);
  for (const std::uint64_t offset : {0, 3, 40, 60, 512, 530, 575}) {
    auto disk = whole;
    disk.flip_bit(kPath + "/piece-1.h5", offset, 5);
    EXPECT_THAT(findings(disk),
                ElementsAre("piece-1.h5 | one of the two copies of its chunk table is damaged; the "
                            "other one is good, and no frame is lost"))
        << offset;
  }
}

TEST(SealDamage, BothCopiesOfTheTable) {
  auto disk = recorded(kSmall, Codec::deflate);
  seal_full_pieces(disk, kSmall);
  disk.flip_bit(kPath + "/piece-1.h5", 40, 0);
  disk.flip_bit(kPath + "/piece-1.h5", 560, 0);
  const auto found = findings(disk);
  ASSERT_FALSE(found.empty());
  EXPECT_EQ(found[0],
            "piece-1.h5 | both copies of its chunk table are damaged: Creel cannot find the 5 "
            "frames it holds. Another HDF5 program may still read them");
  const auto resumed = resume_session(disk, kDirectory, "ink-a");
  ASSERT_FALSE(resumed.ok());
  EXPECT_THAT(resumed.error().text, HasSubstr("cannot go on, because piece-1.h5 both copies"));
}

TEST(SealDamage, OfAChunkIsSaidFrameByFrameAndKeepsTheFolder) {
  auto disk = recorded(kSmall, Codec::deflate);
  seal_full_pieces(disk, kSmall);
  const auto piece = kPath + "/piece-1.h5";
  const auto bytes = *read_all(disk, piece);
  const auto table =
      session::read_table(std::as_bytes(std::span(bytes)), kSmall.shape, kSmall.places);
  ASSERT_TRUE(table.has_value());
  ASSERT_EQ(table->chunks.size(), 1U);
  disk.flip_bit(piece, table->chunks[0].offset, 3);  // the head of zlib's stream: nothing comes out
  std::vector<std::string> expected;
  for (int place = 0; place < 5; ++place) {
    const auto where =
        "piece-1.h5 place " + std::to_string(place) + " (frame " + std::to_string(5 + place) + ")";
    expected.push_back(where);
    expected.back().append(" | ").append(where).append(": the frame does not match its checksum");
  }
  EXPECT_EQ(findings(disk), expected);
  auto session = resume_session(disk, kDirectory, "ink-a");
  ASSERT_TRUE(session.ok());
  const auto file = (*session)->fold({}, {});
  ASSERT_FALSE(file.ok());
  EXPECT_EQ(file.error().text,
            "piece-1.h5 place 0 (frame 5): the frame does not match its checksum");
  EXPECT_FALSE(disk.exists(kPath + ".h5"));
  EXPECT_FALSE(disk.exists(kPath + ".h5.part"));
}

TEST(SealDamage, OfARecordAndOfTheEnd) {
  auto disk = recorded(kSmall, Codec::bitshuffle_lz4);
  seal_full_pieces(disk, kSmall);
  const auto piece = kPath + "/piece-0.h5";
  const auto bytes = *read_all(disk, piece);
  // The first record begins with its magic.
  disk.flip_bit(piece, bytes.find("CFR1") + 20, 1);
  EXPECT_THAT(
      findings(disk),
      testing::Contains("piece-0.h5 place 0 | held an acknowledged frame, and its record is "
                        "now damaged"));
  disk.truncate(piece, bytes.size() - 1);
  EXPECT_THAT(findings(disk),
              testing::Contains("piece-0.h5 | has " + std::to_string(bytes.size() - 1) +
                                " bytes instead of " + std::to_string(bytes.size()) +
                                ": the frames in the rest are gone"));
}

// --- In the background
// -----------------------------------------------------------------------------

class Background : public testing::Test {
 protected:
  std::vector<Worker*> workers() { return {&first_, &second_}; }
  platform::ThreadWorker first_, second_;
};

TEST_F(Background, SealsWhileTheSessionGoesOn) {
  FakeDisk disk;
  constexpr std::uint64_t frames = 60;
  auto session = begin(disk, kSmall, Codec::deflate);
  Sealing sealing(disk, plan_of(disk), workers());
  const auto source = disk_source(disk);
  for (std::uint64_t number = 0; number < frames; ++number) {
    put(*session, kSmall.shape, number, number + 1);
    if (number % kSmall.places == 0 && number > 0) {  // the store has gone to the next piece
      sealing.piece_full(number / kSmall.places - 1);
      expect_frames(disk, kPath, number + 1);
    }
  }
  sealing.wait();
  EXPECT_EQ(sealing.progress().sealed, 11U);
  EXPECT_EQ(sealing.progress().total, 11U);
  EXPECT_TRUE(sealing.news().empty());
  expect_frames(disk, kPath, frames);
  const auto file = session->fold({{"outcome", "finished"}}, {});
  ASSERT_TRUE(file.ok()) << file.error().text;
  expect_frames(disk, *file, frames);
}

TEST_F(Background, TellsOfAFailureOnceAndGoesOn) {
  auto disk = recorded(kSmall, Codec::deflate);
  disk.set_capacity(0);
  Sealing sealing(disk, plan_of(disk), workers());
  sealing.piece_full(0);
  sealing.piece_full(1);
  sealing.wait();
  auto news = sealing.news();
  ASSERT_EQ(news.size(), 1U);
  EXPECT_THAT(news[0], HasSubstr("a full piece stays unpacked for now: /sessions/ink-a/piece-"));
  EXPECT_THAT(news[0], HasSubstr("No space left on device"));
  EXPECT_TRUE(sealing.news().empty());
  EXPECT_EQ(sealing.progress().sealed, 0U);
  expect_intact(disk);
  disk.set_capacity(1ULL << 40);
  sealing.piece_full(0);
  sealing.wait();
  EXPECT_THAT(sealed_pieces(disk), ElementsAre(true, false, false));
  disk.set_capacity(0);
  sealing.piece_full(1);
  sealing.wait();
  EXPECT_EQ(sealing.news().size(), 1U) << "a new failure after a success";
}

TEST_F(Background, StopsAndLeavesNoDraft) {
  auto disk = recorded(kAlone, Codec::deflate);
  {
    Sealing sealing(disk, plan_of(disk), workers());
    for (std::uint64_t number = 0; number < 3; ++number) {
      sealing.piece_full(number);
    }
    sealing.stop();
    sealing.piece_full(0);
    EXPECT_EQ(sealing.progress().total, 3U) << "nothing is taken any more";
    EXPECT_TRUE(sealing.news().empty());
  }
  const auto names = disk.list(kPath);
  for (const auto& name : *names) {
    EXPECT_FALSE(name.ends_with(".part")) << name;
  }
  expect_intact(disk);
}

TEST_F(Background, GivesWayToFramesAndGoesOnAfterwards) {
  auto disk = recorded(kSmall, Codec::deflate);
  Sealing sealing(disk, plan_of(disk), workers());
  sealing.give_way(true);
  sealing.piece_full(0);
  std::this_thread::sleep_for(std::chrono::milliseconds(20));  // it would have been done long ago
  EXPECT_EQ(sealing.progress().sealed, 0U);
  EXPECT_THAT(sealed_pieces(disk), ElementsAre(false, false, false));
  sealing.give_way(false);
  sealing.wait();
  EXPECT_EQ(sealing.progress().sealed, 1U);
  EXPECT_THAT(sealed_pieces(disk), ElementsAre(true, false, false));
  sealing.give_way(true);
  sealing.piece_full(1);
  sealing.stop();  // does not wait for the frames
  EXPECT_EQ(sealing.progress().sealed, 1U);
}

TEST_F(Background, DoesNothingWithoutWorkersOrCodec) {
  auto disk = recorded(kSmall, Codec::none);
  const auto plan = plan_of(disk);
  EXPECT_EQ(plan.codec, Codec::none);
  Sealing none(disk, plan, workers());
  auto with = plan;
  with.codec = Codec::deflate;
  Sealing alone(disk, with, {});
  for (auto* sealing : {&none, &alone}) {
    sealing->piece_full(0);
    sealing->wait();
    EXPECT_EQ(sealing->progress().total, 0U);
  }
  EXPECT_THAT(sealed_pieces(disk), ElementsAre(false, false, false));
  resume_and_fold(disk);
}

TEST_F(Background, WorkIsSharedAndABusyWorkerIsNotWaitedFor) {
  std::vector<std::atomic<int>> done(100);
  on_workers(workers(), done.size(), [&](std::size_t i) { done[i] += 1; });
  std::promise<void> leave;
  first_.run([left = leave.get_future().share()] { left.wait(); });
  on_workers(workers(), done.size(), [&](std::size_t i) { done[i] += 1; });
  leave.set_value();
  for (const auto& count : done) {
    EXPECT_EQ(count, 2);
  }
}

}  // namespace
}  // namespace creel::store
