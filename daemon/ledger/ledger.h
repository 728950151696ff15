// The ledger: how much dose each area has had, for ever, over all sessions. Entries are only ever
// added.
//
// Before the shutter opens an INTENT is committed: the most dose that the coming opening can give,
// up to the end of its lease. After it closed, a CHARGE says what was given and settles the intent.
// An intent without a charge (the daemon died) counts in full until someone charges it: the ledger
// may over-state dose after a crash, by a stated bound, and never under-states it.
//
// SQLite, write-ahead log, synchronous=FULL, on the Disk interface. Control thread only; each call
// is durable on return.
//
// After storage_failed the ledger refuses every call, reading too: what the disk kept is known only
// by opening it anew (destroy this one first: it holds the lock). The entry of the failed call may
// then be there or not.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/seams/clock.h"
#include "daemon/seams/disk.h"
#include "protocol/base/result.h"
#include "protocol/base/units.h"

namespace creel {

using IntentId = std::int64_t;

struct Balance {
  Dose charged;         ///< sum of all charges
  double variance = 0;  ///< of that sum, (1/angstrom^2)^2; charges of one dose-rate measurement are
                        ///< not independent: this adds their errors linearly within a session, and
                        ///< in quadrature over sessions and entries by hand
  Dose by_hand;         ///< the part of `charged` that people entered
  double variance_by_hand = 0;  ///< and of `variance`
  Dose intended;                ///< sum of unsettled intents: may or may not have been given
  /// What a limit is compared with.
  [[nodiscard]] Dose upper() const { return charged + intended; }
};

struct IntentRequest {
  std::string area;  ///< Area::key()
  Dose bound;        ///< the most that can be given before closure is certain
  std::string session;
  std::uint64_t exposure = 0;
  std::uint64_t attempt = 0;
  std::string cause;  ///< "specimen", "zero_loss", "background", "residual", ...
};

struct OpenIntent {
  IntentId id = 0;
  IntentRequest request;
};

class Ledger {
 public:
  virtual ~Ledger() = default;
  /// Commits the intent. invalid_request for a bound that is negative or not finite.
  virtual Result<IntentId> intend(const IntentRequest& request) = 0;
  /// Settles an intent with the dose that was given (>= 0, finite) and its standard deviation.
  /// refused when the intent is unknown or settled already. A charge above the bound is taken as it
  /// is: it is the truth.
  virtual Result<void> charge(IntentId id, Dose given, Dose sigma, std::string_view reason) = 0;
  /// A dose not given through Creel's own shutter cycle (searching, focusing, by hand), or a
  /// correction (may be negative, never below zero in sum); the reason is required. `by` says who
  /// entered it ("user 1000"); "" = not known.
  virtual Result<void> enter_by_hand(const std::string& area, Dose dose, Dose sigma,
                                     std::string_view reason, std::string_view by) = 0;
  [[nodiscard]] virtual Result<Balance> balance(const std::string& area) = 0;
  [[nodiscard]] virtual Result<std::vector<OpenIntent>> open_intents() = 0;
  /// What the charged dose of an area consists of: by the cause of its intents ("specimen",
  /// "residual", ...), and "by_hand".
  [[nodiscard]] virtual Result<std::map<std::string, Dose>> causes(const std::string& area) = 0;
  /// What one session was charged for an area: the sum of its charges.
  [[nodiscard]] virtual Result<Dose> charged_in(const std::string& area,
                                                const std::string& session) = 0;
  /// Every entry in order, as JSON objects {id, utc, area, kind, dose_per_a2, sigma_per_a2,
  /// session, exposure, attempt, cause, reason, intent, entered_by}: for export and display. kind
  /// is "intent", "charge" or "by_hand"; null where a kind has no such member.
  [[nodiscard]] virtual Result<std::vector<nlohmann::json>> entries(const std::string& area) = 0;
  /// The same a part at a time: at most `most` entries with an id greater than `after`; of all
  /// areas when `area` is empty.
  [[nodiscard]] virtual Result<std::vector<nlohmann::json>> entries_after(std::int64_t after,
                                                                          const std::string& area,
                                                                          std::size_t most) = 0;
  /// All areas that have an entry, sorted.
  [[nodiscard]] virtual Result<std::vector<std::string>> areas() = 0;
  /// After storage_failed: closes the file and opens it anew, as open_ledger() does; nothing while
  /// the ledger works. An intent or charge whose call had failed may turn out to be there: look at
  /// open_intents().
  virtual Result<void> reopen() { return {}; }
};

/// Opens or creates the ledger file, in a directory that exists; locked to this process until
/// destroyed. corrupt when it is not a ledger or fails SQLite's integrity check; refused when it
/// was written by a newer Creel or another process has it. A file that is not ours or newer is left
/// as it was. `disk` and `clock` must outlive the ledger.
Result<std::unique_ptr<Ledger>> open_ledger(Disk& disk, const Clock& clock,
                                            const std::string& path);

}  // namespace creel
