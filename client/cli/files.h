// Files that people name on the command line.
#pragma once

#include <string>

#include "protocol/base/result.h"

namespace creel::cli {

/// The text of a file of at most `most` bytes; invalid_request with a sentence otherwise.
Result<std::string> read_text(const std::string& path, std::size_t most);

}  // namespace creel::cli
