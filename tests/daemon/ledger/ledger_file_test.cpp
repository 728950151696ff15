// The ledger as a file: damaged, foreign, newer, and on a real disk, where plain SQLite is the
// witness.
#include <gtest/gtest.h>
#include <sqlite3.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <functional>

#include "bench.h"
#include "daemon/ledger/database.h"
#include "daemon/platform/disk.h"

namespace creel::test {
namespace {

/// A fresh directory, removed afterwards.
class TempDir {
 public:
  TempDir() {
    std::string pattern = (std::filesystem::temp_directory_path() / "creel-ledger-XXXXXX").string();
    path_ = mkdtemp(pattern.data());
  }
  ~TempDir() { std::filesystem::remove_all(path_); }
  [[nodiscard]] std::string file(const std::string& name) const { return path_ + "/" + name; }

 private:
  std::string path_;
};

/// Plain SQLite with its own file system, as any other program would open the file.
class PlainSqlite {
 public:
  explicit PlainSqlite(const std::string& path) {
    EXPECT_EQ(sqlite3_open(path.c_str(), &db_), SQLITE_OK);
  }
  ~PlainSqlite() { sqlite3_close(db_); }
  PlainSqlite(const PlainSqlite&) = delete;
  PlainSqlite& operator=(const PlainSqlite&) = delete;

  /// "" when it worked, else SQLite's message.
  std::string run(const std::string& sql) {
    const int code = sqlite3_exec(db_, sql.c_str(), nullptr, nullptr, nullptr);
    return code == SQLITE_OK ? "" : sqlite3_errmsg(db_);
  }
  std::string value(const std::string& sql) {
    std::string out;
    sqlite3_exec(
        db_, sql.c_str(),
        [](void* to, int, char** columns, char**) {
          *static_cast<std::string*>(to) = columns[0] == nullptr ? "NULL" : columns[0];
          return 0;
        },
        &out, nullptr);
    return out;
  }

 private:
  sqlite3* db_ = nullptr;
};

class RealLedger : public testing::Test {
 protected:
  std::unique_ptr<Ledger> open() {
    auto ledger = open_ledger(*disk, clock, path);
    EXPECT_TRUE(ledger.ok()) << ledger.error().text;
    return ledger.ok() ? std::move(*ledger) : nullptr;
  }
  TempDir directory;
  std::string path = directory.file("ledger.sqlite");
  std::unique_ptr<Disk> disk = make_posix_disk();
  FixedClock clock;
};

TEST_F(RealLedger, IsAnOrdinarySqliteFileToEverybodyElse) {
  {
    auto ledger = open();
    const auto id = ledger->intend(request(2, "film-1", 3));
    ASSERT_TRUE(id.ok());
    ASSERT_TRUE(ledger->charge(*id, Dose{1.5}, Dose{0.25}, "measured").ok());
    ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{20}, Dose{4}, "aligning", "user 1000").ok());
  }
  EXPECT_FALSE(std::filesystem::exists(path + "-wal")) << "closed in order, it is one file";
  PlainSqlite plain(path);
  EXPECT_EQ(plain.value("PRAGMA integrity_check"), "ok");
  EXPECT_EQ(plain.value("PRAGMA foreign_key_check"), "");
  EXPECT_EQ(plain.value("PRAGMA user_version"), "2");
  EXPECT_EQ(plain.value("SELECT sum(dose_per_a2) FROM entry WHERE kind <> 'intent'"), "21.5");
  EXPECT_EQ(plain.value("SELECT group_concat(kind) FROM entry"), "intent,charge,by_hand");
}

TEST_F(RealLedger, RefusesToChangeRemoveOrReplaceAnEntry) {
  {
    auto ledger = open();
    const auto id = ledger->intend(request(2));
    ASSERT_TRUE(ledger->charge(*id, Dose{1.5}, Dose{0.25}, "measured").ok());
  }
  PlainSqlite plain(path);
  EXPECT_EQ(plain.run("UPDATE entry SET dose_per_a2 = 0 WHERE id = 2"),
            "entries of the ledger are never changed");
  EXPECT_EQ(plain.run("DELETE FROM entry"), "entries of the ledger are never removed");
  const std::string columns =
      "INSERT OR REPLACE INTO entry (id, utc, area, kind, dose_per_a2, sigma_per_a2, intent)";
  EXPECT_EQ(plain.run(columns + " VALUES (1, '', 'a', 'by_hand', 0, 0, NULL)"),
            "entries of the ledger are never replaced");
  EXPECT_EQ(plain.run(columns + " VALUES (NULL, '', 'a', 'charge', 0, 0, 1)"),
            "entries of the ledger are never replaced");
  EXPECT_NE(plain.run(columns + " VALUES (NULL, '', 'a', 'gift', 0, 0, NULL)"), "");
  EXPECT_NE(plain.run(columns + " VALUES (NULL, '', 'a', 'charge', -1, 0, 7)"), "");
  EXPECT_EQ(plain.value("SELECT count(*) || ' ' || sum(dose_per_a2) FROM entry"), "2 3.5");
}

