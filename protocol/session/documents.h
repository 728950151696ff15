// Reads the documents out of whole.h5 or NAME.h5. Inside the library only.
#pragma once

#include <H5Cpp.h>

#include <optional>
#include <string>
#include <vector>

#include "protocol/session/hdf5.h"
#include "protocol/session/reader.h"

namespace creel::session {

/// Text of a scalar data set of fixed-length string; throws Hdf5Fault when it is anything else or
/// longer than `most` bytes. `intact`, if given, says whether it matches its attribute `checksum`.
std::string read_text(const H5::H5File& file, const std::string& path, bool* intact = nullptr,
                      std::size_t most = std::size_t{64} << 20U);

/// Whether there is an object at an absolute path.
bool path_exists(const H5::H5File& file, const std::string& path);

struct ReadDocuments {
  Documents documents;
  std::optional<PieceLayout> layout;  ///< whole.h5 only
  std::vector<Fault> faults;
};
/// Throws Hdf5Fault or H5::Exception when the session cannot be understood.
ReadDocuments read_documents(const H5::H5File& file);

/// The longest events.log: some two million events. What is longer is not read.
constexpr std::uint64_t kLongestLog = 1ULL << 30U;

}  // namespace creel::session
