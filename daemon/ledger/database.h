// The ledger's SQLite file: opened, checked, brought to the present layout, and spoken to.
//
// One table "entry", to which rows are only ever added (triggers refuse anything else), marked with
// an application id so that another program's file is never taken for a ledger. Layout 2 added the
// column entered_by. The SQL in database.cpp has the columns.
#pragma once

#include <cstdint>
#include <functional>
#include <limits>
#include <memory>
#include <string>
#include <string_view>

#include "daemon/ledger/accounts.h"
#include "daemon/ledger/disk_vfs.h"
#include "daemon/seams/clock.h"
#include "daemon/seams/disk.h"
#include "protocol/base/result.h"

struct sqlite3;
struct sqlite3_stmt;

namespace creel {

constexpr int kLedgerLayout = 2;
constexpr std::int32_t kLedgerApplicationId =
    0x4C656467;  // "Ledg", in the file's header at byte 68

class LedgerDatabase {
 public:
  /// See open_ledger(). Whatever a crash or a failed sync left in the write-ahead log is written to
  /// the database file and synced before this returns, so that later commits build on nothing
  /// doubtful.
  static Result<std::unique_ptr<LedgerDatabase>> open(Disk& disk, const Clock& clock,
                                                      std::string path);
  ~LedgerDatabase();
  LedgerDatabase(const LedgerDatabase&) = delete;
  LedgerDatabase& operator=(const LedgerDatabase&) = delete;

  /// Adds the entry (its id is ignored) and returns its id once it is durable. After a failure
  /// every later append() and for_each() is refused as well: what the disk kept is then known only
  /// by opening it anew.
  Result<std::int64_t> append(const Entry& entry);
  /// A part of the entries: at most `most` with an id greater than `after`.
  struct Part {
    std::int64_t after = 0;
    std::size_t most = std::numeric_limits<std::int32_t>::max();
  };
  /// Every entry in the order of entry; of one area if `area` is not empty.
  Result<void> for_each(const std::string& area,
                        const std::function<Result<void>(const Entry&)>& visit) {
    return for_each(area, visit, Part());
  }
  Result<void> for_each(const std::string& area,
                        const std::function<Result<void>(const Entry&)>& visit, Part part);
  /// The failure that stopped this database, with what to do about it; success while it works.
  [[nodiscard]] Result<void> usable() const;
  [[nodiscard]] Error at_path(const Error& error) const { return error.during("ledger " + path_); }

 private:
  struct CloseDatabase {
    void operator()(sqlite3* db) const;
  };
  struct Finalize {
    void operator()(sqlite3_stmt* statement) const;
  };
  using Statement = std::unique_ptr<sqlite3_stmt, Finalize>;

  LedgerDatabase(Disk& disk, const Clock& clock, std::string path);
  Result<void> connect();
  Result<void> identify();
  Result<void> migrate();
  Result<void> verify();
  Result<void> settle_log();
  Result<void> prepare_statements();
  Result<void> execute(const std::string& sql);
  Result<std::string> first_value(const std::string& sql);
  Result<Statement> prepare(const std::string& sql);
  [[nodiscard]] Error failure(int code, std::string_view doing) const;

  std::string path_;
  DiskVfs vfs_;                                 // outlives the connection
  std::unique_ptr<sqlite3, CloseDatabase> db_;  // outlives its statements
  Statement insert_;
  int layout_ = 0;
  bool failed_ = false;
  std::string failed_how_;
};

}  // namespace creel
