// Nights of real processes: a series on the simulated rig in real time, while the seed kills the
// daemon or a host, suspends one, lets one fill its log without end, or fills the disk.
//
// CREEL_REAL_NIGHTS says how many (the seeds 1, 2, ...), CREEL_REAL_NIGHTS_FROM the first seed.
//
// Software shutter control is not a personnel-safety interlock; these tests show what it does do.

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/mount.h>

#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <map>
#include <random>

#include "protocol/session/verify.h"
#include "tests/system/daemon_process.h"

namespace creel::system_test {
namespace {

using nlohmann::json;
namespace fs = std::filesystem;

#ifdef CREEL_SANITIZED
constexpr int kNights = 1;
#else
constexpr int kNights = 4;
#endif

int from_environment(const char* name, int otherwise) {
  const char* asked = std::getenv(name);
  return asked != nullptr ? std::atoi(asked) : otherwise;
}

/// A small disk of its own below a directory, where the system lets us make one.
class SmallDisk {
 public:
  explicit SmallDisk(fs::path place) : place_(std::move(place)) {
    fs::create_directories(place_);
    mounted_ = ::mount("creel-test", place_.c_str(), "tmpfs", 0, "size=96m,mode=700") == 0;
    fs::permissions(place_, fs::perms::owner_all);  // the socket lies here
  }
  ~SmallDisk() {
    if (mounted_) {
      ::umount2(place_.c_str(), MNT_DETACH);
    }
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;

  [[nodiscard]] const fs::path& path() const { return place_; }
  [[nodiscard]] bool can_be_filled() const { return mounted_; }
  void fill() const {
    std::ofstream filler(place_ / "filler");
    const std::string some(std::size_t{64} * 1024, 'x');
    while (filler << some << std::flush) {
    }
  }
  void make_room() const { fs::remove(place_ / "filler"); }

 private:
  fs::path place_;
  bool mounted_ = false;
};

class RealNight {
 public:
  explicit RealNight(int seed)
      : random_(static_cast<std::uint64_t>(seed)), disk_(scratch_.path() / "disk") {
    json rig = json::parse(read_scenario("ink-lab-real-time.rig.json"));
    if (chance(4)) {  // each life of the camera's host ends in a flood
      rig["devices"][0]["config"]["flood_after"] = 12;
      count("flooding host");
    }
    rig_ = (scratch_.path() / "night.rig.json").string();
    std::ofstream(rig_) << rig.dump(1);
  }

  void run() {
    start();
    json series = json::parse(read_scenario("ink-trial.series.json"));
    const json started = daemon_->start_series(series.dump());
    ASSERT_TRUE(started.contains("session")) << started;
    const auto faults = 1 + random_() % 4;
    for (std::uint64_t fault = 0; fault < faults && running(); ++fault) {
      pause_for(milliseconds(static_cast<std::int64_t>(200 + random_() % 1300)));
      something_happens();
      if (testing::Test::HasFatalFailure()) {
        return;
      }
    }
    ASSERT_TRUE(until(seconds(180), [&] { return !running(); }))
        << daemon_->call("daemon.status")["series"];
    check_end();
  }
  [[nodiscard]] const std::map<std::string, int>& happened() const { return happened_; }

 private:
  bool chance(std::uint64_t one_in) { return random_() % one_in == 0; }
  void count(const std::string& what) { ++happened_[what]; }

  void start() {
    daemon_ = std::make_unique<DaemonProcess>(disk_.path(), rig_);
    log_ = std::make_unique<ShutterLog>(daemon_->pid());
  }

  /// A person looks in and says continue whenever the series holds.
  bool running() {
    const json status = daemon_->call("daemon.status")["series"];
    safe_ = std::max(safe_, status.value("frames_safe", std::uint64_t{0}));
    if (status.value("holding", false)) {
      daemon_->call("series.continue");
      count("continued by a person");
    }
    return status["running"].get<bool>();
  }

