// The Disk interface: what the real disk and the fake one both do, and the bad behaviour of the
// fake one.
#include "daemon/seams/disk.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>

#include "daemon/platform/disk.h"
#include "tests/fakes/disk.h"

namespace creel {
namespace {

using fakes::DiskFault;
using fakes::FakeDisk;
using testing::ElementsAre;
using testing::HasSubstr;

std::span<const std::byte> bytes(std::string_view text) {
  return std::as_bytes(std::span(text));
}

void write(Disk& disk, const std::string& path, std::string_view text) {
  auto file = disk.open(path, OpenMode::create_or_open);
  ASSERT_TRUE(file.ok()) << file.error().text;
  ASSERT_TRUE((*file)->write_at(0, bytes(text)).ok());
  ASSERT_TRUE((*file)->sync().ok());
}

struct TestedDisk {
  std::unique_ptr<Disk> disk;
  std::string directory;
};

class EveryDisk : public testing::TestWithParam<bool> {
 protected:
  void SetUp() override {
    if (GetParam()) {
      directory_ = (std::filesystem::temp_directory_path() /
                    ("creel-disk-test-" + std::to_string(::getpid())))
                       .string();
      disk_ = make_posix_disk();
    } else {
      directory_ = "/base";
      disk_ = std::make_unique<FakeDisk>();
    }
    ASSERT_TRUE(disk_->create_directories(directory_ + "/a/b").ok());
  }
  void TearDown() override {
    if (GetParam()) {
      std::filesystem::remove_all(directory_);
    }
  }
  std::unique_ptr<Disk> disk_;
  std::string directory_;
};

TEST_P(EveryDisk, KeepsWhatIsWritten) {
  const auto path = directory_ + "/a/file";
  auto file = disk_->open(path, OpenMode::create_new);
  ASSERT_TRUE(file.ok()) << file.error().text;
  ASSERT_TRUE((*file)->write_at(5000, bytes("tail")).ok());
  ASSERT_TRUE((*file)->write_at(0, bytes("head")).ok());
  EXPECT_EQ(*(*file)->size(), 5004U);
  ASSERT_TRUE((*file)->sync().ok());
  auto text = read_all(*disk_, path);
  ASSERT_TRUE(text.ok());
  EXPECT_EQ(text->size(), 5004U);
  EXPECT_EQ(text->substr(0, 6), std::string("head\0\0", 6));
  EXPECT_EQ(text->substr(5000), "tail");
}

TEST_P(EveryDisk, ReadsFewerBytesOnlyAtTheEnd) {
  write(*disk_, directory_ + "/file", "0123456789");
  auto file = disk_->open(directory_ + "/file", OpenMode::read);
  std::array<std::byte, 8> buffer{};
  EXPECT_EQ(*(*file)->read_at(0, buffer), 8U);
  EXPECT_EQ(*(*file)->read_at(6, buffer), 4U);
  EXPECT_EQ(*(*file)->read_at(100, buffer), 0U);
}

TEST_P(EveryDisk, OpenModesAreKept) {
  const auto path = directory_ + "/file";
  EXPECT_FALSE(disk_->open(path, OpenMode::read).ok());
  EXPECT_FALSE(disk_->open(path, OpenMode::read_write).ok());
  EXPECT_TRUE(disk_->open(path, OpenMode::create_new).ok());
  auto again = disk_->open(path, OpenMode::create_new);
  ASSERT_FALSE(again.ok());
  EXPECT_THAT(again.error().text, HasSubstr(path));
  EXPECT_THAT(again.error().text, HasSubstr("File exists"));
  EXPECT_TRUE(disk_->open(path, OpenMode::create_or_open).ok());
  EXPECT_FALSE(disk_->open(directory_ + "/none/file", OpenMode::create_new).ok());
}

TEST_P(EveryDisk, AReadOnlyFileIsNotWritten) {
  write(*disk_, directory_ + "/file", "as it was");
  auto file = disk_->open(directory_ + "/file", OpenMode::read);
  EXPECT_FALSE((*file)->write_at(0, bytes("changed")).ok());
  EXPECT_EQ(*read_all(*disk_, directory_ + "/file"), "as it was");
}

TEST_P(EveryDisk, ResizesAndReserves) {
  auto file = disk_->open(directory_ + "/file", OpenMode::create_new);
  ASSERT_TRUE((*file)->resize(10000).ok());
  ASSERT_TRUE((*file)->reserve(10000).ok());
  ASSERT_TRUE((*file)->write_at(4090, bytes("across a page")).ok());
  ASSERT_TRUE((*file)->resize(4100).ok());
  ASSERT_TRUE((*file)->resize(4200).ok());
  const auto text = *read_all(*disk_, directory_ + "/file");
  EXPECT_EQ(text.size(), 4200U);
  EXPECT_EQ(text.substr(4090, 12), std::string("across a p\0\0", 12));
}

TEST_P(EveryDisk, ListsRenamesAndRemoves) {
  write(*disk_, directory_ + "/a/two", "2");
  write(*disk_, directory_ + "/a/one", "1");
  EXPECT_THAT(*disk_->list(directory_ + "/a"), ElementsAre("b", "one", "two"));
  ASSERT_TRUE(disk_->rename(directory_ + "/a/one", directory_ + "/a/two").ok());
  EXPECT_THAT(*disk_->list(directory_ + "/a"), ElementsAre("b", "two"));
  EXPECT_EQ(*read_all(*disk_, directory_ + "/a/two"), "1");
  EXPECT_FALSE(disk_->remove_directory(directory_ + "/a").ok());
  EXPECT_TRUE(disk_->remove_directory(directory_ + "/a/b").ok());
  EXPECT_TRUE(disk_->remove_file(directory_ + "/a/two").ok());
  EXPECT_TRUE(disk_->remove_directory(directory_ + "/a").ok());
  EXPECT_FALSE(disk_->exists(directory_ + "/a"));
  EXPECT_FALSE(disk_->list(directory_ + "/a").ok());
  EXPECT_FALSE(disk_->remove_file(directory_ + "/a/two").ok());
  EXPECT_TRUE(disk_->sync_directory(directory_).ok());
  EXPECT_GT(*disk_->free_bytes(directory_), 0U);
}

TEST_P(EveryDisk, AnOpenFileOutlivesItsName) {
  write(*disk_, directory_ + "/old", "old");
  auto file = disk_->open(directory_ + "/old", OpenMode::read);
  write(*disk_, directory_ + "/new", "new");
  ASSERT_TRUE(disk_->rename(directory_ + "/new", directory_ + "/old").ok());
  std::array<std::byte, 3> buffer{};
  ASSERT_EQ(*(*file)->read_at(0, buffer), 3U);
  EXPECT_EQ(std::string(reinterpret_cast<const char*>(buffer.data()), 3), "old");
}

TEST_P(EveryDisk, LocksKeepOthersOut) {
  write(*disk_, directory_ + "/file", "x");
  const auto open = [&] {
    return std::move(disk_->open(directory_ + "/file", OpenMode::read_write)).value();
  };
  auto first = open(), second = open(), third = open();
  EXPECT_TRUE(first->lock_shared().ok());
  EXPECT_TRUE(second->lock_shared().ok());
  EXPECT_EQ(third->lock_exclusive().error().code, ErrorCode::refused);
  first.reset();
  second.reset();
  EXPECT_TRUE(third->lock_exclusive().ok());
  EXPECT_EQ(open()->lock_shared().error().code, ErrorCode::refused);
}

INSTANTIATE_TEST_SUITE_P(Disks, EveryDisk, testing::Values(true, false),
                         [](const auto& tested) { return tested.param ? "Posix" : "Fake"; });

TEST(PosixDisk, SaysWhatFailedWhereAndWhy) {
  const auto disk = make_posix_disk();
  const auto missing = disk->open("/no-such-folder/file", OpenMode::read);
  ASSERT_FALSE(missing.ok());
  EXPECT_EQ(missing.error().code, ErrorCode::storage_failed);
  EXPECT_EQ(missing.error().text, "/no-such-folder/file: cannot open: No such file or directory");
}

TEST(FakeDisk, SyncedBytesAndNamesSurviveAnyPowerCut) {
  FakeDisk disk;
  ASSERT_TRUE(disk.create_directories("/d").ok());
  write(disk, "/d/file", std::string(20000, 'x'));
  ASSERT_TRUE(disk.sync_directory("/").ok());
  ASSERT_TRUE(disk.sync_directory("/d").ok());
  for (std::uint64_t seed = 0; seed < 50; ++seed) {
    auto cut = disk.after_power_cut(seed);
    EXPECT_EQ(*read_all(cut, "/d/file"), std::string(20000, 'x')) << seed;
  }
}

TEST(FakeDisk, UnsyncedPagesSurviveByChance) {
  FakeDisk disk;
  write(disk, "/file", std::string(40960, 'o'));
  ASSERT_TRUE(disk.sync_directory("/").ok());
  auto file = disk.open("/file", OpenMode::read_write);
  ASSERT_TRUE((*file)->write_at(0, bytes(std::string(40960, 'n'))).ok());
  int old_pages = 0, new_pages = 0, torn_pages = 0;
  for (std::uint64_t seed = 0; seed < 50; ++seed) {
    auto cut = disk.after_power_cut(seed);
    const auto text = *read_all(cut, "/file");
    ASSERT_EQ(text.size(), 40960U);
    for (std::size_t page = 0; page < 10; ++page) {
      const auto part = text.substr(page * 4096, 4096);
      const auto fresh = std::count(part.begin(), part.end(), 'n');
      new_pages += fresh == 4096 ? 1 : 0;
      old_pages += fresh == 0 ? 1 : 0;
      torn_pages += fresh > 0 && fresh < 4096 ? 1 : 0;
      EXPECT_EQ(fresh % 512, 0);
    }
  }
  EXPECT_GT(old_pages, 50);
  EXPECT_GT(new_pages, 50);
  EXPECT_GT(torn_pages, 20);
  auto killed = disk.after_kill();
  EXPECT_EQ(*read_all(killed, "/file"), std::string(40960, 'n'));
}

TEST(FakeDisk, ANameIsLostWithoutASyncOfItsDirectory) {
  FakeDisk disk;
  write(disk, "/file", "old");
  ASSERT_TRUE(disk.sync_directory("/").ok());
  write(disk, "/draft", "new");
  ASSERT_TRUE(disk.rename("/draft", "/file").ok());
  bool seen_old = false, seen_new = false;
  for (std::uint64_t seed = 0; seed < 50; ++seed) {
    auto cut = disk.after_power_cut(seed);
    const auto text = *read_all(cut, "/file");
    seen_old = seen_old || text == "old";
    seen_new = seen_new || text == "new";
    EXPECT_TRUE(text == "old" || text == "new") << text;
  }
  EXPECT_TRUE(seen_old && seen_new);
}

TEST(FakeDisk, WhatAFailedSyncDroppedIsNotMadeDurableByTheNextOne) {
  FakeDisk disk;
  write(disk, "/file", "old");
  ASSERT_TRUE(disk.sync_directory("/").ok());
  disk.reset_counts();
  disk.fail_syncs(0);
  auto file = disk.open("/file", OpenMode::read_write);
  ASSERT_TRUE((*file)->write_at(0, bytes("new")).ok());
  EXPECT_FALSE((*file)->sync().ok());
  EXPECT_TRUE((*file)->sync().ok());
  EXPECT_EQ(*read_all(disk, "/file"), "new") << "as the system still has it in memory";
  bool seen_old = false;
  for (std::uint64_t seed = 0; seed < 50; ++seed) {
    auto cut = disk.after_power_cut(seed);
    seen_old = seen_old || *read_all(cut, "/file") == "old";
  }
  EXPECT_TRUE(seen_old);
  ASSERT_TRUE((*file)->write_at(0, bytes("new")).ok());
  ASSERT_TRUE((*file)->sync().ok());
  for (std::uint64_t seed = 0; seed < 50; ++seed) {
    auto cut = disk.after_power_cut(seed);
    EXPECT_EQ(*read_all(cut, "/file"), "new");
  }
}

TEST(FakeDisk, FillsUp) {
  FakeDisk disk;
  disk.set_capacity(10 * 4096);
  auto file = std::move(disk.open("/file", OpenMode::create_new)).value();
  ASSERT_TRUE(file->resize(1 << 20).ok());
  EXPECT_FALSE(file->reserve(1 << 20).ok());
  ASSERT_TRUE(file->reserve(6 * 4096).ok());
  EXPECT_EQ(*disk.free_bytes("/"), 4U * 4096);
  EXPECT_TRUE(file->write_at(0, bytes(std::string(6 * 4096, 'x'))).ok());
  EXPECT_EQ(*disk.free_bytes("/"), 4U * 4096) << "what was set aside costs nothing more";
  const auto full = file->write_at(6 * 4096, bytes(std::string(5 * 4096, 'x')));
  ASSERT_FALSE(full.ok());
  EXPECT_THAT(full.error().text, HasSubstr("No space left on device"));
  file.reset();
  ASSERT_TRUE(disk.remove_file("/file").ok());
  ASSERT_TRUE(disk.sync_directory("/").ok());
  EXPECT_EQ(*disk.free_bytes("/"), 10U * 4096);
}

TEST(FakeDisk, FailsTheChosenWriteAndNoOther) {
  FakeDisk disk;
  auto file = std::move(disk.open("/file", OpenMode::create_new)).value();
  disk.fail_writes(1, 1, DiskFault::no_space);
  EXPECT_TRUE(file->write_at(0, bytes("a")).ok());
  EXPECT_FALSE(file->write_at(1, bytes("b")).ok());
  EXPECT_TRUE(file->write_at(2, bytes("c")).ok());
  EXPECT_EQ(disk.counts().writes, 3U);
}

TEST(FakeDisk, AfterItsDeathNothingWorksUntilTheNextStart) {
  FakeDisk disk;
  write(disk, "/file", "before");
  disk.reset_counts();
  disk.die_at_change(0);
  auto file = std::move(disk.open("/file", OpenMode::read_write)).value();
  EXPECT_FALSE(file->write_at(0, bytes("after!")).ok());
  EXPECT_TRUE(disk.dead());
  EXPECT_FALSE(disk.open("/file", OpenMode::read).ok());
  EXPECT_FALSE(file->sync().ok());
  disk.kill();
  EXPECT_FALSE(disk.dead());
  EXPECT_FALSE(file->sync().ok()) << "a file of the process that ended";
  EXPECT_TRUE(disk.open("/file", OpenMode::read).ok());
}

TEST(FakeDisk, ACopyIsABranch) {
  FakeDisk disk;
  write(disk, "/file", "one");
  FakeDisk branch = disk;
  write(branch, "/file", "two");
  EXPECT_EQ(*read_all(disk, "/file"), "one");
  EXPECT_EQ(*read_all(branch, "/file"), "two");
}

TEST(FakeDisk, AReservedGibibyteCostsNoMemory) {
  FakeDisk disk;
  for (int i = 0; i < 100; ++i) {
    auto file = disk.open("/" + std::to_string(i), OpenMode::create_new);
    ASSERT_TRUE((*file)->resize(1ULL << 30).ok());
    ASSERT_TRUE((*file)->reserve(1ULL << 30).ok());
    ASSERT_TRUE((*file)->write_at(1ULL << 29, bytes("x")).ok());
    ASSERT_TRUE((*file)->sync().ok());
  }
  EXPECT_EQ(*disk.free_bytes("/"), (1ULL << 40) - (100ULL << 30));
}

}  // namespace
}  // namespace creel
