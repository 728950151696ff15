// A replayed night is the recorded one: frames, exposures, faults, doses and times, through the
// unchanged daemon with its real hosts.

#include <gtest/gtest.h>
#include <signal.h>

#include <fstream>
#include <map>
#include <sstream>
#include <tuple>

#include "protocol/session/reader.h"
#include "tests/drivers/replay/recorded_night.h"
#include "tests/drivers/replay/replayed_night.h"

namespace creel::replay_test {
namespace {

using nlohmann::json;
using session::Record;
using system_test::DaemonProcess;
using system_test::ScratchDirectory;

struct Session {
  std::vector<Record> records;
  std::vector<json> events;
  json summary;
};

Session read_session(const std::string& path) {
  const auto source = session::native_source();
  auto reader = session::Reader::open(*source, path);
  EXPECT_TRUE(reader.ok()) << (reader.ok() ? "" : reader.error().text);
  if (!reader.ok()) {
    return {};
  }
  EXPECT_TRUE((*reader)->faults().empty());
  Session made;
  made.records.assign((*reader)->records().begin(), (*reader)->records().end());
  made.events = (*reader)->events()->events;
  made.summary = (*reader)->documents().summary;
  return made;
}

/// What of a record has nothing to do with time.
auto identity(const Record& record) {
  return std::tuple(record.exposure, record.attempt, record.frame_crc, record.flags, record.block,
                    record.kind, record.where, record.area, record.exposure_set_ns,
                    record.exposure_ns, record.device_index, record.device_stamp,
                    record.lost_before);
}

void expect_same_frames(const Session& recorded, const Session& replayed) {
  ASSERT_EQ(replayed.records.size(), recorded.records.size());
  for (std::size_t i = 0; i < recorded.records.size(); ++i) {
    const Record& a = recorded.records[i];
    const Record& b = replayed.records[i];
    EXPECT_EQ(identity(a), identity(b))
        << "frame " << i << ", exposure " << a.exposure << "." << a.attempt << " against "
        << b.exposure << "." << b.attempt << ", flags " << a.flags << " " << b.flags;
    EXPECT_EQ(a.closed_ns - a.opened_ns, b.closed_ns - b.opened_ns) << "frame " << i;
    EXPECT_EQ(a.dose, b.dose) << "frame " << i;
    EXPECT_EQ(a.dose_errors, b.dose_errors) << "frame " << i;
    EXPECT_DOUBLE_EQ(a.area_dose, b.area_dose) << "frame " << i << ": dose of what broke before it";
  }
}

/// To the nanosecond, from the first start on. Only on the accelerated clock: any other has the
/// jitter of this machine in it.
void expect_same_times(const Session& recorded, const Session& replayed) {
  ASSERT_EQ(replayed.records.size(), recorded.records.size());
  ASSERT_FALSE(recorded.records.empty());
  const std::int64_t shift = replayed.records[0].start_ns - recorded.records[0].start_ns;
  for (std::size_t i = 0; i < recorded.records.size(); ++i) {
    const Record& a = recorded.records[i];
    const Record& b = replayed.records[i];
    EXPECT_EQ(a.start_ns + shift, b.start_ns) << "frame " << i;
    if (a.opened_ns != 0) {
      EXPECT_EQ(a.opened_ns + shift, b.opened_ns) << "frame " << i;
    }
  }
}

std::vector<json> readings(const Session& session) {
  std::vector<json> made;
  for (const json& event : session.events) {
    if (event.value("event", "") == "gauges") {
      json values = json::object();
      for (const auto& [gauge, list] : event["readings"].items()) {
        for (const json& one : list) {
          values[gauge].push_back({one["value"], one["uncertainty"], one["valid"]});
        }
      }
      made.push_back(values);
    }
  }
  return made;
}

/// Which attempts broke, in order.
std::vector<std::pair<std::uint64_t, std::uint64_t>> broken(const Session& session) {
  std::vector<std::pair<std::uint64_t, std::uint64_t>> made;
  for (const json& event : session.events) {
    if (event.value("event", "") == "exposure_broken") {
      made.emplace_back(event["exposure"], event["attempt"]);
    }
  }
  return made;
}

/// What happened, for a person who must understand a failing test.
std::string story(const Session& session) {
  std::string text;
  for (const json& event : session.events) {
    const std::string what = event.value("event", "");
    if (what != "gauges" && what != "piece") {
      text += "\n  " + std::to_string(event.value("world_ns", 0.0) * 1e-9) + " " + what + ": " +
              event.value("text", "");
    }
  }
  return text;
}

std::string write_rig(const std::filesystem::path& directory, const json& rig) {
  const std::string path = (directory / "lab.rig.json").string();
  std::ofstream(path) << rig.dump(2);
  return path;
}

/// The simulated laboratory, with lasers that drop out often.
json troubled_lab() {
  json rig = json::parse(system_test::read_scenario("ink-lab.rig.json"));
  json& world = rig["common"]["simulated"]["world"];
  world["dropouts_per_hour"] = 60;
  world["dropout_s"] = 20;
  for (json& device : rig["devices"]) {
    if (device["kind"] == "detector") {
      device["config"]["rows"] = 8;
    }
  }
  return rig;
}

std::string record_lab(const ScratchDirectory& scratch, const json& rig) {
  DaemonProcess daemon(scratch.path(), rig_name(write_rig(scratch.path(), rig)));
  const json last =
      run_series(daemon, system_test::read_scenario("ink-trial.series.json"), seconds(100));
  EXPECT_EQ(last.value("outcome", ""), "complete") << last;
  return last.value("path", "");
}

TEST(Replay, ANightInTheSimulatedLaboratoryComesBackTheSame) {
  const ScratchDirectory scratch, second;
  const std::string recorded_path = record_lab(scratch, troubled_lab());
  const std::string replayed_path = replay_session(second.path(), recorded_path, true);
  ASSERT_NE(replayed_path, "");
  const Session recorded = read_session(recorded_path);
  const Session replayed = read_session(replayed_path);
  expect_same_frames(recorded, replayed);
  expect_same_times(recorded, replayed);
  EXPECT_FALSE(readings(recorded).empty());
  EXPECT_EQ(readings(replayed), readings(recorded));
  EXPECT_EQ(replayed.summary["outcome"], recorded.summary["outcome"]);
}

TEST(Replay, AReplayOfAReplayIsTheSameNight) {
  const ScratchDirectory scratch, second, third;
  const std::string first = record_lab(scratch, troubled_lab());
  const std::string again = replay_session(second.path(), first, true);
  ASSERT_NE(again, "");
  const std::string once_more = replay_session(third.path(), again, true);
  ASSERT_NE(once_more, "");
  expect_same_frames(read_session(first), read_session(once_more));
  expect_same_times(read_session(first), read_session(once_more));
}

// Faster than life but not accelerated: the same frames and doses, with the machine's own jitter in
// the times.
TEST(Replay, AtTwentyTimesTheRecordedPaceFramesAndDosesAreTheSame) {
  const ScratchDirectory scratch, second;
  const std::string recorded_path = record_lab(scratch, troubled_lab());
  const std::string replayed_path = replay_session(second.path(), recorded_path, false, 20);
  ASSERT_NE(replayed_path, "");
  expect_same_frames(read_session(recorded_path), read_session(replayed_path));
}

class FaultyNight : public testing::TestWithParam<std::tuple<std::uint64_t, bool>> {
 protected:
  /// Records a night with these faults, replays it, and expects the same frames and breaks.
  void replay_night(const fakes::FaultRates& faults, bool same_dose_needed) {
    const auto [seed, shutter_gating] = GetParam();
    const RecordedNight night = record_night(scratch_.path(), seed, faults, shutter_gating);
    recorded_ = read_session(night.path);
    if (same_dose_needed || recorded_.summary["outcome"] == "complete") {
      replay_and_compare(night.path);
    } else {
      GTEST_SKIP() << "the dose guard ended it, and the dose of what broke may differ";
    }
  }
  void replay_and_compare(const std::string& path) {
    const std::string replayed_path = replay_session(second_.path(), path, true);
    ASSERT_NE(replayed_path, "") << "recorded:" << story(recorded_);
    replayed_ = read_session(replayed_path);
    EXPECT_FALSE(broken(recorded_).empty()) << "a night without faults shows nothing";
    EXPECT_EQ(broken(replayed_), broken(recorded_))
        << "recorded:" << story(recorded_) << "\nreplayed:" << story(replayed_);
  }
  const ScratchDirectory scratch_, second_;
  Session recorded_, replayed_;
};

/// Faults that devices report: everything comes back, to the nanosecond and the last digit of dose.
TEST_P(FaultyNight, ReportedFaultsComeBackExactly) {
  fakes::FaultRates faults;
  faults.lose_frame = 0.08;
  faults.torn_frame = 0.12;
  faults.refuse = 0.01;
  replay_night(faults, true);
  expect_same_frames(recorded_, replayed_);
  expect_same_times(recorded_, replayed_);
}

/// Processes that die or hang: a session does not say when a process was back, so times, and the
/// dose of what broke, may differ. Frames, and which attempts broke, do not.
TEST_P(FaultyNight, AfterCrashesAndHangsTheFramesAndBreaksAreTheSame) {
  fakes::FaultRates faults;
  faults.torn_frame = 0.12;
  faults.crash = 0.01;
  faults.hang = 0.005;
  replay_night(faults, false);
  if (IsSkipped()) {
    return;
  }
  ASSERT_EQ(replayed_.records.size(), recorded_.records.size());
  for (std::size_t i = 0; i < recorded_.records.size(); ++i) {
    EXPECT_EQ(identity(recorded_.records[i]), identity(replayed_.records[i])) << "frame " << i;
  }
}

INSTANTIATE_TEST_SUITE_P(Seeds, FaultyNight,
                         testing::Combine(testing::Range<std::uint64_t>(1, 6), testing::Bool()));

}  // namespace
}  // namespace creel::replay_test
