// How a guard waits: again and again, and for a person in the end.
#pragma once

#include <optional>
#include <string>
#include <utility>

#include "daemon/guards/guard.h"

namespace creel {

class Waiting {
 public:
  explicit Waiting(Patience patience) : patience_(patience) {}

  /// Another look found that it cannot go on: wait, or hold for a person once `at_most` has passed
  /// since the first such look.
  Verdict longer(WorldTime now, std::string reason, nlohmann::json numbers) {
    if (!since_) since_ = now;
    if (now - *since_ >= patience_.at_most) {
      return {Verdict::What::hold, std::move(reason) + "; the longest wait is over",
              std::move(numbers), Duration{}};
    }
    return {Verdict::What::wait, std::move(reason), std::move(numbers), patience_.again};
  }
  void reset() { since_.reset(); }
  [[nodiscard]] bool begun() const { return since_.has_value(); }

 private:
  Patience patience_;
  std::optional<WorldTime> since_;
};

}  // namespace creel
