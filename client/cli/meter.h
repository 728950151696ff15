// What the commands that read sessions share: a line of progress, and finding a session.
#pragma once

#include <cstdint>
#include <string>

#include "client/cli/commands.h"
#include "protocol/base/result.h"

namespace creel::cli {

/// One line on the terminal, rewritten in place, for work that takes a while. Gone when it ends.
class Meter {
 public:
  Meter(bool shown, std::string what) : shown_(shown), what_(std::move(what)) {}
  ~Meter();
  Meter(const Meter&) = delete;
  Meter& operator=(const Meter&) = delete;
  void at(std::uint64_t done, std::uint64_t total);

 private:
  bool shown_;
  bool drawn_ = false;
  int last_ = -1;
  std::string what_;
};

/// A path as it is, or the path of a session that creeld knows by that name.
Result<std::string> locate(const Common& common, const std::string& session);

}  // namespace creel::cli
