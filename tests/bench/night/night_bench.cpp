// What a whole night costs: fourteen hours of the simulated laboratory and a million frames,
// through creeld and its hosts as they are, on a clock that moves as fast as the frames can be
// made.
//
//   streamed    1 000 000 spectra of 50 ms, a thousand an exposure, stored as they come
//   single      exposures of one frame each with everything that watches a night: gauges,
//   references, guards that look at
//               frames, two entries in the ledger for each; a kill -9 near the end, and the session
//               taken up again
//
// Lines: name, value, ratio to the limit that follows "of". Memory is what only creeld has.
// Processor time is that of creeld, all threads; on this clock part of it is the looking for who
// waits, which a real clock does not need. Nothing here can fail because a machine is slow.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <memory>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/crc32c.h"
#include "protocol/session/layout.h"
#include "tests/bench/store/measure.h"
#include "tests/system/daemon_process.h"

namespace creel::bench {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using system_test::DaemonProcess;
using system_test::pause_for;
using system_test::ShutterLog;

constexpr double kExposure_s = 0.05;
constexpr std::uint64_t kFramesOfAStream = 1000;

[[noreturn]] void give_up(const std::string& why) {
  throw std::runtime_error("night: " + why);
}

void print(const std::string& name, double value, const char* unit, double limit,
           const char* what) {
  std::printf("%-46s %10.4g %-12s %8.3f of %s\n", name.c_str(), value, unit, value / limit, what);
  std::fflush(stdout);
}

/// The ink laboratory with spectra of one row.
std::string small_rig(const fs::path& directory, int columns) {
  json rig = json::parse(system_test::read_scenario("ink-lab.rig.json"));
  for (json& device : rig["devices"]) {
    if (device["name"] == "camera") {
      device["config"]["rows"] = 1;
      device["config"]["columns"] = columns;
      device["config"]["dispersion_ev"] = 0.5 * 2048 / columns;
    }
  }
  const fs::path path = directory / "night.rig.json";
  std::ofstream(path) << rig.dump(1);
  return path.string();
}

json series_without_end(int columns) {
  json series = json::parse(system_test::read_scenario("ink-trial.series.json"));
  series["microscope"]["dispersion_ev_per_channel"] = 0.5 * 2048 / columns;
  series["guards"]["dose_e_per_a2"] = 1e6;
  series["areas"][0]["dose_limit_e_per_a2"] = 1e6;
  return series;
}

json streamed_series(std::uint64_t frames, int columns) {
  json series = series_without_end(columns);
  series["guards"].erase("damage");
  series["blocks"] = {{{"name", "film"},
                       {"kind", "specimen"},
                       {"area", "film-a"},
                       {"exposure_s", kExposure_s},
                       {"frames", kFramesOfAStream},
                       {"count", frames / kFramesOfAStream}}};
  return series;
}

json single_series(std::uint64_t frames, int columns) {
  json series = series_without_end(columns);
  series["guards"]["emission"] = {{"below", 0.3}, {"in_a_row", 5}, {"settle_s", 1}};
  series["guards"]["gauges"] = {
      {{"device", "laser_power"}, {"channel", "laser_power"}, {"least", 1}}};
  series["blocks"] = {
      {{"name", "darks"}, {"kind", "dark"}, {"exposure_s", kExposure_s}, {"count", 10}},
      {{"name", "film"},
       {"kind", "specimen"},
       {"area", "film-a"},
       {"exposure_s", kExposure_s},
       {"count", frames},
       {"interleave",
        {{{"kind", "dark"}, {"every", 50}}, {{"kind", "zero_loss"}, {"every", 50}}}}}};
  return series;
}

/// What a process has used so far.
struct Look {
  double frames = 0, world_s = 0, real_s = 0, processor_s = 0, memory = 0;
};

/// Between two looks.
struct Part {
  double frames, processor_per_frame, real_per_frame;
  Part(const Look& from, const Look& to)
      : frames(to.frames - from.frames),
        processor_per_frame((to.processor_s - from.processor_s) / frames),
        real_per_frame((to.real_s - from.real_s) / frames) {}
};

std::uint64_t bytes_below(const fs::path& path) {
  std::uint64_t sum = 0;
  for (const auto& entry : fs::recursive_directory_iterator(path)) {
    sum += entry.is_regular_file() ? entry.file_size() : 0;
  }
  return sum;
}

/// The same bytes through a bare program: checksum, one write a frame, `syncs` of a small write
/// each for every frame (0: one for each batch). Processor seconds a frame.
double bare_processor_s(const fs::path& directory, std::size_t frame_bytes, int syncs,
                        std::uint64_t count) {
  const Frames frames(frame_bytes, 4U << 20U);
  if (syncs == 0) {
    const double begin = processor_s();
    std::uint32_t sum = 0;
    for (std::uint64_t i = 0; i < count; ++i) {
      sum ^= crc32c(frames.at(i));
    }
    const double checksums = processor_s() - begin;
    std::fprintf(stderr, "%s", sum == 1 ? " " : "");  // so that it is worked out
    const double bytes = static_cast<double>(frame_bytes * count);
    return (checksums + append_raw(directory, frames, frame_bytes, count).processor_s_per_gib *
                            bytes / (1U << 30U)) /
           static_cast<double>(count);
  }
  const double begin = processor_s();
  for (int i = 0; i < syncs; ++i) {
    (void)append_raw_paced(directory, frames, count, 0);
  }
  return (processor_s() - begin) / static_cast<double>(count);
}

class Night {
 public:
  Night(const fs::path& directory, std::string name, int columns)
      : directory_(directory / name), name_(std::move(name)) {
    fs::create_directories(directory_);
    rig_ = small_rig(directory_, columns);
    start();
  }
  ~Night() {
    daemon_.reset();
    std::error_code ignored;
    fs::remove_all(directory_, ignored);
  }
  Night(const Night&) = delete;
  Night& operator=(const Night&) = delete;

