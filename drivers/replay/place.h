// Where a replay has got to: shared by the hosts of one rig, in the memory that the rig shares, so
// that a device whose host is restarted goes on where it was, and all devices stand in the same
// exposure. The daemon's calls come one after another, so there is never a race to be settled here;
// the words are atomic because they are other processes' too.
#pragma once

#include <atomic>
#include <cstdint>
#include <optional>
#include <string>

#include "drivers/kit/kit.h"

namespace creel::replay {

class Place {
 public:
  /// Throws Failure when the rig shares too little memory, or another device of it replays another
  /// session.
  Place(const kit::Services& services, const std::string& session);

  /// Attempts begun (Recording::attempts): the number of the next one. An attempt is begun when the
  /// detector starts, or when it breaks before that.
  [[nodiscard]] std::uint64_t begun() const { return shared_->begun; }
  void begin() { ++shared_->begun; }

  /// True once for each attempt: that its failure is acted out now.
  bool act(std::uint64_t attempt);
  /// `times` times for each attempt, counted from 0: that a shutter does not close this time. Two
  /// shutters count by themselves: that of the dose, and its fall-back.
  std::optional<std::uint64_t> stick(bool fallback, std::uint64_t attempt, std::uint64_t times);

  /// A count of the device's own; starts at 0.
  std::atomic<std::uint64_t>& count_of(const std::string& device);

  // Time. The recorded world time is mapped onto that of the replay by one offset, set by whatever
  // happens first and again where the two have gone apart: a pause of a person, another life of
  // the daemon.

  [[nodiscard]] bool timed() const { return shared_->timed != 0; }
  /// `recorded_ns` happens at `now_ns`.
  void set_time(std::int64_t recorded_ns, std::int64_t now_ns);
  /// When `recorded_ns` is due: at most `longest_ns` after `now_ns` and not over kBehind_ns before
  /// it; otherwise the offset is set so that it is due now.
  std::int64_t due(std::int64_t recorded_ns, std::int64_t now_ns, std::int64_t longest_ns);

  static constexpr std::int64_t kBehind_ns = 1'000'000'000;

 private:
  using Word = std::atomic<std::uint64_t>;
  static constexpr std::size_t kDevices = 64;
  struct Shared {
    Word session;  ///< a number of its name; 0 = nobody was here
    Word begun;
    Word acted;  ///< 1 + the last attempt whose failure was acted out
    struct {
      Word at, done;  ///< 1 + attempt, and how often
    } stuck[2];
    Word timed;
    std::atomic<std::int64_t> offset_ns;
    struct {
      Word device, count;
    } counts[kDevices];
  };
  static_assert(Word::is_always_lock_free);
  Shared* shared_;

 public:
  static constexpr std::uint64_t kBytes = sizeof(Shared);
};

}  // namespace creel::replay
