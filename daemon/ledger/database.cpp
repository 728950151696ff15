#include "daemon/ledger/database.h"

#include <sqlite3.h>

#include <array>
#include <cstdio>
#include <utility>

namespace creel {
namespace {

constexpr const char* kCreateLayout1 = R"sql(
CREATE TABLE entry (
  id           INTEGER PRIMARY KEY,
  utc          TEXT NOT NULL,
  area         TEXT NOT NULL CHECK (area <> ''),
  kind         TEXT NOT NULL CHECK (kind IN ('intent', 'charge', 'by_hand')),
  dose_per_a2  REAL NOT NULL CHECK (dose_per_a2 >= 0 OR kind = 'by_hand'),
  sigma_per_a2 REAL CHECK (sigma_per_a2 >= 0),
  session      TEXT,
  exposure     INTEGER,
  attempt      INTEGER,
  cause        TEXT,
  reason       TEXT,
  intent       INTEGER REFERENCES entry (id),
  CHECK ((kind = 'charge') = (intent IS NOT NULL)),
  CHECK ((kind = 'intent') = (sigma_per_a2 IS NULL))
) STRICT;
CREATE UNIQUE INDEX entry_settles ON entry (intent) WHERE intent IS NOT NULL;
CREATE TRIGGER entry_never_changed BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'entries of the ledger are never changed'); END;
CREATE TRIGGER entry_never_removed BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'entries of the ledger are never removed'); END;
CREATE TRIGGER entry_never_replaced BEFORE INSERT ON entry
WHEN EXISTS (SELECT 1 FROM entry WHERE id = NEW.id)
  OR EXISTS (SELECT 1 FROM entry WHERE intent = NEW.intent)
BEGIN SELECT RAISE(ABORT, 'entries of the ledger are never replaced'); END;
)sql";

/// Who entered a dose by hand. Entries of layout 1 stay as they are: it is not known for them.
constexpr const char* kToLayout2 = R"sql(
ALTER TABLE entry ADD COLUMN entered_by TEXT CHECK (entered_by IS NULL OR kind = 'by_hand');
)sql";

/// kMigrations[n] brings layout n to layout n + 1. What stands here is never changed again: files
/// of every layout are about.
constexpr std::array<const char*, kLedgerLayout> kMigrations = {kCreateLayout1, kToLayout2};

constexpr const char* kInsert =
    "INSERT INTO entry (utc, area, kind, dose_per_a2, sigma_per_a2, session, exposure, attempt, "
    "cause, "
    "reason, intent, entered_by) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)";

constexpr const char* kSelect =
    "SELECT id, utc, area, kind, dose_per_a2, sigma_per_a2, session, exposure, attempt, cause, "
    "reason, "
    "intent, entered_by FROM entry";

ErrorCode code_for(int sqlite_code) {
  switch (sqlite_code & 0xff) {
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
      return ErrorCode::corrupt;
    case SQLITE_FULL:
    case SQLITE_IOERR:
    case SQLITE_CANTOPEN:
    case SQLITE_READONLY:
      return ErrorCode::storage_failed;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return ErrorCode::refused;
    default:
      return ErrorCode::internal;
  }
}

void bind_text(sqlite3_stmt* statement, int index, std::string_view text) {
  // SQLite copies nothing: every caller keeps the text until the step is done.
  sqlite3_bind_text(statement, index, text.data(), static_cast<int>(text.size()), SQLITE_STATIC);
}

std::string column_text(sqlite3_stmt* statement, int column) {
  const auto* text = reinterpret_cast<const char*>(sqlite3_column_text(statement, column));
  if (text == nullptr) return {};
  return {text, static_cast<std::size_t>(sqlite3_column_bytes(statement, column))};
}

void bind_entry(sqlite3_stmt* statement, const Entry& entry) {
  bind_text(statement, 1, entry.utc);
  bind_text(statement, 2, entry.request.area);
  bind_text(statement, 3, entry_kind_name(entry.kind));
  sqlite3_bind_double(statement, 4, entry.dose.value);
  if (entry.kind != EntryKind::intent) {
    sqlite3_bind_double(statement, 5, entry.sigma.value);
    bind_text(statement, 10, entry.reason);
  }
  if (entry.kind != EntryKind::by_hand) {
    bind_text(statement, 6, entry.request.session);
    sqlite3_bind_int64(statement, 7, static_cast<sqlite3_int64>(entry.request.exposure));
    sqlite3_bind_int64(statement, 8, static_cast<sqlite3_int64>(entry.request.attempt));
    bind_text(statement, 9, entry.request.cause);
  }
  if (entry.kind == EntryKind::charge) sqlite3_bind_int64(statement, 11, entry.intent);
  if (!entry.entered_by.empty()) bind_text(statement, 12, entry.entered_by);
}

