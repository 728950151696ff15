#include "daemon/ledger/accounts.h"

#include <algorithm>

namespace creel {

std::string_view entry_kind_name(EntryKind kind) {
  switch (kind) {
    case EntryKind::intent:
      return "intent";
    case EntryKind::charge:
      return "charge";
    case EntryKind::by_hand:
      return "by_hand";
  }
  return "intent";
}

std::optional<EntryKind> entry_kind_from(std::string_view name) {
  for (const EntryKind kind : {EntryKind::intent, EntryKind::charge, EntryKind::by_hand}) {
    if (entry_kind_name(kind) == name) return kind;
  }
  return std::nullopt;
}

Result<void> Accounts::add(const Entry& entry) {
  if (entry.kind == EntryKind::charge && open_.erase(entry.intent) == 0) {
    return Error{ErrorCode::corrupt, "entry " + std::to_string(entry.id) + " charges intent " +
                                         std::to_string(entry.intent) + ", which is not open"};
  }
  Account& account = accounts_[entry.request.area];
  switch (entry.kind) {
    case EntryKind::intent:
      open_[entry.id] = OpenIntent{entry.id, entry.request};
      break;
    case EntryKind::charge:
      account.charged += entry.dose.value;
      account.causes[entry.request.cause] += entry.dose;
      account.sessions[entry.request.session].dose += entry.dose;
      account.sessions[entry.request.session].sigma += entry.sigma.value;
      break;
    case EntryKind::by_hand:
      account.charged += entry.dose.value;
      account.causes[std::string(entry_kind_name(EntryKind::by_hand))] += entry.dose;
      account.variance_by_hand += entry.sigma.value * entry.sigma.value;
      break;
  }
  return {};
}

Balance Accounts::balance(const std::string& area) const {
  Balance balance;
  const auto found = accounts_.find(area);
  if (found == accounts_.end()) return balance;
  const Account& account = found->second;
  balance.charged =
      Dose{std::max(0.0, account.charged)};  // a correction to zero may round below it
  const auto by_hand = account.causes.find(std::string(entry_kind_name(EntryKind::by_hand)));
  balance.by_hand = by_hand == account.causes.end() ? Dose{} : by_hand->second;
  balance.variance = balance.variance_by_hand = account.variance_by_hand;
  for (const auto& [name, session] : account.sessions) {
    balance.variance += session.sigma * session.sigma;
  }
  // Summed anew each time: adding and subtracting would leave rounding behind when all are settled.
  for (const auto& [id, intent] : open_) {
    if (intent.request.area == area) balance.intended += intent.request.bound;
  }
  return balance;
}

const OpenIntent* Accounts::find(IntentId id) const {
  const auto found = open_.find(id);
  return found == open_.end() ? nullptr : &found->second;
}

std::vector<OpenIntent> Accounts::open_intents() const {
  std::vector<OpenIntent> intents;
  intents.reserve(open_.size());
  for (const auto& [id, intent] : open_) intents.push_back(intent);
  return intents;
}

std::map<std::string, Dose> Accounts::causes(const std::string& area) const {
  const auto found = accounts_.find(area);
  return found == accounts_.end() ? std::map<std::string, Dose>{} : found->second.causes;
}

Dose Accounts::charged_in(const std::string& area, const std::string& session) const {
  const auto account = accounts_.find(area);
  if (account == accounts_.end()) return {};
  const auto found = account->second.sessions.find(session);
  return found == account->second.sessions.end() ? Dose{} : found->second.dose;
}

std::vector<std::string> Accounts::areas() const {
  std::vector<std::string> names;
  names.reserve(accounts_.size());
  for (const auto& [area, account] : accounts_) names.push_back(area);
  return names;
}

}  // namespace creel
