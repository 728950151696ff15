// Real crashes: creeld is killed again and again while a reader is attached, takes its session up
// again, and what it leaves is finished by hand. Everything on the simulated rig.
//
// Software shutter control is not a personnel-safety interlock.

#include <H5Cpp.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <functional>
#include <random>
#include <sstream>

#include "protocol/session/metadata.h"
#include "protocol/session/reader.h"
#include "protocol/session/verify.h"
#include "tests/system/daemon_process.h"

namespace creel::system_test {
namespace {

using nlohmann::json;
using ::testing::HasSubstr;
namespace fs = std::filesystem;

#ifdef CREEL_SANITIZED
constexpr int kKills = 8;
#else
constexpr int kKills = 50;
#endif
constexpr const char* kPython = "/usr/bin/python3";

/// The accelerated rig with frames that are quickly made.
std::string small_rig(const fs::path& directory) {
  json rig = json::parse(read_scenario("ink-lab.rig.json"));
  for (json& device : rig["devices"]) {
    if (device["name"] == "camera") {
      device["config"]["rows"] = 2;
    }
  }
  const fs::path path = directory / "small.rig.json";
  std::ofstream(path) << rig.dump(1);
  return path.string();
}

/// `count` short exposures of the trial series.
std::string long_series(std::uint64_t count) {
  json series = json::parse(read_scenario("ink-trial.series.json"));
  series["guards"]["dose_e_per_a2"] = 1000;
  series["areas"][0]["dose_limit_e_per_a2"] = 1000;
  series["blocks"] = {{{"name", "film"},
                       {"kind", "specimen"},
                       {"area", "film-a"},
                       {"exposure_s", 0.01},
                       {"count", count},
                       {"interleave", {{{"kind", "dark"}, {"every", 5}}}}}};
  return series.dump(1);
}

json start_text(DaemonProcess& daemon, const std::string& text) {
  return daemon.start_series(text);
}

session::Report verified(const std::string& path) {
  auto report = session::verify(*session::native_source(), path);
  EXPECT_TRUE(report.ok()) << (report.ok() ? "" : report.error().text);
  return report.ok() ? *report : session::Report{};
}

/// tests/daemon/store/live_reader.py on a session, if h5py is there.
class AttachedReader {
 public:
  AttachedReader(const std::string& session, fs::path said) : said_(std::move(said)) {
    const std::string python = kPython;
    if (std::system((python + " -c 'import h5py' >/dev/null 2>&1").c_str()) == 0) {
      pipe_ = ::popen(
          (python + " " + std::getenv("CREEL_SOURCE") + "/tests/daemon/store/live_reader.py " +
           session + " > " + said_.string() + " 2>&1")
              .c_str(),
          "we");  // not for the daemons that are started later
    }
  }
  ~AttachedReader() { (void)end(); }
  AttachedReader(const AttachedReader&) = delete;
  AttachedReader& operator=(const AttachedReader&) = delete;

  [[nodiscard]] bool attached() const { return pipe_ != nullptr; }
  void durable(std::uint64_t frames) {
    if (pipe_ != nullptr) {
      std::fprintf(pipe_, "%llu\n", static_cast<unsigned long long>(frames));
      std::fflush(pipe_);
    }
  }
  /// What it said at its end.
  std::string end() {
    if (pipe_ == nullptr) {
      return "";
    }
    ::pclose(pipe_);
    pipe_ = nullptr;
    std::ifstream file(said_);
    std::stringstream text;
    text << file.rdbuf();
    return text.str();
  }

