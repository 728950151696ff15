#include "drivers/replay/place.h"

#include <string_view>

namespace creel::replay {
namespace {

/// FNV-1a, 64 bits (public domain; G. Fowler, L. C. Noll, K.-P. Vo): different for different names.
std::uint64_t number_of(std::string_view name) {
  std::uint64_t hash = 14695981039346656037ULL;
  for (const char letter : name) {
    hash = (hash ^ static_cast<unsigned char>(letter)) * 1099511628211ULL;
  }
  return hash | 1;  // never zero: zero means that nobody has set it
}

}  // namespace

Place::Place(const kit::Services& services, const std::string& session) {
  const auto memory = services.shared_memory();
  if (memory.size() < kBytes) {
    throw kit::Failure(CREEL_E_INVALID, "the rig shares " + std::to_string(memory.size()) +
                                            " bytes; replayed devices need shared_bytes of at "
                                            "least " +
                                            std::to_string(kBytes) + " in the rig");
  }
  shared_ = reinterpret_cast<Shared*>(memory.data());
  std::uint64_t nobody = 0;
  const std::uint64_t mine = number_of(session);
  if (!shared_->session.compare_exchange_strong(nobody, mine) && nobody != mine) {
    throw kit::Failure(CREEL_E_INVALID, "config field session: " + session +
                                            ", while another device of this rig replays another; "
                                            "all must replay the same one");
  }
}

bool Place::act(std::uint64_t attempt) {
  if (shared_->acted >= attempt + 1) {
    return false;
  }
  shared_->acted = attempt + 1;
  return true;
}

std::optional<std::uint64_t> Place::stick(bool fallback, std::uint64_t attempt,
                                          std::uint64_t times) {
  auto& stuck = shared_->stuck[fallback ? 1 : 0];
  if (stuck.at != attempt + 1) {
    stuck.at = attempt + 1;
    stuck.done = 0;
  }
  if (stuck.done >= times) {
    return std::nullopt;
  }
  return stuck.done++;
}

std::atomic<std::uint64_t>& Place::count_of(const std::string& device) {
  const std::uint64_t mine = number_of(device);
  for (auto& entry : shared_->counts) {
    std::uint64_t nobody = 0;
    if (entry.device.compare_exchange_strong(nobody, mine) || nobody == mine) {
      return entry.count;
    }
  }
  throw kit::Failure(CREEL_E_INTERNAL, "more devices than a rig may have");
}

void Place::set_time(std::int64_t recorded_ns, std::int64_t now_ns) {
  shared_->offset_ns = now_ns - recorded_ns;
  shared_->timed = 1;
}

std::int64_t Place::due(std::int64_t recorded_ns, std::int64_t now_ns, std::int64_t longest_ns) {
  const std::int64_t due_ns = recorded_ns + shared_->offset_ns;
  if (!timed() || due_ns > now_ns + longest_ns || due_ns < now_ns - kBehind_ns) {
    set_time(recorded_ns, now_ns);
    return now_ns;
  }
  return due_ns;
}

}  // namespace creel::replay
