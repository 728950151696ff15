// A guard is a rule that lets a series go on, makes it wait or hold, or ends it. Pure: it sees
// numbers, not devices. Every decision that is not "go" is recorded with its numbers.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/units.h"
#include "protocol/series/measures.h"
#include "protocol/series/series.h"

namespace creel {

struct Verdict {
  enum class What : std::uint8_t {
    go,
    wait,  ///< with the shutter closed; ask again after `again`
    hold,  ///< until a person says continue
    end,
    note,      ///< go, but record it
    recentre,  ///< move the energy axis to `offset_ev`, then ask again
  };
  What what = What::go;
  std::string reason;  ///< one sentence for a person
  nlohmann::json numbers =
      nlohmann::json::object();  ///< what it was decided on, units in the names
  Duration again = {};           ///< of wait, world time
  double offset_ev = 0;          ///< of recentre: BeforeExposure::offset_ev as it shall be
};

/// One reading of a gauge, in the channel's own unit.
struct Reading {
  std::string device, channel;
  double value = 0;
};

/// The white-line ratio of the specimen frames so far, without references.
struct RunningAnswer {
  double ratio = 0;
  double sigma = 0;  ///< one standard deviation
  std::uint64_t frames = 0;
};

/// Bytes on the disk of the session.
struct Room {
  std::uint64_t free = 0;
  std::uint64_t needed = 0;  ///< to store the next exposure, whichever it is
};

/// What a guard may look at before an exposure.
struct BeforeExposure {
  PlannedExposure exposure;
  WorldTime now;
  Dose bound;           ///< the most that the exposure can give
  Dose series_on_area;  ///< upper value of what this series has given the area so far
  Dose area_total;      ///< upper value of what the area has had over all sessions
  Dose area_limit;
  std::vector<Reading> readings;        ///< taken just now; those that could be read
  std::optional<RunningAnswer> answer;  ///< of the frames that are stored; nothing = too few
  std::optional<Room> room;             ///< nothing = the disk did not say
  std::int64_t utc_ns = 0;              ///< since 1970-01-01T00:00:00Z; may step
  Duration session_age;                 ///< since the session began, restarts included
  Duration takes;                       ///< the exposure, from its opening to its end
  double offset_ev = 0;                 ///< by which the energy axis is set off against the plan
  std::optional<Duration> lit_for;      ///< since the laser was let in to the cathode; nothing =
                                        ///< no cathode shutter is worked
};

/// What a guard may look at after an exposure whose frame is there, with the shutter closed again.
struct AfterExposure {
  PlannedExposure exposure;
  double counts = 0;                ///< sum over all pixels, detector offset included; 0 where no
                                    ///< guard of the series looks at it
  std::vector<Reading> readings;    ///< taken after the exposure; empty where nobody asked for them
  std::optional<Duration> lit_for;  ///< as BeforeExposure, when the exposure began
};

/// What guards were told in earlier lives of the daemon, as the session's events say, in order:
/// told again, they know what they knew.
struct GuardPast {
  enum class What : std::uint8_t { measured, went_on, recentred };
  What what = What::measured;
  FrameMeasures measures;  ///< of measured
};

class Guard {
 public:
  virtual ~Guard() = default;
  [[nodiscard]] virtual std::string_view name() const = 0;
  /// Asked before every exposure, with the shutter closed. After `wait` it is asked again, without
  /// an exposure in between.
  virtual Verdict before(const BeforeExposure& view) = 0;
  /// Told of every frame that was taken as planned. Why it must stay out of sums, in one sentence;
  /// "" = it may enter.
  virtual std::string after(const AfterExposure&) { return {}; }
  /// Told what stored frames show, in their order, each once; some exposures late. After a restart
  /// those of before it come first.
  virtual void measured(const FrameMeasures&) {}
  /// A person said continue: whatever was waited for begins anew.
  virtual void went_on() {}
  /// Its verdict to recentre was carried out, before a restart.
  virtual void recentred() {}
};

}  // namespace creel
