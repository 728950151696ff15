#include "daemon/ledger/ledger.h"

#include <cmath>
#include <utility>

#include "daemon/ledger/accounts.h"
#include "daemon/ledger/database.h"
#include "protocol/base/text.h"

namespace creel {
namespace {

using nlohmann::json;

constexpr std::size_t kMaxTextBytes = 4096;
/// How far below zero a correction may bring a sum, relative to it: rounding of the sum, not dose.
constexpr double kRounding = 1e-9;

Error invalid(std::string text) {
  return {ErrorCode::invalid_request, std::move(text)};
}

/// Everything that is stored can be exported as JSON later: whole UTF-8 of a bounded length.
Result<void> check_text(std::string_view what, std::string_view text, bool may_be_empty) {
  const std::string name(what);
  if (text.empty() && !may_be_empty) return invalid("the " + name + " is missing");
  if (text.size() > kMaxTextBytes) {
    return invalid("the " + name + " has " + std::to_string(text.size()) + " bytes; at most " +
                   std::to_string(kMaxTextBytes) + " are allowed");
  }
  try {
    (void)json(std::string(text)).dump();
  } catch (const json::exception&) {
    return invalid("the " + name + " is not valid UTF-8");
  }
  return {};
}

Result<void> check_not_negative(std::string_view what, double value) {
  if (std::isfinite(value) && value >= 0) return {};
  return invalid("the " + std::string(what) + " is " + number(value) +
                 " e/A^2; it must be zero or more and finite");
}

json entry_json(const Entry& entry) {
  json out = {{"id", entry.id},
              {"utc", entry.utc},
              {"area", entry.request.area},
              {"kind", entry_kind_name(entry.kind)},
              {"dose_per_a2", entry.dose.value},
              {"sigma_per_a2", nullptr},
              {"session", nullptr},
              {"exposure", nullptr},
              {"attempt", nullptr},
              {"cause", nullptr},
              {"reason", nullptr},
              {"intent", nullptr},
              {"entered_by", nullptr}};
  if (entry.kind != EntryKind::intent) {
    out["sigma_per_a2"] = entry.sigma.value;
    out["reason"] = entry.reason;
  }
  if (entry.kind != EntryKind::by_hand) {
    out["session"] = entry.request.session;
    out["exposure"] = entry.request.exposure;
    out["attempt"] = entry.request.attempt;
    out["cause"] = entry.request.cause;
  }
  if (entry.kind == EntryKind::charge) out["intent"] = entry.intent;
  if (!entry.entered_by.empty()) out["entered_by"] = entry.entered_by;
  return out;
}

class SqliteLedger final : public Ledger {
 public:
  SqliteLedger(Disk& disk, const Clock& clock, std::string path)
      : disk_(disk), clock_(clock), path_(std::move(path)) {}

  Result<void> reopen() override {
    if (usable().ok()) return {};
    database_.reset();  // lets go of the lock
    auto opened = LedgerDatabase::open(disk_, clock_, path_);
    if (!opened.ok()) return opened.error();
    Accounts accounts;
    CREEL_TRY((*opened)->for_each("", [&](const Entry& entry) { return accounts.add(entry); }));
    database_ = std::move(*opened);
    accounts_ = std::move(accounts);
    return {};
  }

  Result<IntentId> intend(const IntentRequest& request) override {
    CREEL_TRY(check_text("area", request.area, false));
    CREEL_TRY(check_text("session", request.session, true));
    CREEL_TRY(check_text("cause", request.cause, true));
    CREEL_TRY(check_not_negative("bound of the intent", request.bound.value));
    CREEL_TRY(usable());
    Entry entry = new_entry(EntryKind::intent);
    entry.request = request;
    entry.dose = request.bound;
    return record(std::move(entry));
  }

  Result<void> charge(IntentId id, Dose given, Dose sigma, std::string_view reason) override {
    CREEL_TRY(check_not_negative("dose given", given.value));
    CREEL_TRY(check_not_negative("standard deviation", sigma.value));
    CREEL_TRY(check_text("reason", reason, true));
    CREEL_TRY(usable());
    const OpenIntent* intent = accounts_.find(id);
    if (intent == nullptr) {
      return database_->at_path(
          {ErrorCode::refused, "intent " + std::to_string(id) + " is unknown or settled already"});
    }
    Entry entry = new_entry(EntryKind::charge);
    entry.request = intent->request;
    entry.dose = given;
    entry.sigma = sigma;
    entry.reason = reason;
    entry.intent = id;
    const auto recorded = record(std::move(entry));
    if (!recorded.ok()) return recorded.error();
    return {};
  }