  void begin(const json& series) {
    const json started = daemon_->start_series(series.dump());
    if (!started.contains("session")) {
      give_up(started.dump());
    }
    session_ = started["path"].get<std::string>();
  }
  /// Watches until so many frames are safe; a look at 1, 5, 10, ... per cent of all.
  void watch(std::uint64_t until_frames, std::uint64_t all) {
    double next =
        looks_.empty() ? 0 : std::floor(100 * looks_.back().frames / static_cast<double>(all)) + 1;
    while (true) {
      const json series = daemon_->call("daemon.status")["series"];
      if (!series.value("running", false) || series.value("holding", false)) {
        give_up(series.dump());
      }
      const auto safe = series.value("frames_safe", std::uint64_t{0});
      if (100.0 * static_cast<double>(safe) >= next * static_cast<double>(all)) {
        looks_.push_back(look(safe));
        next += 1;
        std::fprintf(stderr, "\r%s: %.0f %%, %.0f s, %.1f MB ", name_.c_str(),
                     100.0 * static_cast<double>(safe) / static_cast<double>(all),
                     looks_.back().real_s - looks_.front().real_s, looks_.back().memory * 1e-6);
      }
      if (safe >= until_frames) {
        return;
      }
      pause_for(milliseconds(20));
    }
  }
  /// Until the session is one file; the most memory that it took meanwhile.
  double close() {
    double most = 0;
    while (true) {
      const json series = daemon_->call("daemon.status")["series"];
      most = std::max(most, static_cast<double>(private_bytes(pid())));
      if (!series.value("running", false)) {
        session_ = series["last"]["path"].get<std::string>();
        return most;
      }
      pause_for(milliseconds(20));
    }
  }
  void kill() {
    world_before_ += world_s();
    daemon_->kill();
  }
  /// Seconds until it has taken up its session, and the most memory on the way.
  std::pair<double, double> restart() {
    const double begin = now_s();
    start();
    double most = 0;
    while (!daemon_->call("daemon.status")["series"].value("running", false)) {
      most = std::max(most, static_cast<double>(private_bytes(pid())));
      pause_for(milliseconds(2));
    }
    return {now_s() - begin, std::max(most, static_cast<double>(private_bytes(pid())))};
  }
  [[nodiscard]] const Look& at(double part) const {
    const auto i = static_cast<std::size_t>(part * static_cast<double>(looks_.size() - 1));
    return looks_[i];
  }
  [[nodiscard]] double real_s() const { return looks_.back().real_s - looks_.front().real_s; }
  [[nodiscard]] double session_bytes() const {
    return static_cast<double>(fs::is_directory(session_) ? bytes_below(session_)
                                                          : fs::file_size(session_));
  }
  [[nodiscard]] double state_bytes() const {
    return static_cast<double>(bytes_below(directory_ / "state"));
  }

 private:
  void start() {
    daemon_ = std::make_unique<DaemonProcess>(directory_, rig_);
    log_ = std::make_unique<ShutterLog>(daemon_->pid());
  }
  [[nodiscard]] std::string pid() const { return std::to_string(daemon_->pid()); }
  [[nodiscard]] double world_s() const { return log_->world_s(); }
  [[nodiscard]] Look look(std::uint64_t frames) const {
    return {static_cast<double>(frames), world_before_ + world_s(), now_s(), processor_s(pid()),
            static_cast<double>(private_bytes(pid()))};
  }

