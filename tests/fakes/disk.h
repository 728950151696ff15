// A disk in memory that behaves as badly as a real one may.
//
// Written bytes are durable only after sync() of their file, names only after sync_directory() of
// their directory. Between the two a power cut keeps any of the 4 KiB pages, or parts of them.
// Copying a FakeDisk branches its state (pages are shared until written), so one run can be cut in
// many ways.
//
// Modelled on: POSIX.1-2017 fsync/rename (what is promised), and the notes of Linux fsync(2) for a
// failed sync: pages that could not be written count as clean afterwards, so a second sync
// "succeeds" without them.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <unordered_map>
#include <vector>

#include "daemon/seams/disk.h"

namespace creel::fakes {

enum class DiskFault : std::uint8_t { io_error, no_space };

class FakeDisk final : public Disk {
 public:
  /// How often each kind of operation was asked for, failed ones too.
  struct Counts {
    std::uint64_t writes = 0;   ///< write_at
    std::uint64_t syncs = 0;    ///< sync and sync_directory
    std::uint64_t changes = 0;  ///< every operation that changes something: those two, resize,
                                ///< reserve, creation, rename, removal
    std::uint64_t bytes_written = 0;
  };

  FakeDisk() = default;
  /// The same contents, with no file open, no lock held and no fault planned.
  FakeDisk(const FakeDisk& other);
  FakeDisk& operator=(const FakeDisk& other);

  // What shall go wrong. k counts from 0 = the first operation of its kind since the counts were
  // reset.
  void reset_counts();
  [[nodiscard]] Counts counts() const;
  /// The k-th write and the next times-1 ones fail after a part was written.
  void fail_writes(std::uint64_t k, std::uint64_t times = 1, DiskFault how = DiskFault::io_error);
  /// The k-th sync and the next times-1 ones fail: what they were to make durable is not.
  void fail_syncs(std::uint64_t k, std::uint64_t times = 1, DiskFault how = DiskFault::io_error);
  /// The process ends in the k-th change: a write is left half done, anything else undone. From
  /// then on every call fails, until kill() or power_cut().
  void die_at_change(std::uint64_t k);
  void die_at_sync(std::uint64_t k);
  [[nodiscard]] bool dead() const;
  /// Room on the disk; files already there keep what they have.
  void set_capacity(std::uint64_t bytes);

  // What comes after. All open files become useless and all locks free; planned faults are
  // forgotten.
  /// The process was killed: everything written is there.
  void kill();
  /// The power failed: `seed` decides which of the unsynced pages, sizes and names survive.
  void power_cut(std::uint64_t seed);
  [[nodiscard]] FakeDisk after_kill() const;
  [[nodiscard]] FakeDisk after_power_cut(std::uint64_t seed) const;

  // Damage, at once durable. Paths must exist.
  void flip_bit(const std::string& path, std::uint64_t offset, unsigned bit);
  void truncate(const std::string& path, std::uint64_t bytes);
  void put(const std::string& path, std::string_view bytes);  ///< creates or replaces

  Result<std::unique_ptr<File>> open(const std::string& path, OpenMode mode) override;
  bool exists(const std::string& path) override;
  Result<void> create_directories(const std::string& path) override;
  Result<std::vector<std::string>> list(const std::string& path) override;
  Result<void> rename(const std::string& from, const std::string& to) override;
  Result<void> remove_file(const std::string& path) override;
  Result<void> remove_directory(const std::string& path) override;
  Result<void> sync_directory(const std::string& path) override;
  Result<std::uint64_t> free_bytes(const std::string& path) override;

 private:
  friend class FakeFile;
  static constexpr std::uint64_t kPage = 4096;
  using Page = std::array<std::byte, kPage>;
  using PagePtr = std::shared_ptr<Page>;

  struct Unsynced {
    PagePtr durable;    ///< what the medium has; null = zeros
    bool dirty = true;  ///< the next sync writes it; false after a failed sync
  };
  struct Inode {
    std::uint64_t size = 0;
    std::uint64_t durable_size = 0;
    std::uint64_t reserved_pages = 0;
    std::unordered_map<std::uint64_t, PagePtr> pages;
    std::map<std::uint64_t, Unsynced> unsynced;
    std::uint64_t open = 0;
    std::uint64_t shared_locks = 0;
    bool exclusive_lock = false;
  };
  struct Node {
    bool directory = false;
    std::uint64_t inode = 0;
  };
  struct NameChange {
    std::string removed, added;  ///< "" = none
    Node node;
  };
  using Names = std::map<std::string, Node>;
  struct State {
    Names names, durable_names;
    std::map<std::string, std::vector<NameChange>> pending;  ///< per directory
    std::map<std::uint64_t, Inode> inodes;
    std::uint64_t next_inode = 1;
    std::uint64_t used_pages = 0;
    std::uint64_t capacity = 1ULL << 40;
  };
  struct Plan {
    std::uint64_t at = std::numeric_limits<std::uint64_t>::max();
    std::uint64_t times = 0;
    DiskFault how = DiskFault::io_error;
    [[nodiscard]] bool hits(std::uint64_t k) const { return k >= at && k - at < times; }
  };
  enum class Step : std::uint8_t { go_on, fail, die };

  // All below: mutex_ held.
  std::optional<Error> begin_change(const std::string& path);
  Step begin_write();
  Step begin_sync();
  Result<void> write(Inode& inode, const std::string& path, std::uint64_t offset,
                     std::span<const std::byte> bytes);
  bool put_page(Inode& inode, std::uint64_t offset, std::span<const std::byte> bytes);
  void shrink(Inode& inode, std::uint64_t bytes);
  void note_unsynced(Inode& inode, std::uint64_t page);
  static void make_durable(Inode& inode);
  static void apply(Names& names, const NameChange& change);
  void change_names(NameChange change);
  void collect();
  void restart();
  void settle(Inode& inode, std::uint64_t& random);
  Inode& must_find(const std::string& path);

  mutable std::mutex mutex_;
  State state_;
  Counts counts_;
  Plan write_plan_, sync_plan_;
  std::uint64_t die_at_change_ = std::numeric_limits<std::uint64_t>::max();
  std::uint64_t die_at_sync_ = std::numeric_limits<std::uint64_t>::max();
  bool dead_ = false;
  std::uint64_t generation_ = 0;
};

}  // namespace creel::fakes
