#include "tests/bench/store/whole_path.h"

#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <thread>
#include <vector>

#include "protocol/rpc/client.h"
#include "tests/bench/store/measure.h"

namespace creel::bench {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

constexpr double kBetweenLooks = 0.25;  // at the daemon's memory, seconds

fs::path build_directory() {
  return fs::read_symlink("/proc/self/exe").parent_path().parent_path();
}

json example(const char* name) {
  std::ifstream file(fs::path(CREEL_SCENARIOS) / name);
  return json::parse(file);
}

[[noreturn]] void give_up(const std::string& why) {
  throw std::runtime_error("whole path: " + why);
}

class Daemon {
 public:
  Daemon(const fs::path& directory, const json& rig, const std::string& codec)
      : socket_(directory / "creeld.sock") {
    std::ofstream(directory / "rig.json") << rig;
    const std::string program = build_directory() / "bin" / "creeld";
    std::vector<std::string> words{program,
                                   "--rig",
                                   directory / "rig.json",
                                   "--state",
                                   directory / "state",
                                   "--socket",
                                   socket_,
                                   "--codec",
                                   codec};
    std::vector<char*> arguments;
    arguments.reserve(words.size() + 1);
    for (std::string& word : words) {
      arguments.push_back(word.data());
    }
    arguments.push_back(nullptr);
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    const std::string log = directory / "creeld.log";
    posix_spawn_file_actions_addopen(&actions, 1, log.c_str(), O_WRONLY | O_CREAT, 0600);
    posix_spawn_file_actions_adddup2(&actions, 1, 2);
    const int failed =
        posix_spawn(&pid_, program.c_str(), &actions, nullptr, arguments.data(), environ);
    posix_spawn_file_actions_destroy(&actions);
    if (failed != 0) {
      give_up("creeld cannot be started");
    }
  }
  ~Daemon() {
    ::kill(pid_, SIGKILL);
    waitpid(pid_, nullptr, 0);
  }
  Daemon(const Daemon&) = delete;
  Daemon& operator=(const Daemon&) = delete;

  [[nodiscard]] rpc::Client connect() const {
    for (int attempt = 0; attempt < 100; ++attempt) {
      if (auto client = rpc::Client::connect(socket_); client.ok()) {
        return std::move(*client);
      }
      std::this_thread::sleep_for(std::chrono::milliseconds(100));
    }
    give_up("creeld does not answer");
  }
  [[nodiscard]] std::string pid() const { return std::to_string(pid_); }

 private:
  std::string socket_;
  pid_t pid_ = -1;
};

json asked(rpc::Client& client, const char* method, const json& parameters) {
  auto answer = client.call(method, parameters, seconds(60));
  if (!answer.ok()) {
    give_up(std::string(method) + ": " + answer.error().text);
  }
  return *answer;
}

// Devices take a moment to come up.
void start(rpc::Client& client, const json& series) {
  const json parameters = {{"text", series.dump()}, {"origin", "the benchmark's series"}};
  std::string why;
  for (int attempt = 0; attempt < 100; ++attempt) {
    auto started = client.call("series.start", parameters, seconds(60));
    if (started.ok()) {
      return;
    }
    if (started.error().code != ErrorCode::refused) {
      give_up("series.start: " + started.error().text);
    }
    why = started.error().text;
    std::this_thread::sleep_for(std::chrono::milliseconds(100));
  }
  give_up("the devices do not get ready: " + why);
}

}  // namespace

PathRun stream(const std::string& directory, std::uint64_t rows, std::uint64_t columns,
               std::uint64_t block, std::uint64_t frames, const std::string& codec) {
  const fs::path scratch = fs::path(directory) / "path";
  fs::create_directories(scratch);
  json rig = example("fast-line.rig.json");
  rig["devices"][0]["config"] = {{"rows", rows}, {"columns", columns}, {"frames_per_block", block}};
  json series = example("fast-line.series.json");
  series["blocks"][0]["exposure_s"] = 1e-6;  // faster than any path: the detector always has one
  series["blocks"][0]["count"] = 1;
  series["blocks"][0]["frames"] = frames;
  PathRun run;
  {
    const Daemon daemon(scratch, rig, codec);
    auto client = daemon.connect();
    asked(client, "events.follow", json::object());
    start(client, series);
    double begin = 0, end = 0, processor = 0, looked = 0;
    std::uint64_t first = 0, durable = 0;
    while (durable < frames) {
      auto told = client.wait_notification(seconds(60));
      if (!told.ok()) {
        give_up("no frame is stored for a minute: " + told.error().text);
      }
      const std::string event = told->params.value("event", "");
      if (event == "guard" || event == "hold" || event == "exposure_broken") {
        give_up(told->params.dump());
      }
      if (event != "stored") {
        continue;
      }
      durable = told->params.value("frames", std::uint64_t{0});
      end = now_s();
      if (first == 0) {
        first = durable;
        begin = end;
        processor = processor_s(daemon.pid());
      }
      if (end > looked + kBetweenLooks) {  // a look stops the daemon for a moment
        run.private_bytes = std::max(run.private_bytes, private_bytes(daemon.pid()));
        looked = end;
      }
    }
    const auto stored = static_cast<double>(durable - first);
    const double bytes = stored * static_cast<double>(rows * columns * 2);
    run.frames_per_s = stored / (end - begin);
    run.bytes_per_s = bytes / (end - begin);
    run.processor_s_per_gib = (processor_s(daemon.pid()) - processor) / bytes * (1U << 30U);
  }
  fs::remove_all(scratch);
  return run;
}

}  // namespace creel::bench
