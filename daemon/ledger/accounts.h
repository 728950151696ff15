// The arithmetic of the ledger, apart from its file: entries in, balances out.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "daemon/ledger/ledger.h"
#include "protocol/base/result.h"

namespace creel {

enum class EntryKind : std::uint8_t { intent, charge, by_hand };
std::string_view entry_kind_name(EntryKind kind);  ///< "intent", "charge", "by_hand"
std::optional<EntryKind> entry_kind_from(std::string_view name);

/// One line of the ledger, as stored. Which members mean something depends on the kind.
struct Entry {
  std::int64_t id = 0;
  std::string utc;  ///< RFC 3339, milliseconds, Z
  EntryKind kind = EntryKind::intent;
  IntentRequest request;  ///< area always; `bound` for an intent; the rest for intent and charge
  Dose dose;           ///< charge and by_hand: what was given; equals request.bound for an intent
  Dose sigma;          ///< charge and by_hand: standard deviation of `dose`
  std::string reason;  ///< charge and by_hand
  std::string entered_by;  ///< by_hand: who; "" = not known (layout 1 did not say)
  IntentId intent = 0;     ///< charge: the intent that it settles
};

/// What all entries so far add up to. Grows only by add().
class Accounts {
 public:
  /// corrupt when the entry contradicts those before it (a charge without its intent).
  Result<void> add(const Entry& entry);
  [[nodiscard]] Balance balance(const std::string& area) const;
  /// Null when there is no such unsettled intent.
  [[nodiscard]] const OpenIntent* find(IntentId id) const;
  [[nodiscard]] std::vector<OpenIntent> open_intents() const;  ///< in the order of their ids
  [[nodiscard]] std::vector<std::string> areas() const;        ///< sorted
  [[nodiscard]] std::map<std::string, Dose> causes(const std::string& area) const;
  [[nodiscard]] Dose charged_in(const std::string& area, const std::string& session) const;

 private:
  struct Account {
    double charged = 0;
    std::map<std::string, Dose> causes;  ///< what `charged` consists of
    struct Session {
      Dose dose;
      double sigma = 0;  ///< summed linearly: one dose-rate measurement
    };
    std::map<std::string, Session> sessions;
    double variance_by_hand = 0;  ///< each entry by hand is an estimate of its own
  };
  std::map<std::string, Account> accounts_;
  std::map<IntentId, OpenIntent> open_;
};

}  // namespace creel
