// From the death of creeld to a closed shutter, measured at the simulated shutter, with every
// processor and the disk busy; and from its suspension, which only the lease ends. Lines: name,
// value, ratio to the limit that follows "of". Nothing here can fail because a machine is slow.
//
// Software shutter control is not a personnel-safety interlock; this shows what it does do.
#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <optional>
#include <random>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

#include "tests/system/daemon_process.h"

namespace creel::bench {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using system_test::DaemonProcess;
using system_test::monotonic_ns;
using system_test::pause_for;
using system_test::ShutterLog;

constexpr double kTravelMs = 4;    // of the simulated shutter, by its rig
constexpr double kLeaseMs = 2000;  // the longest that it stays open without word from the daemon

/// Keeps every processor and the disk busy until it is destroyed.
class Load {
 public:
  explicit Load(const fs::path& directory) {
    const auto processors = std::max(1U, std::thread::hardware_concurrency());
    for (unsigned i = 0; i < processors; ++i) {
      threads_.emplace_back([this] { compute(); });
    }
    threads_.emplace_back([this, path = (directory / "load").string()] { write(path); });
  }
  ~Load() {
    ending_ = true;
    for (auto& thread : threads_) {
      thread.join();
    }
  }
  Load(const Load&) = delete;
  Load& operator=(const Load&) = delete;

 private:
  void compute() {
    std::mt19937_64 random(1);
    while (!ending_) {
      for (int i = 0; i < 1000; ++i) {
        sink_.fetch_xor(random(), std::memory_order_relaxed);
      }
    }
  }
  void write(const std::string& path) {
    const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    const std::vector<char> bytes(8U << 20U, 'x');
    for (int i = 0; !ending_; i = (i + 1) % 16) {
      const auto put =
          ::pwrite(file, bytes.data(), bytes.size(), static_cast<off_t>(bytes.size()) * i);
      if (put <= 0 || ::fdatasync(file) != 0) {
        std::perror(path.c_str());
        break;
      }
    }
    ::close(file);
  }

  std::atomic<bool> ending_{false};
  std::atomic<std::uint64_t> sink_{0};
  std::vector<std::thread> threads_;
};

void wait_until_open(DaemonProcess& daemon, const ShutterLog& log) {
  while (!log.open()) {
    const json series = daemon.call("daemon.status")["series"];
    if (!series["running"].get<bool>()) {
      daemon.call("series.start", {{"text", system_test::read_scenario("ink-trial.series.json")},
                                   {"origin", "the benchmark's series"}});
    }
    if (series.value("holding", false)) {
      daemon.call("series.continue");
    }
    pause_for(milliseconds(2));
  }
}

/// Milliseconds from `since` to the first closing after it.
std::optional<double> closed_after_ms(const ShutterLog& log, std::int64_t since) {
  for (const auto& change : log.beam()) {
    if (!change.open && change.monotonic_ns >= since) {
      return static_cast<double>(change.monotonic_ns - since) * 1e-6;
    }
  }
  return std::nullopt;
}

/// One life of the daemon that a signal ends while the shutter is open; nothing when it closed by
/// itself just then.
std::optional<double> measure(const fs::path& directory, int signal, std::mt19937_64& random) {
  DaemonProcess daemon(directory, "ink-lab-real-time.rig.json");
  const ShutterLog log(daemon.pid());
  wait_until_open(daemon, log);
  pause_for(microseconds(static_cast<std::int64_t>(random() % 100'000)));
  if (!log.open()) {
    return std::nullopt;
  }
  const std::int64_t since = monotonic_ns();
  daemon.signal(signal);
  while (log.open()) {
    pause_for(milliseconds(1));
  }
  return closed_after_ms(log, since);
}

void print(const char* name, const std::vector<double>& sorted, double q, double limit,
           const char* what) {
  const auto at = static_cast<std::size_t>(std::lround(q * static_cast<double>(sorted.size() - 1)));
  std::printf("%-46s %8.2f ms %8.3f of %s\n", name, sorted[at], sorted[at] / limit, what);
}

void run(const fs::path& directory, std::size_t kills, std::size_t suspensions) {
  std::mt19937_64 random(1);
  std::vector<double> killed, suspended;
  {
    const Load load(directory);
    while (killed.size() < kills) {
      if (const auto ms = measure(directory, SIGKILL, random)) {
        killed.push_back(*ms);
      }
    }
    while (suspended.size() < suspensions) {
      if (const auto ms = measure(directory, SIGSTOP, random)) {
        suspended.push_back(*ms);
      }
    }
  }
  std::sort(killed.begin(), killed.end());
  std::sort(suspended.begin(), suspended.end());
  std::printf("# %zu kills, %zu suspensions, every processor and the disk busy\n", killed.size(),
              suspended.size());
  print("kill -9 of creeld to closed, p50", killed, 0.5, kTravelMs, "the shutter's travel");
  print("kill -9 of creeld to closed, p99", killed, 0.99, kTravelMs, "the shutter's travel");
  print("kill -9 of creeld to closed, longest", killed, 1, kTravelMs, "the shutter's travel");
  print("creeld suspended to closed, longest", suspended, 1, kLeaseMs, "the lease");
}

}  // namespace
}  // namespace creel::bench

int main(int argc, char** argv) {
  const std::string_view word = argc > 1 ? argv[1] : "";
  const bool quick = word == "--short";
  const int kills = word == "--kills" && argc == 3 ? std::atoi(argv[2]) : quick ? 3 : 200;
  if (kills < 1 || (argc > 1 && !quick && word != "--kills")) {
    std::fprintf(stderr, "usage: closing [--short | --kills N]\n");
    return 2;
  }
  const auto build = std::filesystem::read_symlink("/proc/self/exe").parent_path().parent_path();
  ::setenv("CREEL_BIN", (build / "bin").c_str(), 0);
  ::setenv("CREEL_DRIVERS", (build / "drivers").c_str(), 0);
  ::setenv("CREEL_SOURCE", CREEL_SOURCE, 0);
  const creel::system_test::ScratchDirectory scratch;
  creel::bench::run(scratch.path(), static_cast<std::size_t>(kills), quick ? 1 : 10);
  return 0;
}
