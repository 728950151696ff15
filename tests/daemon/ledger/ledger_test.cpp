// What the ledger means: intents, charges, entries by hand, balances.
#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "bench.h"

namespace creel::test {
namespace {

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
constexpr double kInfinity = std::numeric_limits<double>::infinity();

class LedgerTest : public testing::Test {
 protected:
  LedgerTest() : disk(make_disk()) { open(); }
  void open() {
    ledger.reset();
    auto opened = open_ledger(*disk, clock, kPath);
    ASSERT_TRUE(opened.ok()) << opened.error().text;
    ledger = std::move(*opened);
  }
  IntentId intend(const IntentRequest& what) {
    const auto id = ledger->intend(what);
    EXPECT_TRUE(id.ok()) << id.error().text;
    return id.ok() ? *id : 0;
  }
  Balance balance(const std::string& area = kArea) { return ledger->balance(area).value(); }

  std::unique_ptr<fakes::FakeDisk> disk;
  FixedClock clock;
  std::unique_ptr<Ledger> ledger;
};

TEST_F(LedgerTest, AnAreaNeverHeardOfHasNoDose) {
  EXPECT_EQ(balance().upper(), Dose{0});
  EXPECT_EQ(balance().variance, 0);
  EXPECT_TRUE(ledger->areas()->empty());
  EXPECT_TRUE(ledger->open_intents()->empty());
  EXPECT_TRUE(ledger->entries(kArea)->empty());
  EXPECT_TRUE(ledger->entries("")->empty());
}

TEST_F(LedgerTest, AnIntentCountsInFullUntilTheChargeSettlesIt) {
  const IntentId id = intend(request(2.5));
  EXPECT_EQ(balance().intended, Dose{2.5});
  EXPECT_EQ(balance().charged, Dose{0});
  EXPECT_EQ(balance().upper(), Dose{2.5});
  ASSERT_EQ(ledger->open_intents()->size(), 1U);
  EXPECT_EQ(ledger->open_intents()->front().id, id);
  EXPECT_EQ(ledger->open_intents()->front().request.cause, "specimen");

  ASSERT_TRUE(ledger->charge(id, Dose{1.75}, Dose{0.1}, "measured").ok());
  EXPECT_EQ(balance().intended, Dose{0});
  EXPECT_EQ(balance().charged, Dose{1.75});
  EXPECT_TRUE(ledger->open_intents()->empty());
}

TEST_F(LedgerTest, AChargeAboveItsBoundIsTakenAsItIs) {
  const IntentId id = intend(request(1));
  ASSERT_TRUE(ledger->charge(id, Dose{3}, Dose{0}, "the shutter was late").ok());
  EXPECT_EQ(balance().charged, Dose{3});
}

TEST_F(LedgerTest, IntentsAreSettledInAnyOrderAndEachOnce) {
  const IntentId first = intend(request(1));
  const IntentId second = intend(request(2));
  ASSERT_TRUE(ledger->charge(second, Dose{2}, Dose{0}, "").ok());
  EXPECT_EQ(balance().upper(), Dose{3});
  const auto again = ledger->charge(second, Dose{2}, Dose{0}, "");
  ASSERT_FALSE(again.ok());
  EXPECT_EQ(again.error().code, ErrorCode::refused);
  EXPECT_EQ(balance().upper(), Dose{3});
  ASSERT_TRUE(ledger->charge(first, Dose{0}, Dose{0}, "never opened").ok());
  EXPECT_EQ(balance().upper(), Dose{2});
  EXPECT_EQ(ledger->charge(999, Dose{1}, Dose{0}, "").error().code, ErrorCode::refused);
}

TEST_F(LedgerTest, RefusesNumbersThatAreNoDoseAndStaysUsable) {
  for (const double bad : {-0.001, kNaN, kInfinity, -kInfinity}) {
    EXPECT_EQ(ledger->intend(request(bad)).error().code, ErrorCode::invalid_request) << bad;
  }
  const IntentId id = intend(request(1));
  for (const double bad : {-0.001, kNaN, kInfinity}) {
    EXPECT_EQ(ledger->charge(id, Dose{bad}, Dose{0}, "").error().code, ErrorCode::invalid_request);
    EXPECT_EQ(ledger->charge(id, Dose{0}, Dose{bad}, "").error().code, ErrorCode::invalid_request);
    EXPECT_EQ(ledger->enter_by_hand(kArea, Dose{1}, Dose{bad}, "focus", "user 1000").error().code,
              ErrorCode::invalid_request);
  }
  EXPECT_EQ(ledger->enter_by_hand(kArea, Dose{kNaN}, Dose{0}, "focus", "user 1000").error().code,
            ErrorCode::invalid_request);
  EXPECT_TRUE(ledger->charge(id, Dose{1}, Dose{0}, "").ok());
}

TEST_F(LedgerTest, RefusesTextsThatCouldNotBeExported) {
  IntentRequest bad = request(1);
  bad.area = "";
  EXPECT_EQ(ledger->intend(bad).error().code, ErrorCode::invalid_request);
  bad.area = "grid\xff";
  EXPECT_EQ(ledger->intend(bad).error().code, ErrorCode::invalid_request);
  bad.area = std::string(5000, 'a');
  EXPECT_EQ(ledger->intend(bad).error().code, ErrorCode::invalid_request);
  bad = request(1);
  bad.session = "\xc3";
  EXPECT_EQ(ledger->intend(bad).error().code, ErrorCode::invalid_request);
  EXPECT_EQ(ledger->enter_by_hand(kArea, Dose{1}, Dose{0}, "", "user 1000").error().code,
            ErrorCode::invalid_request);
  EXPECT_TRUE(ledger->areas()->empty());
}

// JCGM 100:2008 (GUM) 5.2.2, note 1: errors that are fully correlated add linearly; independent
// ones (5.1.2) in quadrature.
TEST_F(LedgerTest, ErrorsAddLinearlyWithinASessionAndInQuadratureOtherwise) {
  for (const double sigma : {3.0, 4.0}) {
    ASSERT_TRUE(ledger->charge(intend(request(10, "film-1")), Dose{10}, Dose{sigma}, "").ok());
  }
  ASSERT_TRUE(ledger->charge(intend(request(10, "film-2")), Dose{10}, Dose{2}, "").ok());
  EXPECT_DOUBLE_EQ(balance().variance, 7 * 7 + 2 * 2);
  ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{5}, Dose{1}, "searching", "user 1000").ok());
  ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{5}, Dose{1}, "focusing", "user 1000").ok());
  EXPECT_DOUBLE_EQ(balance().variance, 7 * 7 + 2 * 2 + 1 + 1);
  EXPECT_EQ(balance().charged, Dose{40});
}

