// Torn and bit-flipped files: an error or a finding, never a crash, a hang or wrong data.
#include <gtest/gtest.h>

#include "daemon/store/disk_source.h"
#include "daemon/store/seal.h"
#include "daemon/store/session.h"
#include "protocol/session/folder_reader.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/checks.h"
#include "tests/fakes/disk.h"

// HDF5 1.10 itself leaks an object header whose checksum is wrong; a leak of ours is still
// reported.
extern "C" const char* __lsan_default_suppressions();  // NOLINT(bugprone-reserved-identifier)
extern "C" const char* __lsan_default_suppressions() {
  return "leak:libhdf5_serial";
}

namespace creel::session {
namespace {

using fakes::FakeDisk;
using store::kDirectory;

namespace sample = store::sample;

constexpr FrameShape kShape{1, 32, Pixel::u16};
constexpr std::uint64_t kFrames = 6;
const std::string kFolder = "/sessions/ink-a";

FakeDisk recorded(bool fold) {
  FakeDisk disk;
  auto session = store::create_session(disk, sample::start(kDirectory, "ink-a", kShape, 4));
  for (std::uint64_t number = 0; number < kFrames; ++number) {
    EXPECT_TRUE((*session)->append(sample::record(number), sample::frame(kShape, number)).ok());
  }
  EXPECT_TRUE((*session)->commit().ok());
  EXPECT_TRUE((*session)->event({{"event", "x"}, {"text", "something"}}).ok());
  if (fold) {
    EXPECT_TRUE((*session)->fold({{"outcome", "finished"}}, {}).ok());
  }
  return disk;
}

// With its first piece, the only full one, sealed.
FakeDisk with_sealed_piece(Codec codec) {
  FakeDisk disk;
  auto start = sample::start(kDirectory, "ink-a", kShape, 4);
  start.codec = codec;
  auto session = store::create_session(disk, start);
  for (std::uint64_t number = 0; number < kFrames; ++number) {
    EXPECT_TRUE((*session)->append(sample::record(number), sample::frame(kShape, number)).ok());
  }
  EXPECT_TRUE((*session)->commit().ok());
  const auto source = store::disk_source(disk);
  const auto layout = (*FolderReader::open(*source, kFolder))->layout();
  const auto sealed = store::seal_piece(disk, {kFolder, layout, kShape, codec}, 0);
  EXPECT_TRUE(sealed.ok()) << sealed.error().text;
  return disk;
}

// Opens and reads all there is. Whatever comes back as a frame must be the frame.
void read_everything(FakeDisk& disk, const std::string& path) {
  const auto source = store::disk_source(disk);
  const auto report = verify(*source, path);
  ASSERT_TRUE(report.ok());
  const auto reader = Reader::open(*source, path);
  if (!reader.ok()) {
    ASSERT_FALSE(report->intact());
    return;
  }
  std::vector<std::byte> bytes((*reader)->documents().shape.bytes());
  std::uint64_t read = 0;
  for (std::size_t i = 0; i < (*reader)->records().size(); ++i) {
    if ((*reader)->read_frame(i, bytes).ok()) {
      ASSERT_EQ(bytes, sample::frame(kShape, (*reader)->records()[i].exposure));
      read += 1;
    }
  }
  ASSERT_EQ(read, report->frames);
  ASSERT_TRUE(read == kFrames || !report->intact()) << "a shorter session is never silently so";
}

void flip_bits(const FakeDisk& whole, const std::string& file, const std::string& path,
               std::uint64_t step) {
  FakeDisk probe = whole;
  const auto size = read_all(probe, file)->size();
  for (std::uint64_t at = step / 2; at < size; at += step) {
    SCOPED_TRACE(file + ": bit " + std::to_string(at % 8) + " of byte " + std::to_string(at));
    FakeDisk disk = whole;
    disk.flip_bit(file, at, static_cast<unsigned>((at / step) % 8));
    read_everything(disk, path);
    if (testing::Test::HasFailure()) {
      return;
    }
  }
}

void tear(const FakeDisk& whole, const std::string& file, const std::string& path,
          std::uint64_t step) {
  FakeDisk probe = whole;
  const auto size = read_all(probe, file)->size();
  for (std::uint64_t bytes = 0; bytes < size; bytes += step) {
    SCOPED_TRACE(file + " cut to " + std::to_string(bytes));
    FakeDisk disk = whole;
    disk.truncate(file, bytes);
    read_everything(disk, path);
    if (testing::Test::HasFailure()) {
      return;
    }
  }
}

// Odd steps, so that runs of one length do not always hit the same field.
TEST(Damage, BitsOfWholeH5) {
  flip_bits(recorded(false), kFolder + "/whole.h5", kFolder, 229);
}
TEST(Damage, BitsOfAPiece) {
  flip_bits(recorded(false), kFolder + "/piece-1.h5", kFolder, 101);
}
TEST(Damage, BitsOfASealedPiece) {
  for (const auto codec : {Codec::deflate, Codec::bitshuffle_lz4}) {
    flip_bits(with_sealed_piece(codec), kFolder + "/piece-0.h5", kFolder, 67);
  }
}
TEST(Damage, ATornSealedPiece) {
  for (const auto codec : {Codec::deflate, Codec::bitshuffle_lz4}) {
    tear(with_sealed_piece(codec), kFolder + "/piece-0.h5", kFolder, 211);
  }
}
TEST(Damage, BitsOfTheLog) {
  flip_bits(recorded(false), kFolder + "/events.log", kFolder, 3);
}
TEST(Damage, BitsOfAFoldedFile) {
  flip_bits(recorded(true), kFolder + ".h5", kFolder + ".h5", 557);
}
TEST(Damage, ATornWholeH5) {
  tear(recorded(false), kFolder + "/whole.h5", kFolder, 1499);
}
TEST(Damage, ATornPiece) {
  tear(recorded(false), kFolder + "/piece-1.h5", kFolder, 97);
}
TEST(Damage, ATornFoldedFile) {
  tear(recorded(true), kFolder + ".h5", kFolder + ".h5", 1499);
}

}  // namespace
}  // namespace creel::session
