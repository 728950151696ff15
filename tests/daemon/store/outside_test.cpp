// Sessions on the real disk, read by programs that are not ours: h5py and h5dump.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>
#include <zlib.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "daemon/platform/disk.h"
#include "daemon/store/piece.h"
#include "daemon/store/seal.h"
#include "protocol/session/folder_reader.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/daemon/store/outside.h"
#include "tests/fakes/disk.h"

namespace creel::store {
namespace {

using nlohmann::json;
using testing::HasSubstr;

bool has_plugin() {
  return run(std::string(kPython) + " -c 'import h5py; print(h5py.h5z.filter_avail(32008))'") ==
         "True\n";
}

class Outside : public testing::TestWithParam<FrameShape> {
 protected:
  void SetUp() override {
    directory_ = (std::filesystem::temp_directory_path() /
                  ("creel-store-test-" + std::to_string(::getpid())))
                     .string();
    std::filesystem::create_directories(directory_);
    disk_ = make_posix_disk();
  }
  void TearDown() override { std::filesystem::remove_all(directory_); }

  std::string path() const { return directory_ + "/ink-a"; }

  std::unique_ptr<Session> create(FrameShape shape, std::uint64_t planned) {
    auto start = sample::start(directory_, "ink-a", shape, planned);
    start.codec = codec_;
    auto session = create_session(*disk_, start);
    EXPECT_TRUE(session.ok()) << (session.ok() ? "" : session.error().text);
    return session.ok() ? std::move(session).value() : nullptr;
  }

  // Runs look_from_outside.py on the session, which must hold frames 0..count-1.
  std::string look(const std::string& state, const std::string& where, FrameShape shape,
                   std::uint64_t planned, std::uint64_t count) {
    constexpr std::array<const char*, 4> types = {"<u1", "<u2", "<u4", "<f4"};
    json expected = {{"rows", shape.rows},
                     {"columns", shape.columns},
                     {"dtype", types[static_cast<std::size_t>(shape.pixel)]},
                     {"capacity", piece_capacity(shape, planned)},
                     {"series", sample::kSeries},
                     {"rig", sample::kRig},
                     {"sealed", sealed_},
                     {"codec", session::codec_name(codec_)},
                     {"crc", json::array()}};
    for (std::uint64_t number = 0; number < count; ++number) {
      const auto frame = sample::frame(shape, number);
      expected["crc"].push_back(::crc32(0, reinterpret_cast<const Bytef*>(frame.data()),
                                        static_cast<uInt>(frame.size())));
    }
    const auto file = directory_ + "/expected.json";
    std::ofstream(file) << expected.dump();
    return run(std::string(kPython) + " " + CREEL_TEST_FOLDER + "/look_from_outside.py " + state +
               " " + where + " " + file);
  }

  // Seals pieces 0..count-1.
  void seal(FrameShape shape, std::uint64_t count) {
    const auto source = session::native_source();
    const auto reader = session::FolderReader::open(*source, path());
    ASSERT_TRUE(reader.ok());
    for (std::uint64_t number = 0; number < count; ++number) {
      const auto sealed = seal_piece(*disk_, {path(), (*reader)->layout(), shape, codec_}, number);
      ASSERT_TRUE(sealed.ok()) << sealed.error().text;
      sealed_.push_back(number);
    }
  }

