// The rig of a replay, and rigs whose time is hurried.

#include <gtest/gtest.h>

#include <fstream>

#include "client/cli/replay.h"
#include "protocol/series/rig.h"
#include "tests/drivers/replay/recorded_night.h"
#include "tests/system/daemon_process.h"

namespace creel::replay_test {
namespace {

using nlohmann::json;
using system_test::read_scenario;
using system_test::ScratchDirectory;

TEST(RigSpeed, OnlyDevicesWithoutHardwareAreHurried) {
  json rig = json::parse(read_scenario("ink-lab-real-time.rig.json"));
  EXPECT_EQ(parse_rig(rig.dump(), "lab")->speed, 1);
  rig["speed"] = 12.5;
  const auto hurried = parse_rig(rig.dump(), "lab");
  ASSERT_TRUE(hurried.ok()) << hurried.error().text;
  EXPECT_EQ(hurried->speed, 12.5);

  rig["devices"][0]["driver"] = "genicam";
  rig["devices"][2]["driver"] = "line";
  const auto real = parse_rig(rig.dump(), "lab");
  ASSERT_FALSE(real.ok());
  EXPECT_EQ(real.error().text,
            "lab:1: speed: got 12.5; must be 1, because real devices keep real time: \"camera\" "
            "(genicam), \"cathode_shutter\" (line). Only the drivers simulated, replay and blank "
            "can be hurried");
  rig["speed"] = 1;
  EXPECT_TRUE(parse_rig(rig.dump(), "lab").ok());
}

TEST(RigSpeed, NotTogetherWithAcceleratedAndWithinItsRange) {
  json rig = json::parse(read_scenario("ink-lab.rig.json"));
  rig["speed"] = 2;
  const auto both = parse_rig(rig.dump(), "lab");
  ASSERT_FALSE(both.ok());
  EXPECT_EQ(both.error().text,
            "lab:1: speed: got 2 and accelerated: true; must be one or the other: an accelerated "
            "rig runs as fast as it can");
  rig["accelerated"] = false;
  rig["speed"] = 0.5;
  const auto slow = parse_rig(rig.dump(), "lab");
  ASSERT_FALSE(slow.ok());
  EXPECT_EQ(slow.error().text,
            "lab:1: speed: got 0.5; must be a number of times real time, 1 to 1000");
}

class ReplayCommand : public testing::Test {
 protected:
  void SetUp() override { night_ = record_night(scratch_.path().string(), 4, {}, false); }
  [[nodiscard]] std::string out(const std::string& name) const {
    return (scratch_.path() / name).string();
  }
  static std::string text_of(const std::string& path) {
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), {}};
  }
  ScratchDirectory scratch_;
  RecordedNight night_;
};

TEST_F(ReplayCommand, WritesTheSeriesVerbatimAndARigOfRecordings) {
  const cli::Answer answer = cli::replay({}, {night_.path, out("a"), 5, false});
  ASSERT_EQ(answer.exit, cli::Exit::done) << answer.trouble;
  EXPECT_EQ(text_of(answer.object["series"]), night_.series_text);
  const std::string rig_file = answer.object["rig"];
  const auto rig = parse_rig(text_of(rig_file), rig_file);
  ASSERT_TRUE(rig.ok()) << rig.error().text;
  EXPECT_FALSE(rig->accelerated);
  EXPECT_EQ(rig->speed, 5);
  ASSERT_EQ(rig->devices.size(), 4U);
  for (const RigDevice& device : rig->devices) {
    EXPECT_EQ(device.driver, "replay");
    EXPECT_EQ(device.config["device"], device.name);
    EXPECT_EQ(device.sandbox.read_paths, std::vector<std::string>{night_.path});
  }
  const RigDevice* shutter = rig->find("beam_shutter");
  ASSERT_NE(shutter, nullptr);
  EXPECT_EQ(shutter->fallback, "cathode_shutter");
  for (const json& command : answer.object["commands"]) {
    EXPECT_NE(answer.text.find(command.get<std::string>()), std::string::npos);
  }
}

TEST_F(ReplayCommand, FastMeansTheAcceleratedClock) {
  const cli::Answer answer = cli::replay({}, {night_.path, out("a"), 1, true});
  ASSERT_EQ(answer.exit, cli::Exit::done) << answer.trouble;
  EXPECT_TRUE(parse_rig(text_of(answer.object["rig"]), "rig")->accelerated);
}

TEST_F(ReplayCommand, WritesOverNothing) {
  ASSERT_EQ(cli::replay({}, {night_.path, out("a"), 1, true}).exit, cli::Exit::done);
  const cli::Answer again = cli::replay({}, {night_.path, out("a"), 1, false});
  EXPECT_EQ(again.exit, cli::Exit::refused) << again.trouble;
}

TEST_F(ReplayCommand, RefusesWhatIsNoWholeSessionAndSaysWhatToDo) {
  const cli::Answer speed = cli::replay({}, {night_.path, out("a"), 0.1, false});
  EXPECT_EQ(speed.exit, cli::Exit::wrong);
  EXPECT_NE(speed.trouble.find("got 0.1; must be 1 to 1000"), std::string::npos) << speed.trouble;

  const cli::Answer nothing = cli::replay({}, {out("nothing.h5"), out("a"), 1, false});
  EXPECT_EQ(nothing.exit, cli::Exit::wrong) << nothing.trouble;

  // One flipped byte, in an event.
  std::string bytes = text_of(night_.path);
  const std::string damaged = out("damaged.h5");
  const auto event = bytes.find("started session");
  ASSERT_NE(event, std::string::npos);
  bytes[event] = 'S';
  std::ofstream(damaged, std::ios::binary) << bytes;
  const cli::Answer answer = cli::replay({}, {damaged, out("a"), 1, false});
  EXPECT_NE(answer.exit, cli::Exit::done);
  EXPECT_NE(answer.trouble.find("creel verify"), std::string::npos) << answer.trouble;
  EXPECT_FALSE(std::filesystem::exists(out("a")));
}

TEST_F(ReplayCommand, RefusesASessionThatIsBeingRecorded) {
  const ScratchDirectory running;
  system_test::DaemonProcess daemon(running.path(), "ink-lab-real-time.rig.json");
  json started;
  for (int i = 0; i < 500 && !started.contains("path"); ++i) {
    started = daemon.call("series.start",
                          {{"text", read_scenario("ink-trial.series.json")}, {"origin", "trial"}});
    system_test::pause_for(milliseconds(20));
  }
  ASSERT_TRUE(started.contains("path")) << started;
  const cli::Answer answer = cli::replay({}, {started["path"], out("a"), 1, false});
  EXPECT_EQ(answer.exit, cli::Exit::refused) << answer.trouble;
  EXPECT_NE(answer.trouble.find("is being recorded"), std::string::npos) << answer.trouble;
}

}  // namespace
}  // namespace creel::replay_test
