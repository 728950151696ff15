// The Disk interface as the session reader and HDF5 see files (protocol/session/source.h, hdf5.h),
// and files that are only in memory.
#pragma once

#include <array>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "daemon/seams/disk.h"
#include "protocol/session/source.h"

namespace creel::store {

/// Files of `disk`, which must outlive the source. Opened files are read only, created ones
/// writable.
std::unique_ptr<session::FileSource> disk_source(Disk& disk);

/// Files in memory, for laying out HDF5 files before they are written in one go. Holes take no
/// memory, so a file may be far larger than what is written into it.
class MemorySource final : public session::FileSource {
 public:
  static constexpr std::uint64_t kPage = 4096;
  struct Contents {
    std::uint64_t size = 0;
    std::map<std::uint64_t, std::array<std::byte, kPage>>
        pages;  ///< by page number; absent = zeros
  };

  /// Opens for reading and writing.
  Result<std::unique_ptr<session::SourceFile>> open(const std::string& path) override;
  Result<std::unique_ptr<session::SourceFile>> create(const std::string& path) override;
  bool exists(const std::string& path) override { return files_.contains(path); }
  Result<std::vector<std::string>> list(const std::string& path) override;

  [[nodiscard]] const Contents& contents(const std::string& path) const { return *files_.at(path); }

 private:
  std::map<std::string, std::shared_ptr<Contents>> files_;
};

}  // namespace creel::store
