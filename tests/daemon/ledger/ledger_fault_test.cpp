// The ledger on a disk that dies, fills up and fails: whatever was acknowledged stays.
#include <gtest/gtest.h>

#include <functional>
#include <map>
#include <optional>

#include "bench.h"

namespace creel::test {
namespace {

/// What the ledger said was done.
struct Acknowledged {
  std::map<IntentId, double> intents;  ///< id -> bound
  std::map<IntentId, double> charges;  ///< intent -> dose given
  double by_hand = 0;
  int entries = 0;
  [[nodiscard]] double upper() const {
    double sum = by_hand;
    for (const auto& [id, bound] : intents) sum += charges.count(id) > 0 ? charges.at(id) : bound;
    return sum;
  }
};

/// Intents, charges and an entry by hand, until something fails. Returns how it failed.
std::optional<Error> work(Ledger& ledger, int exposures, Acknowledged& done) {
  for (int i = 0; i < exposures; ++i) {
    const double bound = 1 + i;
    const auto id = ledger.intend(request(bound, "film-1", static_cast<std::uint64_t>(i)));
    if (!id.ok()) return id.error();
    done.intents[*id] = bound;
    ++done.entries;
    if (i % 4 == 3) continue;  // left open
    const auto charged = ledger.charge(*id, Dose{bound / 2}, Dose{0.125}, "measured");
    if (!charged.ok()) return charged.error();
    done.charges[*id] = bound / 2;
    ++done.entries;
  }
  const auto entered = ledger.enter_by_hand(kArea, Dose{100}, Dose{10}, "searching", "user 1000");
  if (!entered.ok()) return entered.error();
  done.by_hand += 100;
  ++done.entries;
  return std::nullopt;
}

/// Everything acknowledged is there, and at most `in_doubt` entries more (those whose call had
/// failed).
void expect_kept(Ledger& ledger, const Acknowledged& done, int in_doubt) {
  const auto entries = ledger.entries(kArea);
  ASSERT_TRUE(entries.ok()) << entries.error().text;
  std::map<IntentId, double> intents;
  std::map<IntentId, double> charges;
  double by_hand = 0;
  for (const auto& entry : *entries) {
    const double dose = entry["dose_per_a2"];
    if (entry["kind"] == "intent") intents[entry["id"]] = dose;
    if (entry["kind"] == "charge") charges[entry["intent"]] = dose;
    if (entry["kind"] == "by_hand") by_hand += dose;
  }
  for (const auto& [id, bound] : done.intents) {
    ASSERT_TRUE(intents.count(id)) << "intent " << id << " was acknowledged and is gone";
    ASSERT_EQ(intents[id], bound);
  }
  for (const auto& [id, dose] : done.charges) {
    ASSERT_TRUE(charges.count(id)) << "charge of intent " << id << " was acknowledged and is gone";
    ASSERT_EQ(charges[id], dose);
  }
  ASSERT_GE(by_hand, done.by_hand);
  const auto found = static_cast<int>(entries->size());
  ASSERT_GE(found, done.entries);
  ASSERT_LE(found, done.entries + in_doubt);
  ASSERT_GE(ledger.balance(kArea)->upper().value,
            done.upper() - 0.5 * found);  // a late charge lowers it
  if (found == done.entries) {
    ASSERT_EQ(ledger.balance(kArea)->upper(), Dose{done.upper()});
  }
}

/// Opens what a crash left; it must be in order without help.
void expect_kept_on(fakes::FakeDisk& disk, const Acknowledged& done, int in_doubt) {
  FixedClock clock;
  const auto ledger = open_ledger(disk, clock, kPath);
  ASSERT_TRUE(ledger.ok()) << ledger.error().text;
  expect_kept(**ledger, done, in_doubt);
}

/// Opens and works until the disk dies; whether it did.
bool work_until_death(fakes::FakeDisk& disk, int exposures, Acknowledged& done) {
  FixedClock clock;
  auto ledger = open_ledger(disk, clock, kPath);
  if (ledger.ok()) (void)work(**ledger, exposures, done);
  return disk.dead();
}

TEST(LedgerFaults, EverythingAcknowledgedSurvivesAPowerCutAtEverySync) {
  for (std::uint64_t seed = 1; seed <= 4; ++seed) {
    for (std::uint64_t cut = 0;; ++cut) {
      SCOPED_TRACE("seed " + std::to_string(seed) + ", cut at sync " + std::to_string(cut));
      const auto disk = make_disk();
      disk->die_at_sync(cut);
      Acknowledged done;
      const bool died = work_until_death(*disk, 6, done);
      disk->power_cut(seed);
      ASSERT_NO_FATAL_FAILURE(expect_kept_on(*disk, done, 1));
      if (!died) break;
      ASSERT_LT(cut, 1000U);
    }
  }
}

TEST(LedgerFaults, EverythingAcknowledgedSurvivesAPowerCutOrAKillAtEveryChange) {
  for (std::uint64_t cut = 0;; ++cut) {
    SCOPED_TRACE("died at change " + std::to_string(cut));
    const auto disk = make_disk();
    disk->die_at_change(cut);
    Acknowledged done;
    const bool died = work_until_death(*disk, 6, done);
    auto killed = disk->after_kill();
    ASSERT_NO_FATAL_FAILURE(expect_kept_on(killed, done, 1));
    for (std::uint64_t seed = 1; seed <= 3; ++seed) {
      SCOPED_TRACE("power cut, seed " + std::to_string(seed));
      auto cut_off = disk->after_power_cut(seed);
      ASSERT_NO_FATAL_FAILURE(expect_kept_on(cut_off, done, 1));
    }
    if (!died) break;
    ASSERT_LT(cut, 1000U);
  }
}

/// Changes that a commit makes with and without the checkpoint that SQLite adds every thousand
/// pages.
TEST(LedgerFaults, EverythingAcknowledgedSurvivesACrashWithinACheckpoint) {
  constexpr int kExposures = 700;
  const auto disk = make_disk();
  FixedClock clock;
  std::uint64_t first = 0;  // the change at which the first checkpoint starts, and after it
  std::uint64_t last = 0;
  {
    auto ledger = open_ledger(*disk, clock, kPath);
    ASSERT_TRUE(ledger.ok());
    for (int i = 0; i < kExposures && last == 0; ++i) {
      const auto before = disk->counts().changes;
      ASSERT_TRUE((*ledger)->intend(request(1)).ok());
      if (i > 0 && disk->counts().changes > before + 12) {
        first = before;
        last = disk->counts().changes + 8;
      }
    }
  }
  ASSERT_GT(last, first) << "no checkpoint was seen";
  for (std::uint64_t cut = first; cut < last; ++cut) {
    SCOPED_TRACE("died at change " + std::to_string(cut));
    const auto dying = make_disk();
    dying->die_at_change(cut);
    Acknowledged done;
    {
      auto ledger = open_ledger(*dying, clock, kPath);
      ASSERT_TRUE(ledger.ok());
      for (int i = 0; i < kExposures; ++i) {
        const auto id = (*ledger)->intend(request(1));
        if (!id.ok()) break;
        done.intents[*id] = 1;
        ++done.entries;
      }
    }
    ASSERT_TRUE(dying->dead());
    auto killed = dying->after_kill();
    ASSERT_NO_FATAL_FAILURE(expect_kept_on(killed, done, 1));
    auto cut_off = dying->after_power_cut(cut);
    ASSERT_NO_FATAL_FAILURE(expect_kept_on(cut_off, done, 1));
  }
}

/// After a failure: every call is refused, reopening puts it right, and what is acknowledged after
/// that survives a power cut too (a sync that had failed must not leave a hole behind).
void expect_recovery(fakes::FakeDisk& disk, std::unique_ptr<Ledger> ledger, Acknowledged done,
                     const Error& error, std::uint64_t seed) {
  ASSERT_EQ(error.code, ErrorCode::storage_failed) << error.text;
  ASSERT_NE(error.text.find(kPath), std::string::npos) << error.text;
  ASSERT_EQ(ledger->balance(kArea).error().code, ErrorCode::storage_failed);
  ASSERT_EQ(ledger->open_intents().error().code, ErrorCode::storage_failed);
  ASSERT_EQ(ledger->entries(kArea).error().code, ErrorCode::storage_failed);
  ASSERT_EQ(ledger->areas().error().code, ErrorCode::storage_failed);
  ASSERT_EQ(ledger->intend(request(1)).error().code, ErrorCode::storage_failed);
  ASSERT_EQ(ledger->charge(1, Dose{1}, Dose{0}, "").error().code, ErrorCode::storage_failed);
  ASSERT_EQ(ledger->enter_by_hand(kArea, Dose{1}, Dose{0}, "x", "user 1000").error().code,
            ErrorCode::storage_failed);
  const auto reopened = ledger->reopen();
  ASSERT_TRUE(reopened.ok()) << reopened.error().text;
  ASSERT_NO_FATAL_FAILURE(expect_kept(*ledger, done, 1));
  const auto trouble = work(*ledger, 3, done);
  ASSERT_FALSE(trouble.has_value()) << trouble->text;
  ledger.reset();
  auto cut_off = disk.after_power_cut(seed);
  ASSERT_NO_FATAL_FAILURE(expect_kept_on(cut_off, done, 1));
}

using Plan = std::function<void(fakes::FakeDisk&, std::uint64_t k)>;

/// One failure at every point where `plan` can put it.
void fail_everywhere(const Plan& plan,
                     const std::function<std::uint64_t(const fakes::FakeDisk&)>& count) {
  for (std::uint64_t k = 0;; ++k) {
    SCOPED_TRACE("failure at " + std::to_string(k));
    const auto disk = make_disk();
    FixedClock clock;
    plan(*disk, k);
    auto ledger = open_ledger(*disk, clock, kPath);
    if (!ledger.ok()) {  // the failure met the creation: trying again is all it takes
      ASSERT_EQ(ledger.error().code, ErrorCode::storage_failed) << ledger.error().text;
      ledger = open_ledger(*disk, clock, kPath);
      ASSERT_TRUE(ledger.ok()) << ledger.error().text;
      continue;
    }
    Acknowledged done;
    const auto error = work(**ledger, 6, done);
    if (!error) {
      if (count(*disk) <= k) break;  // nothing was left to fail
      continue;
    }
    ASSERT_NO_FATAL_FAILURE(expect_recovery(*disk, std::move(*ledger), done, *error, k));
    ASSERT_LT(k, 1000U);
  }
}

TEST(LedgerFaults, AFailedWriteIsReportedAndNothingAcknowledgedIsLost) {
  fail_everywhere([](fakes::FakeDisk& disk, std::uint64_t k) { disk.fail_writes(k); },
                  [](const fakes::FakeDisk& disk) { return disk.counts().writes; });
}

TEST(LedgerFaults, AFullDiskIsReportedAndNothingAcknowledgedIsLost) {
  fail_everywhere([](fakes::FakeDisk& disk,
                     std::uint64_t k) { disk.fail_writes(k, 1, fakes::DiskFault::no_space); },
                  [](const fakes::FakeDisk& disk) { return disk.counts().writes; });
}

TEST(LedgerFaults, AFailedSyncIsReportedAndNothingAcknowledgedIsLost) {
  fail_everywhere([](fakes::FakeDisk& disk, std::uint64_t k) { disk.fail_syncs(k); },
                  [](const fakes::FakeDisk& disk) { return disk.counts().syncs; });
}

TEST(LedgerFaults, ADiskThatStaysFullKeepsTheLedgerClosedUntilThereIsRoom) {
  const auto disk = make_disk();
  FixedClock clock;
  disk->set_capacity(200'000);
  auto ledger = open_ledger(*disk, clock, kPath);
  ASSERT_TRUE(ledger.ok()) << ledger.error().text;
  Acknowledged done;
  const auto error = work(**ledger, 1000, done);
  ASSERT_TRUE(error.has_value());
  EXPECT_EQ(error->code, ErrorCode::storage_failed) << error->text;
  EXPECT_GT(done.entries, 0);
  disk->set_capacity(1U << 30);
  const auto reopened = (*ledger)->reopen();
  ASSERT_TRUE(reopened.ok()) << reopened.error().text;
  expect_kept(**ledger, done, 1);
}

TEST(LedgerFaults, AReopeningThatFailsLeavesTheLedgerClosed) {
  const auto disk = make_disk();
  FixedClock clock;
  auto ledger = open_ledger(*disk, clock, kPath);
  ASSERT_TRUE(ledger.ok());
  ASSERT_TRUE((*ledger)->intend(request(1)).ok());  // so that there is a log to settle
  disk->reset_counts();
  disk->fail_syncs(0, 1000);
  EXPECT_FALSE((*ledger)->intend(request(1)).ok());
  EXPECT_FALSE((*ledger)->reopen().ok());
  EXPECT_EQ((*ledger)->balance(kArea).error().code, ErrorCode::storage_failed);
  EXPECT_EQ((*ledger)->intend(request(1)).error().code, ErrorCode::storage_failed);
  disk->fail_syncs(~0ULL, 0);
  ASSERT_TRUE((*ledger)->reopen().ok());
  EXPECT_TRUE((*ledger)->intend(request(1)).ok());
}

}  // namespace
}  // namespace creel::test