Result<Entry> read_entry(sqlite3_stmt* statement) {
  Entry entry;
  entry.id = sqlite3_column_int64(statement, 0);
  entry.utc = column_text(statement, 1);
  entry.request.area = column_text(statement, 2);
  const std::string kind = column_text(statement, 3);
  const auto known = entry_kind_from(kind);
  if (!known) {
    return Error{ErrorCode::corrupt,
                 "entry " + std::to_string(entry.id) + " is of the unknown kind '" + kind + "'"};
  }
  entry.kind = *known;
  entry.dose = Dose{sqlite3_column_double(statement, 4)};
  if (entry.kind == EntryKind::intent) entry.request.bound = entry.dose;
  entry.sigma = Dose{sqlite3_column_double(statement, 5)};
  entry.request.session = column_text(statement, 6);
  entry.request.exposure = static_cast<std::uint64_t>(sqlite3_column_int64(statement, 7));
  entry.request.attempt = static_cast<std::uint64_t>(sqlite3_column_int64(statement, 8));
  entry.request.cause = column_text(statement, 9);
  entry.reason = column_text(statement, 10);
  entry.intent = sqlite3_column_int64(statement, 11);
  entry.entered_by = column_text(statement, 12);
  return entry;
}

}  // namespace

void LedgerDatabase::CloseDatabase::operator()(sqlite3* db) const {
  sqlite3_close(db);
}
void LedgerDatabase::Finalize::operator()(sqlite3_stmt* statement) const {
  sqlite3_finalize(statement);
}

LedgerDatabase::LedgerDatabase(Disk& disk, const Clock& clock, std::string path)
    : path_(std::move(path)), vfs_(disk, clock) {}
LedgerDatabase::~LedgerDatabase() = default;

Result<std::unique_ptr<LedgerDatabase>> LedgerDatabase::open(Disk& disk, const Clock& clock,
                                                             std::string path) {
  std::unique_ptr<LedgerDatabase> database(new LedgerDatabase(disk, clock, std::move(path)));
  for (const auto step : {&LedgerDatabase::connect, &LedgerDatabase::identify,
                          &LedgerDatabase::migrate, &LedgerDatabase::verify,
                          &LedgerDatabase::settle_log, &LedgerDatabase::prepare_statements}) {
    const auto done = (database.get()->*step)();
    if (!done.ok()) return database->at_path(done.error());
  }
  CREEL_TRY(database->usable());  // SQLite overlooks some failures; the disk does not
  return database;
}

