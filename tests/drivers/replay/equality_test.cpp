// A replayed night is the recorded one: frames, exposures, faults, doses and times, through the
// unchanged daemon with its real hosts.

#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <map>
#include <sstream>
#include <tuple>

#include "client/cli/replay.h"
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

json trial() {
  return json::parse(system_test::read_scenario("ink-trial.series.json"));
}

std::size_t count(const Session& session, const std::string& event) {
  return static_cast<std::size_t>(
      std::count_if(session.events.begin(), session.events.end(),
                    [&](const json& one) { return one.value("event", "") == event; }));
}

TEST(Replay, ANightInTheSimulatedLaboratoryComesBackTheSame) {
  const ScratchDirectory scratch, second;
  const std::string recorded_path = record_in_lab(scratch.path(), troubled_lab(), short_film());
  ASSERT_NE(recorded_path, "");
  const std::string replayed_path = replay_session(second.path(), recorded_path, true);
  ASSERT_NE(replayed_path, "");
  const Session recorded = read_session(recorded_path);
  const Session replayed = read_session(replayed_path);
  expect_same_frames(recorded, replayed);
  expect_same_times(recorded, replayed);
  EXPECT_EQ(readings(replayed), readings(recorded));
  EXPECT_EQ(replayed.summary["outcome"], recorded.summary["outcome"]);
  for (const char* event : {"guard", "guard_satisfied", "setting", "moved"}) {
    EXPECT_GT(count(recorded, event), 0U) << event << ": this night shows less than it should";
    EXPECT_EQ(count(replayed, event), count(recorded, event)) << event;
  }
  if (HasFailure()) {
    std::printf("recorded:%s\nreplayed:%s\n", story(recorded).c_str(), story(replayed).c_str());
  }
}

TEST(Replay, AReplayOfAReplayIsTheSameNight) {
  const ScratchDirectory scratch, second, third;
  const std::string first = record_in_lab(scratch.path(), troubled_lab(), trial());
  ASSERT_NE(first, "");
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
  const std::string recorded_path = record_in_lab(scratch.path(), troubled_lab(), trial());
  ASSERT_NE(recorded_path, "");
  const std::string replayed_path = replay_session(second.path(), recorded_path, false, 20);
  ASSERT_NE(replayed_path, "");
  expect_same_frames(read_session(recorded_path), read_session(replayed_path));
}

// Long acquisitions: a gap in the middle of each, and the last frame lost.
TEST(Replay, LongAcquisitionsComeBackWithTheirGaps) {
  for (const int lost : {7, 11}) {
    const ScratchDirectory scratch, second;
    json rig = troubled_lab();
    for (json& device : rig["devices"]) {
      if (device["kind"] == "detector") {
        device["config"]["rows"] = 1;
        device["config"]["frames_per_block"] = 1;
        device["config"]["lose_frame"] = lost;
      }
    }
    json series = trial();
    series["blocks"][1]["count"] = 6;
    series["blocks"][1]["frames"] = 12;
    series["guards"].erase("damage");  // frames that come so fast are not looked into
    const std::string recorded_path = record_in_lab(scratch.path(), rig, series);
    ASSERT_NE(recorded_path, "");
    const std::string replayed_path = replay_session(second.path(), recorded_path, true);
    ASSERT_NE(replayed_path, "");
    const Session recorded = read_session(recorded_path);
    expect_same_frames(recorded, read_session(replayed_path));
    expect_same_times(recorded, read_session(replayed_path));
    EXPECT_TRUE(std::any_of(recorded.records.begin(), recorded.records.end(), [](const Record& r) {
      return (r.flags & session::kMoreToCome) != 0;
    })) << "no long acquisition in this night";
  }
}

TEST(Replay, AnotherSeriesThanTheRecordedOneIsRefusedInOneSentence) {
  const ScratchDirectory scratch, second;
  const std::string recorded = record_in_lab(scratch.path(), troubled_lab(), trial());
  ASSERT_NE(recorded, "");
  const cli::Answer answer = cli::replay({}, {recorded, (second.path() / "r").string(), 1, true});
  ASSERT_EQ(answer.exit, cli::Exit::done) << answer.trouble;
  json other = trial();
  other["blocks"][1]["exposure_s"] = 0.3;
  other["blocks"][1].erase("interleave");
  DaemonProcess daemon(second.path(), rig_name(answer.object["rig"].get<std::string>()));
  json started;
  while (!started.contains("session")) {
    started = daemon.call("series.start", {{"text", other.dump()}, {"origin", "other"}});
    system_test::pause_for(milliseconds(20));
  }
  json status;
  do {
    system_test::pause_for(milliseconds(5));
    status = daemon.call("daemon.status")["series"];
  } while (!status.value("holding", false));
  const std::string sentence =
      "exposure 3: recorded with 200 ms, asked for 300 ms: this is not the series that was "
      "recorded";
  std::string events;
  for (int look = 0; look < 500 && events.find(sentence) == std::string::npos; ++look) {
    system_test::pause_for(milliseconds(10));  // the log is written behind the daemon's back
    std::ifstream log(status.value("path", "") + "/events.log");
    events.assign(std::istreambuf_iterator<char>(log), {});
  }
  EXPECT_NE(events.find(sentence), std::string::npos) << events;
}

class FaultyNight : public testing::TestWithParam<std::tuple<std::uint64_t, bool>> {};

TEST_P(FaultyNight, BreaksWhereItBrokeAndChargesWhatItCharged) {
  const auto [seed, shutter_gating] = GetParam();
  const ScratchDirectory scratch, second;
  fakes::FaultRates faults;
  faults.lose_frame = 0.08;
  faults.torn_frame = 0.12;
  faults.refuse = 0.01;
  faults.crash = 0.01;
  faults.hang = 0.005;
  faults.stuck = 0.03;
  const RecordedNight night = record_night(scratch.path(), seed, faults, shutter_gating);
  const std::string replayed_path = replay_session(second.path(), night.path, true);
  ASSERT_NE(replayed_path, "");
  const Session recorded = read_session(night.path);
  const Session replayed = read_session(replayed_path);
  EXPECT_FALSE(broken(recorded).empty()) << "a night without faults shows nothing";
  EXPECT_EQ(broken(replayed), broken(recorded));
  expect_same_frames(recorded, replayed);
  expect_same_times(recorded, replayed);
  if (HasFailure()) {
    std::printf("recorded:%s\nreplayed:%s\n", story(recorded).c_str(), story(replayed).c_str());
  }
}

INSTANTIATE_TEST_SUITE_P(Seeds, FaultyNight,
                         testing::Combine(testing::Range<std::uint64_t>(1, 6), testing::Bool()));

}  // namespace
}  // namespace creel::replay_test