  Result<void> enter_by_hand(const std::string& area, Dose dose, Dose sigma,
                             std::string_view reason, std::string_view by) override {
    CREEL_TRY(check_text("area", area, false));
    CREEL_TRY(check_text("name of who enters it", by, true));
    CREEL_TRY(check_text("reason", reason, false));
    CREEL_TRY(check_not_negative("standard deviation", sigma.value));
    if (!std::isfinite(dose.value)) return invalid("the dose must be a finite number");
    CREEL_TRY(usable());
    const double before = accounts_.balance(area).charged.value;
    if (before + dose.value < -kRounding * before) {
      return invalid("area '" + area + "' has been charged " + number(before) +
                     " e/A^2; a correction of " + number(dose.value) +
                     " would bring it below zero");
    }
    Entry entry = new_entry(EntryKind::by_hand);
    entry.request.area = area;
    entry.dose = dose;
    entry.sigma = sigma;
    entry.reason = reason;
    entry.entered_by = by;
    const auto recorded = record(std::move(entry));
    if (!recorded.ok()) return recorded.error();
    return {};
  }

  Result<Balance> balance(const std::string& area) override {
    CREEL_TRY(usable());
    return accounts_.balance(area);
  }

  Result<std::vector<OpenIntent>> open_intents() override {
    CREEL_TRY(usable());
    return accounts_.open_intents();
  }

  Result<Dose> charged_in(const std::string& area, const std::string& session) override {
    CREEL_TRY(usable());
    return accounts_.charged_in(area, session);
  }

  Result<std::vector<json>> entries(const std::string& area) override {
    std::vector<json> all;
    CREEL_TRY(usable());
    if (area.empty()) return all;  // no entry has an empty area
    CREEL_TRY(database_->for_each(area, [&all](const Entry& entry) {
      all.push_back(entry_json(entry));
      return Result<void>();
    }));
    return all;
  }

  Result<std::vector<json>> entries_after(std::int64_t after, const std::string& area,
                                          std::size_t most) override {
    std::vector<json> part;
    CREEL_TRY(usable());
    CREEL_TRY(database_->for_each(area,
                                  [&part](const Entry& entry) {
                                    part.push_back(entry_json(entry));
                                    return Result<void>();
                                  },
                                  {after, most}));
    return part;
  }

  Result<std::map<std::string, Dose>> causes(const std::string& area) override {
    CREEL_TRY(usable());
    return accounts_.causes(area);
  }

  Result<std::vector<std::string>> areas() override {
    CREEL_TRY(usable());
    return accounts_.areas();
  }

 private:
  [[nodiscard]] Result<void> usable() const {
    if (database_) return database_->usable();
    return Error{ErrorCode::storage_failed, "ledger " + path_ + ": it is not open"};
  }

  [[nodiscard]] Entry new_entry(EntryKind kind) const {
    Entry entry;
    entry.kind = kind;
    entry.utc = utc_text(clock_.utc_now_ns());
    return entry;
  }

  /// Durable first, counted second.
  Result<std::int64_t> record(Entry entry) {
    const auto id = database_->append(entry);
    if (!id.ok()) return id.error();
    entry.id = *id;
    const auto counted = accounts_.add(entry);
    CREEL_INVARIANT(counted.ok(), "a stored ledger entry agrees with those before it");
    return *id;
  }

  Disk& disk_;
  const Clock& clock_;
  std::string path_;
  std::unique_ptr<LedgerDatabase> database_;
  Accounts accounts_;  ///< what the entries add up to: kept beside the file, so that a balance
                       ///< costs nothing
};

}  // namespace

Result<std::unique_ptr<Ledger>> open_ledger(Disk& disk, const Clock& clock,
                                            const std::string& path) {
  auto ledger = std::make_unique<SqliteLedger>(disk, clock, path);
  CREEL_TRY(ledger->reopen());
  return std::unique_ptr<Ledger>(std::move(ledger));
}

}  // namespace creel
