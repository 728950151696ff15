// How the daemon runs a short program of somebody else's (an alert hook) without waiting for it.
// Real in daemon/platform; tests have a fake.
#pragma once

#include <cstddef>
#include <functional>
#include <string>
#include <utility>
#include <vector>

#include "protocol/base/units.h"

namespace creel {

struct ProgramJob {
  std::vector<std::string> words;  ///< path of the program, then its arguments; no shell sees them
  std::vector<std::pair<std::string, std::string>>
      environment;    ///< all that it gets beside PATH, HOME and LANG
  std::string input;  ///< on its standard input
  Duration limit;     ///< killed after this (real time), with all it started
};

struct ProgramEnd {
  bool well = false;  ///< it ended by itself with exit code 0
  std::string how;    ///< for a person: "ended with exit code 3", "was killed after 30 s", ...
  std::string said;   ///< the beginning of its standard error, at most kProgramSaid bytes
};
constexpr std::size_t kProgramSaid = 1000;

class Programs {
 public:
  virtual ~Programs() = default;
  /// How many can run at once.
  [[nodiscard]] virtual std::size_t at_once() const = 0;
  /// Starts the program and returns at once; `done` comes later, on the control thread, never from
  /// inside run(). Control thread only; no more than at_once() may be running.
  virtual void run(ProgramJob job, std::function<void(ProgramEnd)> done) = 0;
};

}  // namespace creel