TEST_F(RealLedger, IsRefusedToASecondOpenerWithASentenceThatSaysWhy) {
  const auto ledger = open();
  const auto second = open_ledger(*disk, clock, path);
  ASSERT_FALSE(second.ok());
  EXPECT_EQ(second.error().code, ErrorCode::refused);
  EXPECT_NE(second.error().text.find("creeld"), std::string::npos) << second.error().text;
}

TEST_F(RealLedger, SaysWhichDirectoryIsMissing) {
  path = directory.file("nowhere/ledger.sqlite");
  const auto ledger = open_ledger(*disk, clock, path);
  ASSERT_FALSE(ledger.ok());
  EXPECT_EQ(ledger.error().code, ErrorCode::storage_failed);
  EXPECT_NE(ledger.error().text.find(path), std::string::npos) << ledger.error().text;
}

TEST_F(RealLedger, TakesUpWhatAnUncleanEndLeftInTheLog) {
  const std::string copy = directory.file("copy.sqlite");
  {
    auto ledger = open();
    ASSERT_TRUE(ledger->intend(request(2)).ok());
    // As a kill would leave it: the file and its log, not closed.
    std::filesystem::copy_file(path, copy);
    std::filesystem::copy_file(path + "-wal", copy + "-wal");
  }
  path = copy;
  EXPECT_EQ(open()->balance(kArea)->upper(), Dose{2});
}

TEST_F(RealLedger, LeavesAFileOfAnotherProgramAsItWas) {
  {
    PlainSqlite plain(path);
    ASSERT_EQ(plain.run("CREATE TABLE recipes (ink TEXT)"), "");
  }
  const std::string before = read_all(*disk, path).value();
  const auto ledger = open_ledger(*disk, clock, path);
  ASSERT_FALSE(ledger.ok());
  EXPECT_EQ(ledger.error().code, ErrorCode::corrupt);
  EXPECT_EQ(read_all(*disk, path).value(), before);
}

TEST_F(RealLedger, LeavesALedgerOfANewerCreelAsItWas) {
  open()->intend(request(2)).value();
  {
    PlainSqlite plain(path);
    ASSERT_EQ(plain.run("PRAGMA user_version = 3"), "");
  }
  const std::string before = read_all(*disk, path).value();
  const auto ledger = open_ledger(*disk, clock, path);
  ASSERT_FALSE(ledger.ok());
  EXPECT_EQ(ledger.error().code, ErrorCode::refused);
  EXPECT_NE(ledger.error().text.find("newer"), std::string::npos) << ledger.error().text;
  EXPECT_EQ(read_all(*disk, path).value(), before);
}

/// A ledger as the first layout had it, made by plain SQLite: an exposure, one whose charge is
/// missing, and dose by hand.
constexpr const char* kLayout1 = R"sql(
PRAGMA journal_mode = WAL;
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
INSERT INTO entry VALUES
  (1, '2026-11-25T03:00:00.250Z', 'grid-3/C4', 'intent', 2.0, NULL, 'film-1', 3, 0, 'specimen', NULL, NULL),
  (2, '2026-11-25T03:00:01.250Z', 'grid-3/C4', 'charge', 1.5, 0.25, 'film-1', 3, 0, 'specimen', 'measured', 1),
  (3, '2026-11-25T03:00:02.250Z', 'grid-3/C4', 'by_hand', 20.0, 4.0, NULL, NULL, NULL, NULL, 'aligning', NULL),
  (4, '2026-11-25T03:00:03.250Z', 'grid-3/C4', 'intent', 2.0, NULL, 'film-1', 4, 0, 'specimen', NULL, NULL);
PRAGMA application_id = 0x4C656467;
PRAGMA user_version = 1;
)sql";

void expect_as_in_layout_1(Ledger& ledger) {
  const Balance balance = ledger.balance(kArea).value();
  EXPECT_DOUBLE_EQ(balance.charged.value, 21.5);
  EXPECT_DOUBLE_EQ(balance.intended.value, 2.0);
  EXPECT_DOUBLE_EQ(balance.variance, 0.25 * 0.25 + 16);
  const auto entries = ledger.entries(kArea).value();
  ASSERT_GE(entries.size(), 4U);
  EXPECT_EQ(entries[2]["reason"], "aligning");
  EXPECT_TRUE(entries[2]["entered_by"].is_null()) << "nobody knows it";
}