  void something_happens() {
    const std::uint64_t what = random_() % (disk_.can_be_filled() ? 5 : 4);
    const auto hosts = daemon_->hosts();
    const pid_t host = hosts.empty() ? -1 : hosts[random_() % hosts.size()];
    const auto some_time = milliseconds(static_cast<std::int64_t>(200 + random_() % 2800));
    if (what == 0) {
      count("daemon killed");
      daemon_->kill();
      for (const pid_t one : hosts) {
        EXPECT_TRUE(gone_within(one, seconds(5))) << "a host outlived its daemon";
      }
      EXPECT_FALSE(log_->open()) << "the shutter is open and nobody is left to close it";
      start();
      EXPECT_GE(daemon_->call("daemon.status")["series"].value("frames_safe", safe_), safe_)
          << "an acknowledged frame is gone";
    } else if (what == 1 && host > 0) {
      count("host killed");
      ::kill(host, SIGKILL);
    } else if (what == 2 && host > 0) {
      count("host suspended");
      ::kill(host, SIGSTOP);
      pause_for(some_time);
      ::kill(host, SIGCONT);
    } else if (what == 3) {
      count("daemon suspended");
      daemon_->signal(SIGSTOP);
      pause_for(milliseconds(4500));
      EXPECT_FALSE(log_->open()) << "the lease of 2 s did not close the shutter";
      daemon_->signal(SIGCONT);
    } else if (what == 4) {
      count("disk full");
      disk_.fill();
      pause_for(some_time);
      disk_.make_room();
    }
  }

  void check_end() {
    const json last = daemon_->call("daemon.status")["series"]["last"];
    ASSERT_TRUE(last.contains("path")) << last;
    EXPECT_EQ(last["outcome"], "complete") << last;
    EXPECT_FALSE(log_->open());
    const auto report = session::verify(*session::native_source(), last["path"]);
    ASSERT_TRUE(report.ok()) << report.error().text;
    EXPECT_TRUE(report->intact()) << session::to_json(*report).dump(1);
    EXPECT_GE(report->frames, safe_);
    const json ledger = daemon_->call("ledger.balance")["areas"][0];
    ASSERT_EQ(report->doses.size(), 1U);
    const auto& dose = report->doses[0];
    EXPECT_NEAR(dose.total, ledger["charged_e_per_a2"].get<double>(), 1e-6 * dose.total);
    EXPECT_NEAR(dose.before + dose.dose + dose.lost, dose.total, 1e-6 * dose.total);
    EXPECT_EQ(ledger["intended_e_per_a2"], 0.0);
    EXPECT_LE(dose.total, 1.0) << "the area's limit of this series";
  }

  ScratchDirectory scratch_;
  std::mt19937_64 random_;
  SmallDisk disk_;
  std::string rig_;
  std::unique_ptr<DaemonProcess> daemon_;
  std::unique_ptr<ShutterLog> log_;
  std::uint64_t safe_ = 0;
  std::map<std::string, int> happened_;
};

TEST(RealNights, EndCompleteWithEveryAcknowledgedFrameWhateverFails) {
  const int first = from_environment("CREEL_REAL_NIGHTS_FROM", 1);
  const int nights = from_environment("CREEL_REAL_NIGHTS", kNights);
  std::map<std::string, int> happened;
  for (int seed = first; seed < first + nights; ++seed) {
    SCOPED_TRACE("seed " + std::to_string(seed));
    RealNight night(seed);
    night.run();
    for (const auto& [what, times] : night.happened()) {
      happened[what] += times;
    }
    if (HasFailure()) {
      break;
    }
  }
  std::printf("%d nights of real processes:", nights);
  for (const auto& [what, times] : happened) {
    std::printf(" %s %d;", what.c_str(), times);
  }
  std::printf("\n");
}

}  // namespace
}  // namespace creel::system_test