  fs::path directory_;
  std::string name_, rig_;
  std::unique_ptr<DaemonProcess> daemon_;
  std::unique_ptr<ShutterLog> log_;
  fs::path session_;
  double world_before_ = 0;
  std::vector<Look> looks_;
};

/// From the first twentieth of the night to its end. Memory against half of it: by then the buffers
/// between ring and disk have filled, which they do only on this clock, and a piece has been
/// packed.
void report(const Night& night, const std::string& name, double bare_s, const char* bare) {
  const Look &begin = night.at(0), &early = night.at(0.05), &end = night.at(1);
  const Part whole(early, end), first(early, night.at(0.15)), last(night.at(0.9), end);
  const double hours = (end.world_s - early.world_s) / 3600;
  std::printf("# %s: %.0f frames in %.2f h of the laboratory, %.0f s of ours\n", name.c_str(),
              end.frames, (end.world_s - begin.world_s) / 3600, end.real_s - begin.real_s);
  print(name + ", private memory at the end", end.memory * 1e-6, "MB", night.at(0.5).memory * 1e-6,
        "at half of the night");
  print(name + ", processor time a world hour", (end.processor_s - early.processor_s) / hours,
        "s/h", 3600, "one processor");
  print(name + ", processor time a frame", whole.processor_per_frame * 1e6, "us", bare_s * 1e6,
        bare);
  print(name + ", the same at the end", last.processor_per_frame * 1e6, "us",
        first.processor_per_frame * 1e6, "at 5 to 15 %");
  print(name + ", real time a frame at the end", last.real_per_frame * 1e6, "us",
        first.real_per_frame * 1e6, "at 5 to 15 %");
}

/// Every session has these in memory when it is taken up or folded, bytes.
double records(std::uint64_t frames) {
  return static_cast<double>(frames * sizeof(session::Record));
}

void streamed(const fs::path& directory, std::uint64_t frames) {
  constexpr int kColumns = 256;
  constexpr std::size_t kBytes = kColumns * 2;
  const double bare = bare_processor_s(directory, kBytes, 0, 500'000);
  Night night(directory, "streamed", kColumns);
  night.begin(streamed_series(frames, kColumns));
  night.watch(frames, frames);
  const double most = night.close();
  report(night, "streamed", bare, "checksum and write of the frames alone");
  print("streamed, most memory while folding", most * 1e-6, "MB", records(frames) * 1e-6,
        "the records of all frames");
  print("streamed, session on disk", night.session_bytes() * 1e-6, "MB",
        static_cast<double>(kBytes * frames) * 1e-6, "its frames unpacked");
}

void single(const fs::path& directory, std::uint64_t frames) {
  constexpr int kColumns = 1024;
  constexpr std::size_t kBytes = kColumns * 2;
  const double bare =
      bare_processor_s(directory, kBytes, 3, std::clamp<std::uint64_t>(frames / 50, 50, 1000));
  Night night(directory, "single", kColumns);
  night.begin(single_series(frames, kColumns));
  night.watch(frames * 9 / 10, frames * 9 / 10);
  report(night, "single", bare, "three synced writes of the frame alone");
  night.kill();
  const auto [seconds, memory] = night.restart();
  print("single, kill -9 to taken up again", seconds, "s", night.real_s(), "the night so far");
  print("single, memory while it is taken up", memory * 1e-6, "MB", records(frames) * 1e-6,
        "the records of all frames");
  const double most = night.close();
  print("single, most memory to the closed session", most * 1e-6, "MB", records(frames) * 1e-6,
        "the records of all frames");
  const double unpacked = static_cast<double>(kBytes * frames) * 1e-6;
  print("single, session on disk", night.session_bytes() * 1e-6, "MB", unpacked,
        "its frames unpacked");
  print("single, ledger and all else on disk", (night.state_bytes() - night.session_bytes()) * 1e-6,
        "MB", unpacked, "its frames unpacked");
}

}  // namespace
}  // namespace creel::bench

int main(int argc, char** argv) {
  const std::string_view word = argc > 1 ? argv[1] : "";
  const bool quick = word == "--short";
  const bool one = argc == 3 && (word == "--streamed" || word == "--single");
  const auto count = one ? std::strtoull(argv[2], nullptr, 10) : 0;
  if (argc > 1 && !quick && count < 1000) {
    std::fprintf(stderr,
                 "usage: night [--short | --streamed FRAMES | --single FRAMES], FRAMES >= 1000\n");
    return 2;
  }
  const auto build = std::filesystem::read_symlink("/proc/self/exe").parent_path().parent_path();
  ::setenv("CREEL_BIN", (build / "bin").c_str(), 0);
  ::setenv("CREEL_DRIVERS", (build / "drivers").c_str(), 0);
  ::setenv("CREEL_SOURCE", CREEL_SOURCE, 0);
  const creel::system_test::ScratchDirectory scratch;
  try {
    if (!one || word == "--streamed") {
      creel::bench::streamed(scratch.path(), one ? count : quick ? 20'000 : 1'000'000);
    }
    if (!one || word == "--single") {
      creel::bench::single(scratch.path(), one ? count : quick ? 1000 : 100'000);
    }
  } catch (const std::exception& error) {
    std::fprintf(stderr, "%s\n", error.what());
    return 1;
  }
  return 0;
}