TEST_F(LedgerTest, ACorrectionNeverBringsAnAreaBelowZero) {
  for (int i = 0; i < 3; ++i)
    ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{0.1}, Dose{0}, "search", "user 1000").ok());
  const auto refused =
      ledger->enter_by_hand(kArea, Dose{-0.4}, Dose{0}, "typed wrong", "user 1000");
  ASSERT_FALSE(refused.ok());
  EXPECT_EQ(refused.error().code, ErrorCode::invalid_request);
  EXPECT_NE(refused.error().text.find("0.3"), std::string::npos) << refused.error().text;
  // 0.1 three times is 0.30000000000000004 and the other way round may fall short: rounding is no
  // dose.
  ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{-0.3}, Dose{0}, "typed wrong", "user 1000").ok());
  EXPECT_GE(balance().charged.value, 0);
  EXPECT_LT(balance().charged.value, 1e-12);
  // An open intent is not something that a correction may use up.
  intend(request(5));
  EXPECT_FALSE(ledger->enter_by_hand(kArea, Dose{-1}, Dose{0}, "typed wrong", "user 1000").ok());
}

TEST_F(LedgerTest, AreasAreKeptApart) {
  ASSERT_TRUE(ledger->enter_by_hand("grid-3/C5", Dose{5}, Dose{0}, "searching", "user 1000").ok());
  intend(request(1));
  EXPECT_EQ(balance("grid-3/C5").upper(), Dose{5});
  EXPECT_EQ(balance().upper(), Dose{1});
  EXPECT_EQ(*ledger->areas(), (std::vector<std::string>{kArea, "grid-3/C5"}));
}

TEST_F(LedgerTest, EverythingIsThereAfterReopening) {
  const IntentId settled = intend(request(2, "film-1", 7));
  ASSERT_TRUE(ledger->charge(settled, Dose{1.5}, Dose{0.25}, "measured").ok());
  const IntentId open_one = intend(request(0.1, "film-1", 8));
  ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{20}, Dose{4}, "aligning", "user 1000").ok());
  const auto before = balance();
  const auto entries = *ledger->entries(kArea);
  open();
  EXPECT_EQ(balance().charged, before.charged);
  EXPECT_EQ(balance().intended, before.intended);
  EXPECT_EQ(balance().variance, before.variance);
  EXPECT_EQ(*ledger->entries(kArea), entries);
  ASSERT_EQ(ledger->open_intents()->size(), 1U);
  const OpenIntent found = ledger->open_intents()->front();
  EXPECT_EQ(found.id, open_one);
  EXPECT_EQ(found.request.area, kArea);
  EXPECT_EQ(found.request.bound, Dose{0.1});
  EXPECT_EQ(found.request.session, "film-1");
  EXPECT_EQ(found.request.exposure, 8U);
  ASSERT_TRUE(ledger->charge(open_one, Dose{0.1}, Dose{0}, "upper bound: creeld had ended").ok());
  EXPECT_EQ(balance().intended, Dose{0});
}

