#include "tests/fakes/timeline.h"

#include <algorithm>
#include <utility>

namespace creel::fakes {

std::uint64_t Timeline::add(Owner owner, std::int64_t when, std::function<void()> job) {
  const std::uint64_t id = next_id_++;
  when = std::max(when, now_);
  events_.emplace(std::pair{when, id}, Event{owner, std::move(job)});
  when_.emplace(id, when);
  return id;
}

void Timeline::remove(std::uint64_t id) {
  if (auto node = when_.extract(id); !node.empty()) {
    events_.erase({node.mapped(), id});
  }
}

void Timeline::drop(Owner owner) {
  for (auto event = events_.begin(); event != events_.end();) {
    if (event->second.owner == owner) {
      when_.erase(event->first.second);
      event = events_.erase(event);
    } else {
      ++event;
    }
  }
}

bool Timeline::step() {
  if (events_.empty()) {
    return false;
  }
  auto node = events_.extract(events_.begin());
  now_ = node.key().first;
  when_.erase(node.key().second);
  ++steps_;
  node.mapped().job();
  return true;
}

}  // namespace creel::fakes