  std::string directory_;
  std::unique_ptr<Disk> disk_;
  session::Codec codec_ = session::Codec::deflate;
  std::vector<std::uint64_t> sealed_;
};

void put(Session& session, FrameShape shape, std::uint64_t first, std::uint64_t end) {
  for (auto number = first; number < end; ++number) {
    ASSERT_TRUE(session.append(sample::record(number), sample::frame(shape, number)).ok());
  }
  ASSERT_TRUE(session.commit().ok());
}

// With the readings that look_from_outside.py expects.
Result<std::string> fold_in_one(Session& session) {
  for (const auto& [power, taken_ns, valid] : {std::tuple(20.0, 6'000'000'000, true),
                                               {0.0, 7'000'000'000, false},
                                               {19.5, 8'000'000'000, true}}) {
    EXPECT_TRUE(session
                    .event({{"event", "gauges"},
                            {"readings",
                             {{"laser_power",
                               {{{"value", power}, {"taken_ns", taken_ns}, {"valid", valid}}}}}}})
                    .ok());
  }
  return session.fold({{"outcome", "finished"}}, {});
}

TEST_P(Outside, H5pyReadsASessionThatRunsAndOneThatIsFolded) {
  if (!has_h5py()) {
    GTEST_SKIP() << "h5py is not installed for " << kPython;
  }
  const auto shape = GetParam();
  auto session = create(shape, 5);
  ASSERT_NE(session, nullptr);
  EXPECT_EQ(look("folder", path(), shape, 5, 0), "ok\n") << "before the first frame";
  put(*session, shape, 0, 2);
  EXPECT_EQ(look("folder", path(), shape, 5, 2), "ok\n") << "in the first piece";
  put(*session, shape, 2, 12);
  EXPECT_EQ(look("folder", path(), shape, 5, 12), "ok\n") << "in the third piece";
  const auto file = fold_in_one(*session);
  ASSERT_TRUE(file.ok()) << file.error().text;
  EXPECT_EQ(look("file", *file, shape, 5, 12), "ok\n") << "folded";
}

TEST_P(Outside, H5pyReadsSealedPiecesThroughWholeH5) {
  if (!has_h5py()) {
    GTEST_SKIP() << "h5py is not installed for " << kPython;
  }
  const auto shape = GetParam();
  for (const auto codec : {session::Codec::deflate, session::Codec::bitshuffle_lz4}) {
    if (codec == session::Codec::bitshuffle_lz4 && !has_plugin()) {
      GTEST_SKIP() << "h5py finds no plugin for filter 32008";
    }
    codec_ = codec;
    sealed_.clear();
    auto session = create(shape, 5);
    ASSERT_NE(session, nullptr);
    put(*session, shape, 0, 12);
    const auto whole = read_all(*disk_, path() + "/whole.h5");
    seal(shape, 1);
    EXPECT_EQ(look("folder", path(), shape, 5, 12), "ok\n") << "one sealed";
    seal(shape, 2);
    EXPECT_EQ(look("folder", path(), shape, 5, 12), "ok\n") << "two sealed, one not full";
    EXPECT_EQ(*read_all(*disk_, path() + "/whole.h5"), *whole) << "is never touched";
    const auto file = fold_in_one(*session);
    ASSERT_TRUE(file.ok()) << file.error().text;
    EXPECT_EQ(look("file", *file, shape, 5, 12), "ok\n") << "folded";
    std::filesystem::remove(*file);
  }
}

INSTANTIATE_TEST_SUITE_P(
    Shapes, Outside,
    testing::Values(FrameShape{1, 256, Pixel::u16}, FrameShape{1, 100, Pixel::u8},
                    FrameShape{1, 64, Pixel::f32}, FrameShape{24, 40, Pixel::u16},
                    FrameShape{7, 5, Pixel::u32}, FrameShape{16, 16, Pixel::f32}),
    [](const auto& tested) {
      return std::string(tested.param.rows == 1 ? "spectrum_" : "image_") +
             std::string(pixel_name(tested.param.pixel));
    });

using OutsideOnce = Outside;
INSTANTIATE_TEST_SUITE_P(One, OutsideOnce, testing::Values(FrameShape{1, 256, Pixel::u16}));

// Writes until it is killed; says on the pipe how many frames are acknowledged.
[[noreturn]] void write_until_killed(Disk& disk, const SessionStart& start, int pipe) {
  auto session = create_session(disk, start);
  for (std::uint64_t number = 0; session.ok(); ++number) {
    const bool stored =
        (*session)->append(sample::record(number), sample::frame(start.shape, number)).ok();
    const auto durable = (*session)->commit();
    if (!stored || !durable.ok() || ::write(pipe, &*durable, sizeof(*durable)) < 0) {
      break;
    }
  }
  ::_exit(1);
}

TEST_P(OutsideOnce, AWriterKilledAtARandomMomentLeavesEveryAcknowledgedFrameReadable) {
  const auto shape = GetParam();
  for (std::uint64_t after = 1; after <= 9; after += 4) {
    const auto name = "kill-" + std::to_string(after);
    const auto start = sample::start(directory_, name, shape, 40);
    std::array<int, 2> pipe{};
    ASSERT_EQ(::pipe(pipe.data()), 0);
    const auto child = ::fork();
    ASSERT_GE(child, 0);
    if (child == 0) {
      write_until_killed(*disk_, start, pipe[1]);
    }
    ::close(pipe[1]);
    std::uint64_t acknowledged = 0;
    while (acknowledged<after&& ::read(pipe[0], &acknowledged, sizeof(acknowledged))> 0) {
    }
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    while (::read(pipe[0], &acknowledged, sizeof(acknowledged)) > 0) {
    }
    ::close(pipe[0]);
    expect_frames(*disk_, directory_ + "/" + name, acknowledged);
    const auto report = session::verify(*session::native_source(), directory_ + "/" + name);
    ASSERT_TRUE(report.ok() && report->intact()) << session::to_json(*report).dump(1);
    if (has_h5py()) {
      EXPECT_EQ(look("killed", directory_ + "/" + name, shape, 40, report->frames), "ok\n");
    }
  }
}

// The power failed after a commit: what the disk had not yet been told to keep, among it that these
// frames count, is there or not, as the seed says.
TEST_P(OutsideOnce, H5pyReadsWhatAPowerCutLeft) {
  if (!has_h5py()) {
    GTEST_SKIP() << "h5py is not installed for " << kPython;
  }
  const auto shape = GetParam();
  constexpr std::uint64_t kPlanned = 5, kCommitted = 7;
  fakes::FakeDisk fake;
  auto session = create_session(fake, sample::start("/sessions", "ink-a", shape, kPlanned));
  ASSERT_TRUE(session.ok()) << session.error().text;
  put(**session, shape, 0, 3);
  put(**session, shape, 3, kCommitted);
  for (std::uint64_t seed = 1; seed <= 3; ++seed) {
    auto cut = fake.after_power_cut(seed);
    std::filesystem::remove_all(path());
    std::filesystem::create_directories(path());
    const auto names = cut.list("/sessions/ink-a").value();
    for (const auto& name : names) {
      std::ofstream(path() + "/" + name, std::ios::binary)
          << *read_all(cut, "/sessions/ink-a/" + name);
    }
    EXPECT_EQ(look("killed", path(), shape, kPlanned, kCommitted), "ok\n") << "seed " << seed;
  }
}

TEST_P(OutsideOnce, H5dumpShowsFramesAndRecordsInEveryState) {
  if (run("h5dump --version").find("Version") == std::string::npos) {
    GTEST_SKIP() << "h5dump is not installed";
  }
  const auto shape = GetParam();
  auto session = create(shape, 5);
  put(*session, shape, 0, 7);
  const auto magic = std::to_string(session::Record::kMagic);
  std::uint16_t pixel = 0;
  std::memcpy(&pixel, sample::frame(shape, 6).data(), 2);
  // Its output is looked at, not its exit code: it says 0 even where it could not read.
  EXPECT_THAT(run("h5dump -d /record -s 1 -c 1 " + path() + "/piece-1.h5"), HasSubstr(magic));
  EXPECT_THAT(run("h5dump -d /n_valid " + path() + "/piece-1.h5"), HasSubstr("(0): 2"));
  EXPECT_THAT(run("h5dump -d /frames -s 1,0,0 -c 1,1,1 " + path() + "/piece-1.h5"),
              HasSubstr("(1,0,0): " + std::to_string(pixel)));
  const std::string set = "/entry/measurement/instrument/detector/data";
  EXPECT_THAT(run("h5dump -d " + set + " -s 6,0 -c 1,1 " + path() + "/whole.h5"),
              HasSubstr("(6,0): " + std::to_string(pixel)));
  EXPECT_THAT(run("h5dump -d /entry/sample/name " + path() + "/whole.h5"),
              HasSubstr("ink A, grid 3"));
  ASSERT_TRUE(session->fold({}, {}).ok());
  EXPECT_THAT(run("h5dump -d " + set + " -s 6,0 -c 1,1 " + path() + ".h5"),
              HasSubstr("(6,0): " + std::to_string(pixel)));
  EXPECT_THAT(run("h5dump -d /entry/creel/record -s 6 -c 1 " + path() + ".h5"), HasSubstr(magic));
}

TEST_P(OutsideOnce, H5dumpShowsFramesAndRecordsOfSealedPieces) {
  if (run("h5dump --version").find("Version") == std::string::npos) {
    GTEST_SKIP() << "h5dump is not installed";
  }
  const auto shape = GetParam();
  auto session = create(shape, 5);
  put(*session, shape, 0, 7);
  seal(shape, 1);
  const auto magic = std::to_string(session::Record::kMagic);
  std::uint16_t pixel = 0;
  std::memcpy(&pixel, sample::frame(shape, 3).data(), 2);
  const auto piece = path() + "/piece-0.h5";
  EXPECT_THAT(run("h5dump -d /record -s 1 -c 1 " + piece), HasSubstr(magic));
  EXPECT_THAT(run("h5dump -d /n_valid " + piece), HasSubstr("(0): 5"));
  EXPECT_THAT(run("h5dump -d /frames -s 3,0,0 -c 1,1,1 " + piece),
              HasSubstr("(3,0,0): " + std::to_string(pixel)));
  EXPECT_THAT(run("h5dump -B " + piece), HasSubstr("SUPERBLOCK_VERSION 0"))
      << "the earliest format";
  EXPECT_THAT(run("h5dump -d /entry/measurement/instrument/detector/data -s 3,0 -c 1,1 " + path() +
                  "/whole.h5"),
              HasSubstr("(3,0): " + std::to_string(pixel)));
}

TEST_P(OutsideOnce, AnotherHdf5ProgramCannotWriteIntoARunningSession) {
  if (!has_h5py()) {
    GTEST_SKIP() << "h5py is not installed for " << kPython;
  }
  auto session = create(GetParam(), 5);
  put(*session, GetParam(), 0, 1);
  for (const auto* file : {"whole.h5", "piece-0.h5"}) {
    const auto said = run(std::string(kPython) + " -c 'import h5py; h5py.File(\"" + path() + "/" +
                          file + "\", \"r+\")'");
    EXPECT_THAT(said, HasSubstr("unable to lock file")) << file;
  }
  expect_frames(*disk_, path(), 1);
}

}  // namespace
}  // namespace creel::store
