// What the log says has happened to the beam: when it passed, where, how many electrons fell on
// each place until then. A cache over the log, not a state of its own: the same log gives the same
// answers in whatever order they are asked. One thread.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "sim/event.h"
#include "sim/source.h"

namespace creel::sim {

/// Where the specimen stage stands, in steps.
struct Place {
  std::int32_t x = 0, y = 0;
  friend bool operator==(const Place&, const Place&) = default;
  [[nodiscard]] double x_um() const { return x * kStageStep_um; }
};

/// A time within one exposure during which beam fell on the specimen and nothing changed.
struct Slice {
  std::int64_t begin_ns = 0, end_ns = 0;
  Place place;
  bool lit = false;         ///< laser on the cathode; false = residual beam only
  bool detected = true;     ///< false: a shutter below the specimen was closed
  double transmission = 1;  ///< of the laser's attenuator
  double electrons = 0;     ///< mean number in this slice
  double dose_before = 0;   ///< at the middle of the beam, since the beginning, e/angstrom^2
  double dose_after = 0;
};

class History {
 public:
  History(const Source& source, std::uint64_t seed);

  /// Takes note of events, in any order. false: one of them is earlier than a time that was already
  /// asked about, and nothing was taken; make a new History from the whole log then (rare, slow,
  /// correct).
  [[nodiscard]] bool add(std::span<const Event> events);
  /// The beam on the specimen within [begin_ns, end_ns).
  std::vector<Slice> slices(std::int64_t begin_ns, std::int64_t end_ns);
  /// Dose at the middle of the beam if it stood at `place`, from all until `t_ns`, tails of
  /// neighbouring places included; e/angstrom^2.
  double dose(Place place, std::int64_t t_ns);
  /// A stage's or shutter's value at t_ns; `otherwise` before its first event.
  std::int32_t value(Channel channel, std::int64_t t_ns, std::int32_t otherwise);

 private:
  struct Stretch {  // beam on, nothing changing, at most kLongest
    std::int64_t begin_ns, end_ns;
    std::int64_t lit_since_ns;  // only when lit
    double electrons_before;    // on this place, until begin_ns
    std::uint32_t place;
    bool lit, detected;
    double transmission;  // of the laser's attenuator
  };
  struct State {  // of all channels, at horizon_ns_
    std::array<std::int32_t, kChannels> value{0, 1, 1, 1, 0, 0, 0, 0, kAttenuatorOpen};
    std::int64_t lit_since_ns =
        INT64_MIN / 2;          // lit for ever, unless a cathode shutter says otherwise
    std::int64_t since_ns = 0;  // when the present state, or the present stretch, began
  };
  struct PlaceRecord {
    Place place;
    double electrons = 0;  // in all its stretches
    std::vector<std::uint32_t> stretches;
  };
  struct Step {
    std::int64_t t_ns;
    std::int32_t value;
  };
  void settle(std::int64_t until_ns);
  void pass_time(std::int64_t until_ns);
  void apply(const Event& event);
  void push(std::int64_t end_ns);
  [[nodiscard]] double electrons_in(const Stretch& stretch, std::int64_t begin_ns,
                                    std::int64_t end_ns) const;
  [[nodiscard]] double electrons_on(const PlaceRecord& record, std::int64_t t_ns) const;
  [[nodiscard]] double dose_at(Place place, std::int64_t t_ns) const;
  [[nodiscard]] Slice slice(const Stretch& stretch, std::int64_t begin_ns,
                            std::int64_t end_ns) const;
  [[nodiscard]] std::uint32_t place_index(Place place);
  [[nodiscard]] Stretch present(std::int64_t end_ns) const;
  [[nodiscard]] Place here() const;
  [[nodiscard]] bool beam_on() const;

  Source source_;
  std::uint64_t seed_;
  std::vector<Event> waiting_;  // later than horizon_ns_
  std::vector<Stretch> stretches_;
  std::vector<PlaceRecord> places_;
  std::array<std::vector<Step>, kChannels> steps_;  // stages only
  std::uint32_t place_ = 0;                         // index of here()
  State state_;
  std::int64_t horizon_ns_ = 0;  // everything until here is settled
};

}  // namespace creel::sim
