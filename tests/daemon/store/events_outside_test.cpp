// A session of electron events on the real disk, counted by a program that is not ours: h5py.
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <span>

#include "daemon/platform/disk.h"
#include "daemon/store/piece.h"
#include "protocol/session/electron_event.h"
#include "tests/daemon/store/checks.h"
#include "tests/daemon/store/outside.h"

namespace creel::store {
namespace {

using nlohmann::json;
using session::ElectronEvent;

constexpr FrameShape kShape{6, 40, Pixel::event, 100};
constexpr std::uint64_t kPlanned = 5;

/// None in frame 0, all places in frame 9.
std::vector<ElectronEvent> events_of(std::uint64_t number) {
  std::vector<ElectronEvent> events(number * 11 + number / 9);
  std::uint64_t state = number + 1;
  for (ElectronEvent& event : events) {
    state = state * 6364136223846793005ULL + 1442695040888963407ULL;
    event = {state >> 25, static_cast<std::uint16_t>((state >> 33) % kShape.columns),
             static_cast<std::uint16_t>((state >> 41) % kShape.rows),
             static_cast<std::uint32_t>(state >> 60)};
  }
  return events;
}

json told(const std::vector<ElectronEvent>& events) {
  json made = json::array();
  for (const ElectronEvent& event : events) {
    made.push_back({event.time_ps, event.column, event.row, event.charge});
  }
  return made;
}

class EventsOutside : public testing::Test {
 protected:
  void SetUp() override {
    if (!has_h5py()) {
      GTEST_SKIP() << "h5py is not installed for " << kPython;
    }
    directory_ = (std::filesystem::temp_directory_path() /
                  ("creel-events-test-" + std::to_string(::getpid())))
                     .string();
    std::filesystem::create_directories(directory_);
    disk_ = make_posix_disk();
  }
  void TearDown() override { std::filesystem::remove_all(directory_); }

  std::string look(const std::string& state, const std::string& where) {
    const auto file = directory_ + "/expected.json";
    std::ofstream(file) << json({{"rows", kShape.rows},
                                 {"columns", kShape.columns},
                                 {"most", kShape.most_events},
                                 {"capacity", piece_capacity(kShape, kPlanned)},
                                 {"events", expected_}})
                               .dump();
    return run(std::string(kPython) + " " + CREEL_TEST_FOLDER + "/look_at_events.py " + state +
               " " + where + " " + file);
  }
  void put(Session& session, std::uint64_t number) {
    const auto events = events_of(number);
    std::vector<std::byte> frame(kShape.bytes());
    const auto bytes = std::as_bytes(std::span(events));
    std::copy(bytes.begin(), bytes.end(), frame.begin());
    session::Record record = sample::record(number);
    record.events = events.size();
    ASSERT_TRUE(session.append(record, frame).ok());
    ASSERT_TRUE(session.commit().ok());
    expected_.push_back(told(events));
  }

  std::string directory_;
  std::unique_ptr<Disk> disk_;
  json expected_ = json::array();
};

TEST_F(EventsOutside, H5pyCountsThemWhileTheSessionRunsAndWhenItIsFolded) {
  auto session = create_session(*disk_, sample::start(directory_, "ink-a", kShape, kPlanned));
  ASSERT_TRUE(session.ok()) << session.error().text;
  EXPECT_EQ(look("folder", directory_ + "/ink-a"), "ok\n") << "before the first frame";
  for (std::uint64_t number = 0; number < 9; ++number) {
    put(**session, number);
  }
  EXPECT_EQ(look("folder", directory_ + "/ink-a"), "ok\n") << "in the second piece";
  put(**session, 9);
  const auto file = (*session)->fold({{"outcome", "finished"}}, {});
  ASSERT_TRUE(file.ok()) << file.error().text;
  EXPECT_EQ(look("file", *file), "ok\n");
}

}  // namespace
}  // namespace creel::store
