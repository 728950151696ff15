// Where the reader gets the bytes of a session's files from: the file system (native_source), or,
// in the daemon and its tests, the Disk interface (daemon/store/disk_source.h). HDF5 reads through
// it too (protocol/session/hdf5.h).
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "protocol/base/result.h"

namespace creel::session {

/// One open file. One thread at a time; closes on destruction.
class SourceFile {
 public:
  virtual ~SourceFile() = default;
  /// Reads into `bytes`; returns how many, fewer only at the end of the file.
  virtual Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) = 0;
  [[nodiscard]] virtual Result<std::uint64_t> size() = 0;
  /// Only for sources that can write (the daemon's); `refused` otherwise.
  virtual Result<void> write_at(std::uint64_t offset, std::span<const std::byte> bytes);
  virtual Result<void> resize(std::uint64_t bytes);
};

/// Opens files; must outlive what it opened. One thread at a time.
class FileSource {
 public:
  virtual ~FileSource() = default;
  /// Opens an existing file for reading.
  virtual Result<std::unique_ptr<SourceFile>> open(const std::string& path) = 0;
  /// Creates a file that must not exist; `refused` by sources that only read.
  virtual Result<std::unique_ptr<SourceFile>> create(const std::string& path);
  [[nodiscard]] virtual bool exists(const std::string& path) = 0;
  /// Names (not paths) in a directory, sorted; an error when it is none.
  virtual Result<std::vector<std::string>> list(const std::string& path) = 0;
};

/// Reads the file system, and never writes to it. Takes no locks, so it never stands in a writer's
/// way.
std::unique_ptr<FileSource> native_source();

}  // namespace creel::session
