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

/// Dose given to one area by this session, from the records: each attempt of an exposure counted
/// once.
struct AreaDose {
  std::uint16_t area = 0;       ///< index in the series' areas
  std::uint64_t exposures = 0;  ///< attempts that gave dose
  double dose = 0;              ///< sum, 1/angstrom^2
  double total = 0;             ///< ledger total after the last of them, as its record says
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

/// `progress(done, total)` in frames; may be empty. Fails only when there is no session at `path`
/// (invalid_request): whatever is wrong with one that is there is a finding.
Result<Report> verify(FileSource& source, const std::string& path,
                      const std::function<void(std::uint64_t, std::uint64_t)>& progress = {});

nlohmann::json to_json(const Report& report);

}  // namespace creel::session