TEST_F(RealLedger, AFileOfTheFirstLayoutIsBroughtToThePresentOne) {
  {
    PlainSqlite plain(path);
    ASSERT_EQ(plain.run(kLayout1), "");
  }
  {
    auto ledger = open();
    ASSERT_NE(ledger, nullptr);
    expect_as_in_layout_1(*ledger);
    ASSERT_TRUE(ledger->charge(4, Dose{1}, Dose{0.1}, "measured").ok());
    ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{-1}, Dose{0}, "typed wrong", "user 7").ok());
    EXPECT_EQ(ledger->entries(kArea).value().back()["entered_by"], "user 7");
  }
  PlainSqlite plain(path);
  EXPECT_EQ(plain.value("PRAGMA user_version"), std::to_string(kLedgerLayout));
  EXPECT_EQ(plain.value("PRAGMA integrity_check"), "ok");
  EXPECT_NE(plain.run("UPDATE entry SET entered_by = 'x' WHERE id = 3"), "");
  EXPECT_NE(plain.run("DELETE FROM entry WHERE id = 3"), "");
  EXPECT_EQ(plain.value("SELECT count(*) FROM entry"), "6");
}

TEST_F(RealLedger, ACrashAtAnyMomentOfTheMigrationLosesNothing) {
  {
    PlainSqlite plain(path);
    ASSERT_EQ(plain.run(kLayout1), "");
  }
  const std::string bytes = read_all(*disk, path).value();
  for (std::uint64_t cut = 0;; ++cut) {
    SCOPED_TRACE("died at change " + std::to_string(cut));
    const auto before = make_disk();
    auto file = before->open(kPath, OpenMode::create_new).value();
    ASSERT_TRUE(file->write_at(0, std::as_bytes(std::span(bytes))).ok());
    ASSERT_TRUE(file->sync().ok());
    ASSERT_TRUE(before->sync_directory("/lab").ok());
    file.reset();
    before->reset_counts();
    before->die_at_change(cut);
    (void)open_ledger(*before, clock, kPath);
    for (std::uint64_t seed = 1; seed <= 3; ++seed) {
      auto after = before->after_power_cut(seed);
      auto ledger = open_ledger(after, clock, kPath);
      ASSERT_TRUE(ledger.ok()) << "seed " << seed << ": " << ledger.error().text;
      ASSERT_NO_FATAL_FAILURE(expect_as_in_layout_1(**ledger));
    }
    if (!before->dead()) {
      break;
    }
    ASSERT_LT(cut, 1000U);
  }
}

TEST_F(RealLedger, IsReportedWhenAnEntryWasTakenOutBehindItsBack) {
  {
    auto ledger = open();
    const auto id = ledger->intend(request(2));
    ASSERT_TRUE(ledger->charge(*id, Dose{1}, Dose{0}, "measured").ok());
  }
  {
    PlainSqlite plain(path);
    ASSERT_EQ(plain.run("DROP TRIGGER entry_never_removed; DELETE FROM entry WHERE id = 1"), "");
  }
  const auto ledger = open_ledger(*disk, clock, path);
  ASSERT_FALSE(ledger.ok());
  EXPECT_EQ(ledger.error().code, ErrorCode::corrupt) << ledger.error().text;
}

TEST(LedgerFile, SomethingThatIsNoDatabaseIsReportedAndLeftAsItWas) {
  for (const std::string& text : {std::string("dose: about 3"), std::string(10'000, 'x')}) {
    const auto disk = make_disk();
    FixedClock clock;
    disk->put(kPath, text);
    const auto ledger = open_ledger(*disk, clock, kPath);
    ASSERT_FALSE(ledger.ok());
    EXPECT_EQ(ledger.error().code, ErrorCode::corrupt) << ledger.error().text;
    EXPECT_EQ(read_all(*disk, kPath).value(), text);
  }
}

TEST(LedgerFile, ATruncatedOrOverwrittenFileIsReportedNotRead) {
  const auto disk = make_disk();
  FixedClock clock;
  {
    auto ledger = open_ledger(*disk, clock, kPath);
    for (int i = 0; i < 200; ++i) ASSERT_TRUE((*ledger)->intend(request(1)).ok());
  }
  const auto size = read_all(*disk, kPath)->size();
  ASSERT_GT(size, 12'288U);
  const auto expect_corrupt = [&](const std::function<void(fakes::FakeDisk&)>& damage) {
    fakes::FakeDisk copy(*disk);
    damage(copy);
    const auto ledger = open_ledger(copy, clock, kPath);
    ASSERT_FALSE(ledger.ok());
    EXPECT_EQ(ledger.error().code, ErrorCode::corrupt) << ledger.error().text;
  };
  expect_corrupt([&](fakes::FakeDisk& copy) { copy.truncate(kPath, size - 4096); });
  expect_corrupt([&](fakes::FakeDisk& copy) {
    std::string text = read_all(copy, kPath).value();
    text.replace(size - 4096, 4096, 4096, 'x');
    copy.put(kPath, text);
  });
  expect_corrupt([&](fakes::FakeDisk& copy) { copy.flip_bit(kPath, 0, 0); });
}

}  // namespace
}  // namespace creel::test
