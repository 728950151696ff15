// Runs gnuplot on a script.
#pragma once

#include <string>

#include "protocol/base/result.h"

namespace creel::report {

/// Runs `gnuplot` (found through PATH, without anybody's settings file) on the file `script` with
/// `directory` as its current directory, and waits. refused when gnuplot is not installed;
/// internal, with what gnuplot said, when it fails. Limited to 60 s of its processor time.
Result<void> run_gnuplot(const std::string& directory, const std::string& script);

}  // namespace creel::report