TEST_F(LedgerTest, EntriesTellTheWholeStoryInOrder) {
  const IntentId id = intend(request(2, "film-1", 7));
  clock.utc_ns += 1'500'000'000;
  ASSERT_TRUE(ledger->charge(id, Dose{1.5}, Dose{0.25}, "measured").ok());
  ASSERT_TRUE(ledger
                  ->enter_by_hand(kArea, Dose{20}, Dose{4}, "aligning \"by eye\", f\xC3\xBCr S.",
                                  "user 1000")
                  .ok());
  const nlohmann::json expected = nlohmann::json::parse(R"([
    {"id": 1, "utc": "2026-11-25T03:00:00.250Z", "area": "grid-3/C4", "kind": "intent", "dose_per_a2": 2.0,
     "sigma_per_a2": null, "session": "film-1", "exposure": 7, "attempt": 0, "cause": "specimen",
     "reason": null, "intent": null, "entered_by": null},
    {"id": 2, "utc": "2026-11-25T03:00:01.750Z", "area": "grid-3/C4", "kind": "charge", "dose_per_a2": 1.5,
     "sigma_per_a2": 0.25, "session": "film-1", "exposure": 7, "attempt": 0, "cause": "specimen",
     "reason": "measured", "intent": 1, "entered_by": null},
    {"id": 3, "utc": "2026-11-25T03:00:01.750Z", "area": "grid-3/C4", "kind": "by_hand", "dose_per_a2": 20.0,
     "sigma_per_a2": 4.0, "session": null, "exposure": null, "attempt": null, "cause": null,
     "reason": "aligning \"by eye\", für S.", "intent": null, "entered_by": "user 1000"}])");
  EXPECT_EQ(nlohmann::json(*ledger->entries(kArea)), expected);
}

TEST_F(LedgerTest, EntriesComeInParts) {
  const IntentId id = intend(request(2, "film-1", 7));
  ASSERT_TRUE(ledger->charge(id, Dose{1.5}, Dose{0.25}, "measured").ok());
  ASSERT_TRUE(ledger->enter_by_hand("grid-3/C5", Dose{20}, Dose{4}, "aligning", "").ok());
  const auto ids = [&](std::int64_t after, const std::string& area, std::size_t most) {
    std::vector<std::int64_t> all;
    const auto part = ledger->entries_after(after, area, most).value();
    all.reserve(part.size());
    for (const auto& entry : part) {
      all.push_back(entry["id"]);
    }
    return all;
  };
  using Ids = std::vector<std::int64_t>;
  EXPECT_EQ(ids(0, "", 10), (Ids{1, 2, 3}));
  EXPECT_EQ(ids(0, "", 2), (Ids{1, 2}));
  EXPECT_EQ(ids(2, "", 2), (Ids{3}));
  EXPECT_EQ(ids(1, kArea, 5), (Ids{2}));
  EXPECT_EQ(ids(3, "", 5), Ids{});
}

TEST_F(LedgerTest, ChargedDoseIsToldByItsCause) {
  const IntentId id = intend(request(2));
  ASSERT_TRUE(ledger->charge(id, Dose{1.5}, Dose{0.25}, "measured").ok());
  IntentRequest residual = request(0.5);
  residual.cause = "residual";
  ASSERT_TRUE(ledger->charge(intend(residual), Dose{0.5}, Dose{0}, "residual beam").ok());
  ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{20}, Dose{4}, "aligning", "user 7").ok());
  ASSERT_TRUE(ledger->enter_by_hand(kArea, Dose{-5}, Dose{0}, "typed wrong", "user 7").ok());
  const std::map<std::string, Dose> expected = {
      {"specimen", Dose{1.5}}, {"residual", Dose{0.5}}, {"by_hand", Dose{15}}};
  EXPECT_EQ(ledger->causes(kArea).value(), expected);
  EXPECT_TRUE(ledger->causes("grid-3/C5").value().empty());
}

TEST_F(LedgerTest, ALongNightAddsUpAndCostsOneSyncACommit) {
  constexpr int kExposures = 10'000;
  disk->reset_counts();
  for (int i = 0; i < kExposures; ++i) {
    const IntentId id = intend(request(0.5, "night", static_cast<std::uint64_t>(i)));
    ASSERT_TRUE(ledger->charge(id, Dose{0.25}, Dose{0.001}, "measured").ok());
    ASSERT_EQ(balance().upper(), Dose{0.25 * (i + 1)});  // exact: quarters
  }
  EXPECT_NEAR(balance().variance, std::pow(0.001 * kExposures, 2), 1e-6);
  // One sync a commit, and three a checkpoint, which comes every thousand pages or so.
  EXPECT_LT(disk->counts().syncs, 2U * kExposures * 11 / 10);
  EXPECT_GE(disk->counts().syncs, 2U * kExposures);
  open();
  EXPECT_EQ(balance().charged, Dose{0.25 * kExposures});
}

TEST_F(LedgerTest, ASecondOpenerIsRefusedAsLongAsTheFirstHasIt) {
  const auto second = open_ledger(*disk, clock, kPath);
  ASSERT_FALSE(second.ok());
  EXPECT_EQ(second.error().code, ErrorCode::refused);
  EXPECT_NE(second.error().text.find(kPath), std::string::npos) << second.error().text;
  intend(request(1));
  open();  // the first one let go
  EXPECT_EQ(balance().upper(), Dose{1});
}

TEST_F(LedgerTest, ReopeningAWorkingLedgerChangesNothing) {
  intend(request(1));
  ASSERT_TRUE(ledger->reopen().ok());
  EXPECT_EQ(balance().upper(), Dose{1});
}

}  // namespace
}  // namespace creel::test