/// Opens the file and makes it ours alone; changes nothing in it.
Result<void> LedgerDatabase::connect() {
  sqlite3* db = nullptr;
  const int code = sqlite3_open_v2(path_.c_str(), &db,
                                   SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX,
                                   vfs_.name());
  db_.reset(db);
  if (code != SQLITE_OK) {
    if (vfs_.last_error() && vfs_.last_error()->code == ErrorCode::refused) {
      return Error{
          ErrorCode::refused,
          "another process has it open (is a creeld running already?): " + vfs_.last_error()->text};
    }
    return failure(code, "cannot open it");
  }
  sqlite3_extended_result_codes(db_.get(), 1);
  sqlite3_db_config(db_.get(), SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
  // Exclusive locking first: it is what lets the write-ahead log do without shared memory.
  return execute(
      "PRAGMA locking_mode=EXCLUSIVE; PRAGMA temp_store=MEMORY; PRAGMA trusted_schema=OFF;"
      "PRAGMA cell_size_check=ON; PRAGMA foreign_keys=ON; PRAGMA recursive_triggers=ON");
}

/// Says whether this is a ledger that we know, before anything is written to it.
Result<void> LedgerDatabase::identify() {
  const auto application = first_value("PRAGMA application_id");
  if (!application.ok()) return application.error();
  const auto layout = first_value("PRAGMA user_version");
  if (!layout.ok()) return layout.error();
  const auto tables = first_value("SELECT count(*) FROM sqlite_schema");
  if (!tables.ok()) return tables.error();
  const bool empty = *application == "0" && *layout == "0" && *tables == "0";
  if (!empty && *application != std::to_string(kLedgerApplicationId)) {
    return Error{ErrorCode::corrupt, "this is an SQLite file of another program (application id " +
                                         *application + "), not a ledger; it was not touched"};
  }
  layout_ = std::stoi(*layout);
  if (layout_ > kLedgerLayout) {
    return Error{ErrorCode::refused, "it was written by a newer Creel (layout " + *layout +
                                         ", this one knows up to " + std::to_string(kLedgerLayout) +
                                         "); use that one; it was not touched"};
  }
  if (!empty && layout_ < 1) {
    return Error{ErrorCode::corrupt,
                 "it is marked as a ledger but has the impossible layout " + *layout};
  }
  return {};
}

/// Brings it to the present layout, one transaction a step.
Result<void> LedgerDatabase::migrate() {
  const auto mode = first_value("PRAGMA journal_mode=WAL");
  if (!mode.ok()) return mode.error();
  if (*mode != "wal") return Error{ErrorCode::internal, "SQLite keeps journal mode " + *mode};
  CREEL_TRY(execute("PRAGMA synchronous=FULL"));
  for (; layout_ < kLedgerLayout; ++layout_) {
    const std::string next = std::to_string(layout_ + 1);
    CREEL_TRY(execute(std::string("BEGIN;") + kMigrations.at(static_cast<std::size_t>(layout_)) +
                      "PRAGMA application_id=" + std::to_string(kLedgerApplicationId) +
                      "; PRAGMA user_version=" + next + "; COMMIT"));
  }
  return {};
}

Result<void> LedgerDatabase::verify() {
  const auto verdict = first_value("PRAGMA integrity_check(1)");
  if (!verdict.ok()) return verdict.error();
  if (*verdict != "ok") {
    return Error{ErrorCode::corrupt, "SQLite's integrity check found: " + *verdict};
  }
  return {};
}

/// Why: after a failed sync the system may hold log pages as clean that never reached the medium.
/// Copying them into the database file and syncing that leaves nothing to trust in the old log.
Result<void> LedgerDatabase::settle_log() {
  const int code =
      sqlite3_wal_checkpoint_v2(db_.get(), nullptr, SQLITE_CHECKPOINT_TRUNCATE, nullptr, nullptr);
  if (code != SQLITE_OK) return failure(code, "cannot settle its write-ahead log");
  return {};
}

Result<void> LedgerDatabase::prepare_statements() {
  auto insert = prepare(kInsert);
  if (!insert.ok()) return insert.error();
  insert_ = std::move(*insert);
  return {};
}

Result<std::int64_t> LedgerDatabase::append(const Entry& entry) {
  CREEL_TRY(usable());
  bind_entry(insert_.get(), entry);
  const int code = sqlite3_step(insert_.get());  // outside a transaction: commits and syncs
  const Error error = code == SQLITE_DONE ? Error{} : failure(code, "the entry was not stored");
  sqlite3_reset(insert_.get());
  sqlite3_clear_bindings(insert_.get());
  if (code != SQLITE_DONE) {
    failed_ = true;
    failed_how_ = error.text;
    return at_path(error);
  }
  return sqlite3_last_insert_rowid(db_.get());
}

Result<void> LedgerDatabase::for_each(const std::string& area,
                                      const std::function<Result<void>(const Entry&)>& visit,
                                      Part part) {
  CREEL_TRY(usable());
  auto select = prepare(std::string(kSelect) + " WHERE id > ?2" +
                        (area.empty() ? "" : " AND area = ?1") + " ORDER BY id LIMIT ?3");
  if (!select.ok()) return at_path(select.error());
  if (!area.empty()) bind_text(select->get(), 1, area);
  sqlite3_bind_int64(select->get(), 2, part.after);
  sqlite3_bind_int64(select->get(), 3, static_cast<sqlite3_int64>(part.most));
  int code = SQLITE_ROW;
  while ((code = sqlite3_step(select->get())) == SQLITE_ROW) {
    const auto entry = read_entry(select->get());
    if (!entry.ok()) return at_path(entry.error());
    const auto visited = visit(*entry);
    if (!visited.ok()) return at_path(visited.error());
  }
  if (code != SQLITE_DONE) return at_path(failure(code, "cannot read the entries"));
  return {};
}

Result<void> LedgerDatabase::usable() const {
  // A checkpoint after a good commit may have met the failure: SQLite does not say so, the disk
  // does.
  if (!failed_ && !vfs_.failure()) return {};
  const std::string& how = failed_ ? failed_how_ : vfs_.failure()->text;
  return at_path({ErrorCode::storage_failed,
                  "closed to further work after a failure (" + how + "); it must be opened anew"});
}

Result<void> LedgerDatabase::execute(const std::string& sql) {
  const int code = sqlite3_exec(db_.get(), sql.c_str(), nullptr, nullptr, nullptr);
  if (code != SQLITE_OK) return failure(code, "cannot prepare it");
  return {};
}

Result<LedgerDatabase::Statement> LedgerDatabase::prepare(const std::string& sql) {
  sqlite3_stmt* statement = nullptr;
  const int code = sqlite3_prepare_v3(db_.get(), sql.c_str(), static_cast<int>(sql.size()),
                                      SQLITE_PREPARE_PERSISTENT, &statement, nullptr);
  if (code != SQLITE_OK) return failure(code, "cannot read it");
  return Statement(statement);
}

Result<std::string> LedgerDatabase::first_value(const std::string& sql) {
  auto statement = prepare(sql);
  if (!statement.ok()) return statement.error();
  const int code = sqlite3_step(statement->get());
  if (code != SQLITE_ROW) return failure(code, "cannot read it");
  return column_text(statement->get(), 0);
}

Error LedgerDatabase::failure(int code, std::string_view doing) const {
  std::string text =
      std::string(doing) + ": " + (db_ ? sqlite3_errmsg(db_.get()) : sqlite3_errstr(code));
  const int kind = code & 0xff;
  const bool disk_said_why = kind == SQLITE_IOERR || kind == SQLITE_CANTOPEN || kind == SQLITE_FULL;
  if (disk_said_why && vfs_.last_error()) text += " (" + vfs_.last_error()->text + ")";
  return {code_for(code), std::move(text)};
}

}  // namespace creel
