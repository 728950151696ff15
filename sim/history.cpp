#include "sim/history.h"

#include <algorithm>
#include <cmath>

namespace creel::sim {
namespace {

// A beam that stays on is cut into stretches of this length, so that no question integrates for
// hours. Cut at multiples from its beginning, never at the time of a question: answers must not
// depend on what was asked.
constexpr std::int64_t kLongest_ns = 10'000'000'000;

double seconds(std::int64_t ns) {
  return static_cast<double>(ns) * 1e-9;
}

bool is_stage(std::size_t channel) {
  return channel >= static_cast<std::size_t>(Channel::stage_x);
}

}  // namespace

History::History(const Source& source, std::uint64_t seed) : source_(source), seed_(seed) {
  place_ = place_index({});
}

bool History::add(std::span<const Event> events) {
  for (const Event& event : events) {
    if (event.t_ns < horizon_ns_) {
      return false;
    }
  }
  waiting_.insert(waiting_.end(), events.begin(), events.end());
  return true;
}

bool History::beam_on() const {
  return state_.value[static_cast<std::size_t>(Channel::beam)] != 0;
}

Place History::here() const {
  return {state_.value[static_cast<std::size_t>(Channel::stage_x)],
          state_.value[static_cast<std::size_t>(Channel::stage_y)]};
}

std::uint32_t History::place_index(Place place) {
  for (std::size_t i = 0; i < places_.size(); ++i) {
    if (places_[i].place == place) {
      return static_cast<std::uint32_t>(i);
    }
  }
  places_.push_back({place, 0, {}});
  return static_cast<std::uint32_t>(places_.size() - 1);
}

History::Stretch History::present(std::int64_t end_ns) const {
  return {state_.since_ns,
          end_ns,
          state_.lit_since_ns,
          places_[place_].electrons,
          place_,
          state_.value[static_cast<std::size_t>(Channel::cathode)] != 0,
          state_.value[static_cast<std::size_t>(Channel::below)] != 0,
          kAttenuatorStep * state_.value[static_cast<std::size_t>(Channel::attenuator)]};
}

/// The present stretch ends here; the next begins.
void History::push(std::int64_t end_ns) {
  if (beam_on() && end_ns > state_.since_ns) {
    const Stretch stretch = present(end_ns);
    places_[place_].stretches.push_back(static_cast<std::uint32_t>(stretches_.size()));
    places_[place_].electrons += electrons_in(stretch, stretch.begin_ns, end_ns);
    stretches_.push_back(stretch);
  }
  state_.since_ns = end_ns;
}

void History::pass_time(std::int64_t until_ns) {
  while (beam_on() && state_.since_ns + kLongest_ns <= until_ns) {
    push(state_.since_ns + kLongest_ns);
  }
}

void History::apply(const Event& event) {
  const auto channel = static_cast<std::size_t>(event.channel);
  if (channel >= kChannels) {
    return;
  }
  if (is_stage(channel)) {
    steps_[channel].push_back({event.t_ns, event.value});
  }
  if (state_.value[channel] == event.value) {
    return;
  }
  push(event.t_ns);
  state_.value[channel] = event.value;
  if (event.channel == Channel::cathode && event.value != 0) {
    state_.lit_since_ns = event.t_ns;
  }
  place_ = place_index(here());
}

void History::settle(std::int64_t until_ns) {
  if (until_ns <= horizon_ns_) {
    return;
  }
  std::stable_sort(waiting_.begin(), waiting_.end(), [](const Event& a, const Event& b) {
    return a.t_ns != b.t_ns ? a.t_ns < b.t_ns : a.channel < b.channel;
  });
  auto next = waiting_.begin();
  for (; next != waiting_.end() && next->t_ns < until_ns; ++next) {
    pass_time(next->t_ns);
    apply(*next);
  }
  waiting_.erase(waiting_.begin(), next);
  pass_time(until_ns);
  horizon_ns_ = until_ns;
}

double History::electrons_in(const Stretch& stretch, std::int64_t begin_ns,
                             std::int64_t end_ns) const {
  return electrons(source_, seed_, seconds(begin_ns), seconds(end_ns), !stretch.lit,
                   seconds(stretch.lit_since_ns), stretch.transmission);
}

double History::electrons_on(const PlaceRecord& record, std::int64_t t_ns) const {
  double until = record.electrons;
  if (!record.stretches.empty()) {
    // The last stretch that began before t_ns; earlier ones are summed up in it.
    const auto after = std::partition_point(
        record.stretches.begin(), record.stretches.end(),
        [this, t_ns](std::uint32_t index) { return stretches_[index].begin_ns < t_ns; });
    if (after == record.stretches.begin()) {
      until = 0;
    } else {
      const Stretch& last = stretches_[*std::prev(after)];
      until =
          last.electrons_before + electrons_in(last, last.begin_ns, std::min(t_ns, last.end_ns));
    }
  }
  if (beam_on() && record.place == here() && t_ns > state_.since_ns) {
    until += electrons_in(present(t_ns), state_.since_ns, t_ns);
  }
  return until;
}

double History::dose_at(Place place, std::int64_t t_ns) const {
  double sum = 0;
  for (const PlaceRecord& record : places_) {
    const double dx = (record.place.x - place.x) * kStageStep_um * 1000.0;
    const double dy = (record.place.y - place.y) * kStageStep_um * 1000.0;
    const double weight = relative_dose(source_, std::hypot(dx, dy));
    if (weight > 1e-12) {
      sum += weight * electrons_on(record, t_ns);
    }
  }
  return sum * peak_dose_per_electron(source_);
}

Slice History::slice(const Stretch& stretch, std::int64_t begin_ns, std::int64_t end_ns) const {
  Slice slice;
  slice.begin_ns = std::max(begin_ns, stretch.begin_ns);
  slice.end_ns = std::min(end_ns, stretch.end_ns);
  slice.place = places_[stretch.place].place;
  slice.lit = stretch.lit;
  slice.detected = stretch.detected;
  slice.transmission = stretch.transmission;
  slice.electrons = electrons_in(stretch, slice.begin_ns, slice.end_ns);
  slice.dose_before = dose_at(slice.place, slice.begin_ns);
  slice.dose_after = slice.dose_before + slice.electrons * peak_dose_per_electron(source_);
  return slice;
}

std::vector<Slice> History::slices(std::int64_t begin_ns, std::int64_t end_ns) {
  settle(end_ns);
  std::vector<Slice> found;
  auto stretch = std::partition_point(
      stretches_.begin(), stretches_.end(),
      [begin_ns](const Stretch& candidate) { return candidate.end_ns <= begin_ns; });
  for (; stretch != stretches_.end() && stretch->begin_ns < end_ns; ++stretch) {
    found.push_back(slice(*stretch, begin_ns, end_ns));
  }
  if (beam_on() && state_.since_ns < end_ns) {
    found.push_back(slice(present(end_ns), begin_ns, end_ns));
  }
  return found;
}

double History::dose(Place place, std::int64_t t_ns) {
  settle(t_ns);
  return dose_at(place, t_ns);
}

std::int32_t History::value(Channel channel, std::int64_t t_ns, std::int32_t otherwise) {
  settle(t_ns + 1);  // an event at t_ns itself counts
  const auto& steps = steps_[static_cast<std::size_t>(channel)];
  const auto after = std::partition_point(steps.begin(), steps.end(),
                                          [t_ns](const Step& step) { return step.t_ns <= t_ns; });
  return after == steps.begin() ? otherwise : std::prev(after)->value;
}

}  // namespace creel::sim
