// Checks everything that can be checked about a session, at any moment of its life, and says
// exactly what is wrong. Reads every frame once; writes nothing.
#pragma once

#include <cstdint>
#include <functional>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/session/source.h"

namespace creel::session {

enum class Severity : std::uint8_t {
  note,     ///< worth knowing, nothing is wrong: the unfinished tail of a crash
  warning,  ///< something is not as it should be, no data are lost
  error,    ///< data that were acknowledged, or metadata, are damaged or missing
};
std::string_view severity_name(Severity severity);

struct Finding {
  Severity severity = Severity::note;
  std::string place;  ///< "piece-2.h5 place 5 (frame 133)", "events.log line 7", "/entry/sample"
  std::string sentence;
};

/// What a part of the dose came from: an exposure kind ("specimen", "zero_loss", ...: exposures
/// whose frames are here and good), "broken" (exposures that failed), "residual" (the beam that
/// remains with the cathode laser blocked, after the last exposure), "after_crash" (charged when
/// the session was taken up: exposures that nobody could measure, or whose frames were lost),
/// "by_hand" (entered while the session ran), "meanwhile" (by hand or by other sessions, while this
/// one lay unfinished).
struct CauseDose {
  std::string cause;
  double dose = 0;   ///< 1/angstrom^2
  double sigma = 0;  ///< standard deviation, added up as the ledger does: linearly, as all
                     ///< rests on one dose rate; entries by hand in quadrature
  std::uint64_t exposures = 0;  ///< attempts; 0 where there are none to count
};

/// Dose given to one area by this session; each attempt of an exposure counted once. All in
/// 1/angstrom^2.
struct AreaDose {
  std::uint16_t area = 0;       ///< index in the series' areas
  std::string name;             ///< "grid/name"; "" when the series document does not say
  double before = 0;            ///< in the ledger before the session
  std::uint64_t exposures = 0;  ///< attempts that gave dose and whose frames are here
  double dose = 0;              ///< their sum
  double lost = 0;              ///< charged for attempts without a frame here, as the events say
  double total = 0;             ///< of the area, after the last of all these
  bool told_to_the_end =
      false;  ///< the summary says what the ledger held; else up to the last frame
  std::vector<CauseDose> causes;  ///< of what came after `before`, in order of first appearance
};

struct Report {
  std::string path;
  bool folded = false;
  std::uint64_t frames = 0;          ///< intact: record and bytes match their checksums
  std::uint64_t frames_damaged = 0;  ///< record intact, bytes not, although acknowledged
  std::uint64_t records_damaged =
      0;  ///< places that held an acknowledged frame and now have no record
  std::uint64_t sequences_missing =
      0;                         ///< sequence numbers between 0 and the last that are nowhere
  std::uint64_t unfinished = 0;  ///< tail of a crash, never acknowledged
  std::uint64_t events = 0;
  std::uint64_t events_damaged = 0;
  std::vector<AreaDose> doses;    ///< by area index
  std::vector<Finding> findings;  ///< in the order of the files

  /// No error among the findings.
  [[nodiscard]] bool intact() const;
};

/// Checksums of every frame, record and event; sequence numbers; dose against the ledger; metadata
/// against protocol/session/metadata.h; the rules of NeXus. `progress(done, total)` in frames; may
/// be empty. Fails only when there is no session at `path` (invalid_request): whatever is wrong
/// with one that is there is a finding.
Result<Report> verify(FileSource& source, const std::string& path,
                      const std::function<void(std::uint64_t, std::uint64_t)>& progress = {});

nlohmann::json to_json(const Report& report);

}  // namespace creel::session
