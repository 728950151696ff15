// What became of a session, as a timeline that a person can read: what ran, what was held and why,
// what each area's dose came from, what was lost, how it ended, what is safe and what to do next.
// Reads a session only (its documents, records and events), no frame and no daemon, so it works on
// a folder that is still written, on one that a crash left, and on the folded file.
//
// Times are UTC by the map that the session recorded at its start: they follow the daemon's world
// clock, so they are in order whatever was done to the computer's clock. Where the daemon was
// started anew the world clock begins anew, too, and is tied to the UTC of that moment.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "protocol/session/reader.h"
#include "protocol/session/verify.h"

namespace creel::report {

/// One line of the timeline: one thing, or several of the same kind.
struct Moment {
  std::int64_t utc_ns = 0;    ///< when it began; of several, the first
  std::int64_t until_ns = 0;  ///< when it was over; of several, the last
  std::string kind;  ///< "ran", "wait", "hold", "restart", "device", "broken", "left_out", "gap",
                     ///< "alert", "alarm", "dose", "clock", "end", or the name of the event
  std::uint64_t count = 1;
  double seconds = 0;  ///< how long it lasted, all of them together; 0 where that means nothing
  std::string text;    ///< for a person
  nlohmann::json numbers = nlohmann::json::object();  ///< what a guard decided on
};

/// Where the dose of one area came from.
struct AreaAccount {
  session::AreaDose dose;
  std::optional<double> before_sigma;  ///< nothing: the session was not told
  double sigma = 0;                    ///< of the total, as far as it is known
  double area_limit = 0;               ///< over all sessions, 1/angstrom^2; 0 = not stated
  double series_limit = 0;             ///< of this series on any one area; 0 = not stated
};

struct Recap {
  std::string session, title;
  bool folded = false;
  bool simulated = false;     ///< accelerated clock: the times are the simulated ones
  std::int64_t began_ns = 0;  ///< UTC; the next likewise
  std::int64_t last_ns = 0;   ///< last sign of life: event or frame
  std::uint64_t exposures_done = 0, exposures_planned = 0;
  std::uint64_t frames = 0, broken = 0, left_out = 0, incomplete = 0, saturated = 0;
  std::uint64_t lost = 0;        ///< by the detector, or in a crash before they were safe
  std::uint64_t damaged = 0;     ///< pieces or records that cannot be had any more
  std::vector<Moment> timeline;  ///< in order of beginning
  std::vector<AreaAccount> areas;
  std::string outcome;  ///< "complete", "dose", "stopped", ...; "" = it has not ended
  std::string ended;    ///< how it ended, one sentence
  std::string safe;     ///< what is safe now
  std::string next;     ///< what to do next
};

/// With `all` every event has a line of its own; else repeated things share one, and what is
/// routine (settings, moves, readings) is left out.
Recap compose_recap(const session::Reader& reader, const session::EventLog& log, bool all);

/// The page.
std::string recap_text(const Recap& recap);
nlohmann::json to_json(const Recap& recap);

}  // namespace creel::report
