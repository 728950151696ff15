// The map of grids on a fake disk, and what it charges to neighbours.

#include "daemon/grids/grid_map.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <memory>

#include "daemon/grids/neighbours.h"
#include "daemon/ledger/ledger.h"
#include "tests/fakes/disk.h"
#include "tests/fakes/timeline.h"

namespace creel {
namespace {

using nlohmann::json;
using testing::HasSubstr;

constexpr const char* kDirectory = "/state/grids";

class GridMapTest : public testing::Test {
 protected:
  GridMapTest() {
    EXPECT_TRUE(disk_->create_directories("/state").ok());
    EXPECT_TRUE(disk_->sync_directory("/").ok());
    ledger_ = std::move(*open_ledger(*disk_, timeline_, "/state/ledger.db"));
    open();
  }
  void open() {
    map_.reset();
    auto opened = GridMap::open(*disk_, timeline_, kDirectory);
    ASSERT_TRUE(opened.ok()) << opened.error().text;
    map_ = std::move(*opened);
  }
  Result<void> add_area(const std::string& name, double x_um, double y_um) {
    MapArea area;
    area.grid = "g1";
    area.name = name;
    area.at = {x_um, y_um};
    return map_->add_area(area, "user 1000");
  }
  void wait_s(std::int64_t seconds_long) {
    bool passed = false;
    timeline_.add(1, timeline_.now() + seconds_long * 1'000'000'000, [&passed] { passed = true; });
    while (!passed && timeline_.step()) {
    }
  }
  void expose(const std::string& area, double dose, const std::string& session = "s1") {
    IntentRequest request;
    request.area = area;
    request.bound = Dose{2 * dose};
    request.session = session;
    request.cause = "specimen";
    const auto intent = ledger_->intend(request);
    ASSERT_TRUE(ledger_->charge(*intent, Dose{dose}, Dose{0.1 * dose}, "measured opening").ok());
  }
  double dose(const std::string& area) { return ledger_->balance(area)->charged.value; }
  std::size_t settle(Neighbours& neighbours) {
    std::vector<TailCharge> charged;
    const auto settled = neighbours.settle(charged);
    EXPECT_TRUE(settled.ok()) << (settled.ok() ? "" : settled.error().text);
    return charged.size();
  }
  static BeamProfile flat(double diameter_nm, double uncertainty = 0) {
    BeamProfile profile;
    profile.shape = BeamShape::flat;
    profile.diameter_nm = diameter_nm;
    profile.relative_uncertainty = uncertainty;
    profile.method = "knife edge";
    return profile;
  }

  fakes::Timeline timeline_;
  std::unique_ptr<fakes::FakeDisk> disk_ = std::make_unique<fakes::FakeDisk>();
  std::unique_ptr<Ledger> ledger_;
  std::unique_ptr<GridMap> map_;
};

TEST_F(GridMapTest, EverythingAcknowledgedIsThereAfterAPowerCut) {
  ASSERT_TRUE(map_->add_grid("g1", "copper", "user 1000").ok());
  ASSERT_TRUE(add_area("a1", -212.5, 87).ok());
  MapArea outlined;
  outlined.grid = "g1";
  outlined.name = "a2";
  outlined.at = {5, 6};
  outlined.square = "C4";
  outlined.diameter_nm = 800;
  outlined.outline = {{4, 5}, {6, 5}, {5, 7}};
  ASSERT_TRUE(map_->add_area(outlined, "user 1000").ok());
  ASSERT_TRUE(map_->load("g1", {{{0, 0}, {1, 1}}, {{5, 6}, {6, 7}}}, false, "user 1000").ok());
  ASSERT_TRUE(map_->set_profile(flat(1000, 0.3), "user 1000").ok());
  const json before = map_->grid_json(*map_->find_grid("g1"));
  map_.reset();
  ledger_.reset();
  disk_ = std::make_unique<fakes::FakeDisk>(disk_->after_power_cut(3));
  open();
  EXPECT_EQ(map_->grid_json(*map_->find_grid("g1")), before);
  EXPECT_EQ(before["areas"][1]["outline_um"].size(), 3U);
  EXPECT_NEAR(before["areas"][1]["stage_x_um"], 6, 1e-9);
  EXPECT_EQ(map_->profile_json()["diameter_nm"], 1000);
}

TEST_F(GridMapTest, IdentitiesAreGivenOnceAndOutliveAFlip) {
  ASSERT_TRUE(map_->add_grid("g1", "", "").ok());
  EXPECT_EQ(map_->add_grid("g1", "", "").error().code, ErrorCode::refused);
  EXPECT_EQ(map_->add_grid("g/1", "", "").error().code, ErrorCode::invalid_request);
  ASSERT_TRUE(add_area("a1", 10, 0).ok());
  ASSERT_TRUE(add_area("a2", 0, 10).ok());
  EXPECT_EQ(add_area("a1", 3, 3).error().code, ErrorCode::refused);
  EXPECT_EQ(add_area("a3", 1e6, 3).error().code, ErrorCode::invalid_request);
  EXPECT_THAT(map_->load("g2", {}, false, "").error().text, HasSubstr("not on the map"));
  const auto flipped = map_->load("g1", {{{0, 0}, {0, 0}}, {{10, 0}, {-10, 0}}, {{0, 10}, {0, 10}}},
                                  std::nullopt, "");
  ASSERT_TRUE(flipped.ok());
  EXPECT_TRUE(flipped->flipped);
  const json grid = map_->grid_json(*map_->find_grid("g1"));
  EXPECT_EQ(grid["areas"][0]["area"], "g1/a1");
  EXPECT_EQ(grid["areas"][0]["x_um"], 10.0);
  EXPECT_NEAR(grid["areas"][0]["stage_x_um"], -10, 1e-9);
  EXPECT_NE(map_->find_area("g1/a2"), nullptr);
  EXPECT_EQ(map_->find_area("g1/a9"), nullptr);
}

TEST_F(GridMapTest, AFailedWriteChangesNothingAndADamagedMapIsNotRead) {
  ASSERT_TRUE(map_->add_grid("g1", "", "").ok());
  disk_->reset_counts();
  disk_->fail_syncs(0, 1);
  EXPECT_EQ(add_area("a1", 1, 1).error().code, ErrorCode::storage_failed);
  EXPECT_EQ(map_->find_area("g1/a1"), nullptr);
  ASSERT_TRUE(add_area("a1", 1, 1).ok());
  map_.reset();
  auto file = disk_->open(std::string(kDirectory) + "/events.log", OpenMode::read_write);
  const std::byte wrong{'!'};
  ASSERT_TRUE((*file)->write_at(20, {&wrong, 1}).ok());
  file->reset();
  const auto opened = GridMap::open(*disk_, timeline_, kDirectory);
  ASSERT_FALSE(opened.ok());
  EXPECT_EQ(opened.error().code, ErrorCode::corrupt);
  EXPECT_THAT(opened.error().text, HasSubstr("line 1"));
}

TEST_F(GridMapTest, APictureIsCopiedWithItsChecksum) {
  ASSERT_TRUE(map_->add_grid("g1", "", "").ok());
  const auto write = [this](const std::string& path, const std::string& text) {
    auto file = disk_->open(path, OpenMode::create_or_open);
    ASSERT_TRUE((*file)->write_at(0, std::as_bytes(std::span(text))).ok());
  };
  const std::string picture = std::string("\x89PNG\r\n\x1a\n") + "123456789";
  write("/state/overview.png", picture);
  write("/state/notes.txt", "no picture");
  const auto kept = map_->add_picture("g1", "", "/state/overview.png", "");
  ASSERT_TRUE(kept.ok()) << kept.error().text;
  EXPECT_EQ(kept->bytes, picture.size());
  EXPECT_EQ(*read_all(*disk_, std::string(kDirectory) + "/pictures/" + kept->file), picture);
  EXPECT_TRUE(kept->file.starts_with(kept->crc32c));
  EXPECT_EQ(map_->find_grid("g1")->pictures.at(0).name, "overview.png");
  for (const auto& [area, path] : {std::pair("", "/state/notes.txt"), {"", "/state/none.png"}}) {
    EXPECT_EQ(map_->add_picture("g1", area, path, "").error().code, ErrorCode::invalid_request);
  }
  EXPECT_EQ(map_->add_picture("g1", "a9", "/state/overview.png", "").error().code,
            ErrorCode::refused);
}

TEST_F(GridMapTest, AnExposureChargesItsNeighboursOnceWhoeverAsks) {
  ASSERT_TRUE(map_->add_grid("g1", "", "").ok());
  ASSERT_TRUE(add_area("lit", 0, 0).ok());
  ASSERT_TRUE(add_area("near", 0.5, 0).ok());
  ASSERT_TRUE(add_area("far", 3, 0).ok());
  expose("g1/lit", 10);
  Neighbours neighbours(*ledger_, *map_);
  EXPECT_EQ(settle(neighbours), 0U) << "no profile is stated";
  ASSERT_TRUE(map_->set_profile(flat(1000, 0.3), "").ok());
  EXPECT_EQ(settle(neighbours), 1U);
  constexpr double kPart = 0.3910022;  // two equal circles one radius apart, see geometry_test
  EXPECT_NEAR(dose("g1/near"), 10 * kPart, 1e-5);
  EXPECT_NEAR(std::sqrt(ledger_->balance("g1/near")->variance), 10 * kPart * std::hypot(0.1, 0.3),
              1e-5);
  EXPECT_EQ(dose("g1/far"), 0);
  EXPECT_EQ(dose("g1/lit"), 10) << "no echo";
  EXPECT_EQ(settle(neighbours), 0U);
  Neighbours after_restart(*ledger_, *map_);
  EXPECT_EQ(settle(after_restart), 0U);
  expose("g1/lit", 2);
  EXPECT_EQ(settle(after_restart), 1U);
  EXPECT_EQ(settle(neighbours), 0U) << "the other one did it";
  EXPECT_NEAR(dose("g1/near"), 12 * kPart, 1e-5);
  EXPECT_EQ(ledger_->causes("g1/near")->begin()->first, "neighbour of g1/lit");
  EXPECT_TRUE(ledger_->open_intents()->empty());
}

TEST_F(GridMapTest, AnAreaAddedLaterIsChargedForWhatWasAndAProfileHoldsFromItsDay) {
  ASSERT_TRUE(map_->add_grid("g1", "", "").ok());
  ASSERT_TRUE(add_area("lit", 0, 0).ok());
  ASSERT_TRUE(map_->set_profile(flat(1000), "").ok());
  wait_s(10);
  expose("g1/lit", 10);
  Neighbours neighbours(*ledger_, *map_);
  settle(neighbours);
  ASSERT_TRUE(add_area("near", 0.5, 0).ok());
  EXPECT_EQ(settle(neighbours), 1U);
  const double first = dose("g1/near");
  EXPECT_NEAR(first, 3.910022, 1e-5);
  wait_s(10);
  ASSERT_TRUE(map_->set_profile(flat(400), "").ok());  // reaches it no more
  wait_s(10);
  expose("g1/lit", 5, "s2");
  EXPECT_EQ(settle(neighbours), 0U);
  EXPECT_EQ(dose("g1/near"), first) << "what was given before stays";
}

// The ledger fails anywhere; once it is opened anew the rest is charged, and nothing twice.
TEST_F(GridMapTest, ALedgerThatFailsInBetweenIsMadeUpForOnce) {
  ASSERT_TRUE(map_->add_grid("g1", "", "").ok());
  for (int i = 0; i < 4; ++i) {
    ASSERT_TRUE(add_area("a" + std::to_string(i), 0.5 * i, 0).ok());
  }
  ASSERT_TRUE(map_->set_profile(flat(1000), "").ok());
  for (int i = 0; i < 4; ++i) {
    expose("g1/a" + std::to_string(i), 10);
  }
  constexpr double kTwoSides = 10 + 2 * 3.910022;
  bool failed = true;
  std::unique_ptr<fakes::FakeDisk> before = std::make_unique<fakes::FakeDisk>(disk_->after_kill());
  for (std::uint64_t k = 0; failed; ++k) {
    fakes::FakeDisk disk(*before);
    auto ledger = std::move(*open_ledger(disk, timeline_, "/state/ledger.db"));
    Neighbours neighbours(*ledger, *map_);
    disk.reset_counts();
    disk.fail_syncs(k, 1);
    std::vector<TailCharge> charged;
    failed = !neighbours.settle(charged).ok();
    if (failed) {
      ASSERT_TRUE(ledger->reopen().ok());
      const std::vector<OpenIntent> left = *ledger->open_intents();
      for (const OpenIntent& open : left) {  // as the conductor does
        ASSERT_TRUE(ledger->charge(open.id, Dose{}, Dose{}, "nothing was opened on it").ok());
      }
      ASSERT_TRUE(neighbours.settle(charged).ok());
    }
    EXPECT_NEAR(ledger->balance("g1/a1")->charged.value, kTwoSides, 1e-4) << "sync " << k;
    EXPECT_NEAR(ledger->balance("g1/a0")->charged.value, 13.910022, 1e-4) << "sync " << k;
    ASSERT_FALSE(HasFailure());
  }
}

}  // namespace
}  // namespace creel
