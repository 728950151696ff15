// All that the store and the ledger do to a disk. Real in daemon/platform; tests/fakes has one that
// loses unsynced bytes at a power cut, fills up, and fails any chosen write or sync. HDF5
// (daemon/store) and SQLite (daemon/ledger) reach the disk through this interface too.
#pragma once

#include <boost/align/aligned_allocator.hpp>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "protocol/base/result.h"

namespace creel {

/// Bytes that begin on a page of their own.
using PageBytes = std::vector<std::byte, boost::alignment::aligned_allocator<std::byte, 4096>>;

/// One open file. One thread at a time. Closes on destruction (which makes nothing durable).
class File {
 public:
  virtual ~File() = default;
  /// Writes all of `bytes` at `offset`, growing the file as needed; storage_failed otherwise (a
  /// part may have been written).
  virtual Result<void> write_at(std::uint64_t offset, std::span<const std::byte> bytes) = 0;
  /// Writes `parts` one after another from `offset` on, as one write_at of them all would. Quickest
  /// where `offset`, every part's address and its size are multiples of 4096 (PageBytes).
  virtual Result<void> write_parts_at(std::uint64_t offset,
                                      std::span<const std::span<const std::byte>> parts);
  /// Reads into `bytes`; returns how many, fewer only at the end of the file.
  virtual Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) = 0;
  /// Returns when everything written to this file is on the medium (fdatasync). After a failure
  /// nothing unsynced of this file may ever be called durable.
  virtual Result<void> sync() = 0;
  [[nodiscard]] virtual Result<std::uint64_t> size() = 0;
  virtual Result<void> resize(std::uint64_t bytes) = 0;
  /// Sets the space of the first `bytes` aside, so that writing there cannot meet a full disk.
  virtual Result<void> reserve(std::uint64_t bytes) = 0;
  /// Holds a shared advisory lock until closed: other programs may read, HDF5 writers are refused.
  virtual Result<void> lock_shared() = 0;
  /// Holds the exclusive advisory lock until closed; refused when another process has the file.
  virtual Result<void> lock_exclusive() = 0;
};

enum class OpenMode : std::uint8_t {
  read,        ///< must exist
  read_write,  ///< must exist
  create_new,  ///< must not exist
  create_or_open,
};

/// Paths are absolute or relative to the process; '/' separates. Any thread.
class Disk {
 public:
  virtual ~Disk() = default;
  virtual Result<std::unique_ptr<File>> open(const std::string& path, OpenMode mode) = 0;
  [[nodiscard]] virtual bool exists(const std::string& path) = 0;
  /// Creates the directory and its parents; it may exist.
  virtual Result<void> create_directories(const std::string& path) = 0;
  /// Names (not paths) in a directory, sorted.
  virtual Result<std::vector<std::string>> list(const std::string& path) = 0;
  /// Replaces `to` if it exists. Durable only after sync_directory() of the directory.
  virtual Result<void> rename(const std::string& from, const std::string& to) = 0;
  virtual Result<void> remove_file(const std::string& path) = 0;
  virtual Result<void> remove_directory(const std::string& path) = 0;  ///< must be empty
  virtual Result<void> sync_directory(const std::string& path) = 0;
  /// Bytes that an ordinary user may still write below `path`.
  [[nodiscard]] virtual Result<std::uint64_t> free_bytes(const std::string& path) = 0;
};

/// The whole of a file; not for frames.
Result<std::string> read_all(Disk& disk, const std::string& path);

}  // namespace creel