 private:
  fs::path said_;
  FILE* pipe_ = nullptr;
};

/// Takes in what the daemon said; the most frames that it called safe.
void listen(DaemonProcess& daemon, Duration limit, std::uint64_t& safe) {
  while (auto event = daemon.event(limit)) {
    if (event->value("event", "") == "stored") {
      safe = std::max(safe, event->value("frames", std::uint64_t{0}));
    }
    limit = Duration{};
  }
}

TEST(Recovery, FiftyKillsWithAReaderAttachedLoseNoAcknowledgedFrame) {
  ::signal(SIGPIPE, SIG_IGN);  // a reader that failed says why in its file
  const ScratchDirectory scratch;
  const std::string rig = small_rig(scratch.path());
  std::mt19937_64 random(50);
  std::unique_ptr<AttachedReader> reader;
  std::string session, folder;
  std::uint64_t safe = 0;
  for (int kill = 0; kill < kKills && !HasFailure(); ++kill) {
    DaemonProcess daemon(scratch.path(), rig);
    daemon.call("events.follow");
    if (session.empty()) {
      const json started = start_text(daemon, long_series(100'000));
      ASSERT_TRUE(started.contains("session")) << started;
      session = started["session"];
      folder = started["path"];
      reader = std::make_unique<AttachedReader>(folder, scratch.path() / "reader");
    }
    const json status = daemon.call("daemon.status")["series"];
    ASSERT_EQ(status.value("session", ""), session) << "not taken up: " << status;
    EXPECT_GE(status["frames_safe"].get<std::uint64_t>(), safe);
    const std::uint64_t wanted = safe + random() % 40;
    ASSERT_TRUE(until(seconds(30),
                      [&] {
                        listen(daemon, milliseconds(5), safe);
                        return safe >= wanted;
                      }))
        << "no frames any more after " << safe;
    reader->durable(safe);
    pause_for(microseconds(static_cast<std::int64_t>(random() % 20'000)));
    daemon.kill();
    listen(daemon, Duration{}, safe);  // what it had said before
    reader->durable(safe);
    const auto report = verified(folder);
    EXPECT_TRUE(report.intact()) << session::to_json(report).dump(1);
    EXPECT_GE(report.frames, safe) << "after kill " << kill;
    EXPECT_EQ(report.sequences_missing, 0U);
  }
  DaemonProcess daemon(scratch.path(), rig);
  ASSERT_EQ(daemon.call("series.stop"), json::object());
  ASSERT_TRUE(until(seconds(120), [&] {
    return !daemon.call("daemon.status")["series"]["running"].get<bool>();
  }));
  const json last = daemon.call("daemon.status")["series"]["last"];
  ASSERT_EQ(last["path"], folder + ".h5") << last;
  const auto report = verified(last["path"]);
  EXPECT_TRUE(report.intact()) << session::to_json(report).dump(1);
  for (const auto& finding : report.findings) {
    EXPECT_EQ(finding.severity, session::Severity::note)
        << finding.place << ": " << finding.sentence;
  }
  EXPECT_GE(report.frames, safe);
  // The session knows what the ledger has, to the last exposure that nobody saw the end of.
  const json ledger = daemon.call("ledger.balance")["areas"][0];
  ASSERT_EQ(report.doses.size(), 1U);
  const auto& dose = report.doses[0];
  EXPECT_EQ(dose.name, ledger["area"]);
  EXPECT_NEAR(dose.total, ledger["charged_e_per_a2"].get<double>(), 1e-6 * dose.total);
  EXPECT_NEAR(dose.before + dose.dose + dose.lost, dose.total, 1e-6 * dose.total);
  EXPECT_EQ(ledger["intended_e_per_a2"], 0.0);
  if (reader->attached()) {
    const std::string said = reader->end();
    EXPECT_THAT(said, ::testing::StartsWith("ok "));
    std::printf("reader: %s", said.c_str());
  }
  std::printf("%d kills, %llu frames, %.3f e/A^2 of %.3f charged for lost frames\n", kKills,
              static_cast<unsigned long long>(report.frames), dose.lost, dose.total);
}

/// Lets some frames be stored, then kills the daemon.
std::string killed_session(const fs::path& directory, const std::string& rig) {
  DaemonProcess daemon(directory, rig);
  daemon.call("events.follow");
  const json started = start_text(daemon, long_series(1000));
  std::uint64_t safe = 0;
  EXPECT_TRUE(started.contains("path")) << started;
  EXPECT_TRUE(until(seconds(30), [&] {
    listen(daemon, milliseconds(5), safe);
    return safe >= 5;
  }));
  daemon.kill();
  return started.value("path", "");
}

TEST(Recovery, CreelRecoverFinishesWhatACrashLeft) {
  const ScratchDirectory scratch;
  const std::string folder = killed_session(scratch.path(), small_rig(scratch.path()));
  const auto before = verified(folder);
  EXPECT_TRUE(before.intact()) << session::to_json(before).dump(1);
  const Ran ran = run_program("creel", {"recover", folder + "/"});
  EXPECT_EQ(ran.exit, 0) << ran.said;
  EXPECT_THAT(ran.said, HasSubstr(folder + ".h5: recovered after a crash; "));
  EXPECT_THAT(ran.said, HasSubstr(" of 1200 exposures"));
  EXPECT_FALSE(fs::exists(folder));
  const auto after = verified(folder + ".h5");
  EXPECT_TRUE(after.intact()) << session::to_json(after).dump(1);
  EXPECT_EQ(after.frames, before.frames);
  const Ran again = run_program("creel", {"recover", folder + ".h5", "--json"});
  EXPECT_EQ(again.exit, 2) << again.said;
  EXPECT_THAT(again.said, HasSubstr("nothing to recover"));
  EXPECT_EQ(run_program("creeld", {"recover", scratch.path() / "none"}).exit, 2);
}

TEST(Recovery, CreelRecoverIsRefusedWhileADaemonHasTheSession) {
  const ScratchDirectory scratch;
  DaemonProcess daemon(scratch.path(), small_rig(scratch.path()));
  const json started = start_text(daemon, long_series(100'000));
  ASSERT_TRUE(started.contains("path")) << started;
  const Ran ran = run_program("creel", {"recover", started["path"]});
  EXPECT_EQ(ran.exit, 4) << ran.said;
  EXPECT_THAT(ran.said, HasSubstr("a running creeld has this session"));
  EXPECT_EQ(daemon.call("daemon.status")["series"]["session"], started["session"]);
}

TEST(Recovery, TheDaemonSaysWhichUnfinishedSessionsItLeaves) {
  const ScratchDirectory scratch;
  const std::string rig = small_rig(scratch.path());
  const std::string first = killed_session(scratch.path(), rig);
  const std::string aside = (scratch.path() / "aside").string();
  fs::rename(first, aside);
  pause_for(milliseconds(1100));  // names carry whole seconds
  const std::string second = killed_session(scratch.path(), rig);
  fs::rename(aside, first);
  fs::create_directories(fs::path(first).parent_path() / "broken");
  std::ofstream(fs::path(first).parent_path() / "broken/whole.h5") << "nothing of HDF5";
  DaemonProcess daemon(scratch.path(), rig);
  json series = daemon.call("daemon.status")["series"];
  EXPECT_EQ(series["path"], second) << "the one that began last goes on";
  ASSERT_EQ(series["unfinished"].size(), 2U) << series;
  EXPECT_THAT(series["unfinished"].dump(), HasSubstr("creel recover " + first));
  EXPECT_THAT(series["unfinished"].dump(), HasSubstr("session broken stays unfinished"));
  std::ifstream file(scratch.path() / "creeld.log");
  std::stringstream log;
  log << file.rdbuf();
  EXPECT_THAT(log.str(), HasSubstr("creel recover " + first));
  // While the daemon records the one, the other can be finished.
  const Ran ran = run_program("creel", {"recover", first});
  EXPECT_EQ(ran.exit, 0) << ran.said;
  series = daemon.call("daemon.status")["series"];
  EXPECT_EQ(series["unfinished"].size(), 1U) << series;
}

/// Calls `leaf` with the path in the file of each value in `object`.
void each_leaf(const json& object, const std::string& path,
               const std::function<void(const std::string&, const json&)>& leaf) {
  for (const auto& [key, value] : object.items()) {
    const std::string here = path + "/" + session::nexus_name(key);
    value.is_object() ? each_leaf(value, here, leaf) : leaf(here, value);
  }
}

TEST(Recovery, EverySettingOfEveryDeviceIsInTheFile) {
  const ScratchDirectory scratch;
  DaemonProcess daemon(scratch.path(), small_rig(scratch.path()));
  json series = json::parse(read_scenario("ink-film.series.json"));
  for (json& block : series["blocks"]) {
    block["count"] = std::min(block.value("count", 1), 2);
  }
  const json started = start_text(daemon, series.dump());
  ASSERT_TRUE(started.contains("path")) << started;
  ASSERT_TRUE(until(seconds(120), [&] {
    return !daemon.call("daemon.status")["series"]["running"].get<bool>();
  })) << daemon.call("daemon.status");
  const std::string path = daemon.call("daemon.status")["series"]["last"]["path"];
  const auto report = verified(path);
  EXPECT_TRUE(report.findings.empty()) << session::to_json(report).dump(1);
  auto reader = session::Reader::open(*session::native_source(), path);
  ASSERT_TRUE(reader.ok()) << reader.error().text;
  const json& devices = (*reader)->documents().devices;
  std::string kinds;
  for (const auto& [name, device] : devices.items()) {
    kinds += device.value("kind", "") + " ";
    for (const char* part : {"describe", "settings", "settings_set"}) {
      EXPECT_TRUE(device.contains(part)) << name << " " << part;
    }
  }
  for (const char* kind : {"detector", "shutter", "stage", "gauge"}) {
    EXPECT_THAT(kinds, HasSubstr(kind)) << "a kind of device is not in this session";
  }
  const H5::H5File file(path, H5F_ACC_RDONLY);
  std::size_t values = 0;
  each_leaf(devices, "/entry/creel/devices", [&](const std::string& here, const json& value) {
    values += 1;
    EXPECT_FALSE(value.is_null()) << here << ": nothing can be written for it";
    EXPECT_TRUE(file.nameExists(here)) << here << " = " << value;
  });
  EXPECT_GT(values, 50U);
}

}  // namespace
}  // namespace creel::system_test
