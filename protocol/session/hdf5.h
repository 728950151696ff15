// HDF5 on files of ours, and the one place where its exceptions become Results.
//
// HDF5 1.10 is one global state: with_hdf5 lets one thread at a time into it. So nothing that takes
// long, and no packing, belongs inside.
#pragma once

#include <H5Cpp.h>

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/base/result.h"
#include "protocol/session/source.h"

namespace creel::session {

/// Carries one FileSource to HDF5 and remembers the first failure of its files, which HDF5 itself
/// would report only as "write failed". Must outlive every H5 object opened through it.
class Hdf5Files {
 public:
  explicit Hdf5Files(FileSource& source) : source_(&source) {}
  Hdf5Files(const Hdf5Files&) = delete;
  Hdf5Files& operator=(const Hdf5Files&) = delete;

  /// Access properties with our driver, for H5::H5File. Strong close degree: closing the file
  /// closes all. `new_format` also fixes the file format to that of HDF5 1.10 (checksums in all
  /// metadata); otherwise the earliest format, which HDF5 1.8 reads too.
  [[nodiscard]] H5::FileAccPropList access(bool new_format) const;

  [[nodiscard]] FileSource& source() const { return *source_; }
  /// A read or write failed. A failed write is not shown to HDF5, which could not close the file
  /// then: everything written after it is dropped, and with_hdf5() reports it at the end. Long jobs
  /// look here.
  void failed(const Error& error) { failure_ = failure_ ? failure_ : error; }
  [[nodiscard]] const std::optional<Error>& failure() const { return failure_; }
  /// Whether the last file could be opened. HDF5 also tries files that need not exist, so this
  /// explains a failure but is none by itself.
  void opened(const std::optional<Error>& error) { not_opened_ = error; }
  [[nodiscard]] const std::optional<Error>& not_opened() const { return not_opened_; }

 private:
  FileSource* source_;
  std::optional<Error> failure_, not_opened_;
};

/// Runs `job`, which may throw H5::Exception or std::exception; the error says `doing` and what
/// HDF5 said. A failure of the disk below (Hdf5Files::failure) is reported as that failure; any
/// other as `code`. Waits while another thread is in here; may be called inside itself. Any thread;
/// whatever H5 object outlives the job is closed inside another one.
Result<void> with_hdf5(std::string_view doing, ErrorCode code, const Hdf5Files* files,
                       const std::function<void()>& job);

/// Thrown inside with_hdf5 by code that found something wrong by itself.
struct Hdf5Fault : std::exception {
  explicit Hdf5Fault(std::string what) : text(std::move(what)) {}
  [[nodiscard]] const char* what() const noexcept override { return text.c_str(); }
  std::string text;
};

}  // namespace creel::session
