#include "tests/system/daemon_process.h"

#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <cerrno>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <fstream>
#include <sstream>

#include "protocol/base/result.h"

namespace creel::system_test {

namespace fs = std::filesystem;
using nlohmann::json;

namespace {

std::string environment(const char* name) {
  const char* value = std::getenv(name);
  CREEL_INVARIANT(value != nullptr,
                  "run this test through ctest: it sets CREEL_BIN, CREEL_DRIVERS, CREEL_SOURCE");
  return value;
}

bool is_zombie(pid_t pid) {
  std::ifstream stat("/proc/" + std::to_string(pid) + "/stat");
  std::string line;
  std::getline(stat, line);
  const auto name_end = line.rfind(')');
  return name_end != std::string::npos && name_end + 2 < line.size() && line[name_end + 2] == 'Z';
}

}  // namespace

std::int64_t monotonic_ns() {
  timespec now{};
  clock_gettime(CLOCK_MONOTONIC, &now);
  return static_cast<std::int64_t>(now.tv_sec) * 1'000'000'000 + now.tv_nsec;
}

void pause_for(Duration time) {
  const timespec rest{time.value / 1'000'000'000, time.value % 1'000'000'000};
  nanosleep(&rest, nullptr);
}

bool gone_within(pid_t pid, Duration limit) {
  const std::int64_t until = monotonic_ns() + limit.value;
  while (::kill(pid, 0) == 0 && !is_zombie(pid)) {
    if (monotonic_ns() > until) {
      return false;
    }
    pause_for(milliseconds(2));
  }
  return true;
}

bool until(Duration limit, const std::function<bool()>& condition) {
  const std::int64_t end = monotonic_ns() + limit.value;
  while (!condition()) {
    if (monotonic_ns() > end) {
      return false;
    }
    pause_for(milliseconds(1));
  }
  return true;
}

Ran run_program(const std::string& name, const std::vector<std::string>& words) {
  std::string command = environment("CREEL_BIN") + "/" + name;
  for (const std::string& word : words) {
    command += " '" + word + "'";  // paths of a scratch directory: no quotes in them
  }
  Ran ran;
  FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
  CREEL_INVARIANT(pipe != nullptr, "a program cannot be started");
  std::array<char, 4096> chunk{};
  while (std::fgets(chunk.data(), chunk.size(), pipe) != nullptr) {
    ran.said += chunk.data();
  }
  const int status = ::pclose(pipe);
  ran.exit = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
  return ran;
}

std::string read_scenario(const std::string& name) {
  std::ifstream file(environment("CREEL_SOURCE") + "/sim/scenarios/" + name);
  std::stringstream text;
  text << file.rdbuf();
  return text.str();
}

ScratchDirectory::ScratchDirectory() {
  std::string name = (fs::temp_directory_path() / "creel-system-XXXXXX").string();
  CREEL_INVARIANT(mkdtemp(name.data()) != nullptr, "no scratch directory");
  path_ = name;
}

ScratchDirectory::~ScratchDirectory() {
  std::error_code ignored;
  fs::remove_all(path_, ignored);
}

// The rig's memory is the one memfd that starts with a WorldPage.
ShutterLog::ShutterLog(pid_t daemon) {
  for (const auto& entry : fs::directory_iterator("/proc/" + std::to_string(daemon) + "/fd")) {
    std::error_code error;
    const std::string target = fs::read_symlink(entry.path(), error).string();
    if (target.find("memfd:") == std::string::npos) {
      continue;
    }
    const int fd = ::open(entry.path().c_str(), O_RDONLY | O_CLOEXEC);
    struct stat status {};
    if (fd < 0 || fstat(fd, &status) != 0 || status.st_size < 8192) {
      close(fd);
      continue;
    }
    bytes_ = static_cast<std::size_t>(status.st_size);
    void* memory = mmap(nullptr, bytes_, PROT_READ, MAP_SHARED, fd, 0);
    close(fd);
    if (memory != MAP_FAILED && static_cast<const WorldPage*>(memory)->magic == WorldPage::kMagic) {
      memory_ = static_cast<std::byte*>(memory);
      return;
    }
    munmap(memory, bytes_);
  }
  CREEL_INVARIANT(memory_ != nullptr, "the daemon has no rig memory");
}

ShutterLog::~ShutterLog() {
  munmap(memory_, bytes_);
}

// The words of drivers/simulated/shared_log.h: microseconds << 21 | channel << 17 | value + 65536.
std::vector<ShutterLog::Change> ShutterLog::beam() const {
  const auto* page = reinterpret_cast<const WorldPage*>(memory_);
  const auto* words =
      reinterpret_cast<const std::atomic<std::uint64_t>*>(memory_ + kWorldPageBytes + 64);
  const std::size_t count = (bytes_ - kWorldPageBytes - 64) / 8;
  std::vector<Change> changes;
  for (std::size_t i = 0; i < count; ++i) {
    const std::uint64_t word = words[i].load(std::memory_order_acquire);
    if (word == 0) {
      break;
    }
    if ((word >> 17 & 0xF) == 0) {  // channel 0: the shutter above the specimen
      changes.push_back({page->origin_monotonic_ns + static_cast<std::int64_t>(word >> 21) * 1000,
                         (word & 0x1FFFF) == 65537});
    }
  }
  return changes;
}

double ShutterLog::world_s() const {
  return 1e-9 * static_cast<double>(reinterpret_cast<const WorldPage*>(memory_)->now_ns.load());
}

bool ShutterLog::open() const {
  const auto changes = beam();
  return !changes.empty() && changes.back().open;
}

DaemonProcess::DaemonProcess(const fs::path& directory, const std::string& rig,
                             const std::vector<std::string>& more) {
  socket_ = (directory / "creeld.sock").string();
  int pipes[2] = {-1, -1};
  CREEL_INVARIANT(pipe2(pipes, O_CLOEXEC) == 0, "no pipe");
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, pipes[1], 1);
  const std::string log = (directory / "creeld.log").string();
  posix_spawn_file_actions_addopen(&actions, 2, log.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
  const std::string program = environment("CREEL_BIN") + "/creeld";
  const std::string rig_file =
      (fs::path(environment("CREEL_SOURCE")) / "sim/scenarios" / rig).string();
  const std::string state = (directory / "state").string();
  std::vector<std::string> words{program, "--rig", rig_file, "--state", state, "--socket", socket_};
  words.insert(words.end(), more.begin(), more.end());
  std::vector<char*> arguments;
  arguments.reserve(words.size() + 1);
  for (std::string& word : words) {
    arguments.push_back(word.data());
  }
  arguments.push_back(nullptr);
  CREEL_INVARIANT(
      posix_spawn(&pid_, program.c_str(), &actions, nullptr, arguments.data(), environ) == 0,
      "creeld cannot be started");
  posix_spawn_file_actions_destroy(&actions);
  close(pipes[1]);
  output_ = pipes[0];
  std::string seen;
  const std::int64_t until = monotonic_ns() + seconds(30).value;
  while (seen.find("ready on") == std::string::npos) {
    pollfd waiting{output_, POLLIN, 0};
    char text[512];
    const bool late = poll(&waiting, 1, 1000) == 0 && monotonic_ns() > until;
    const ssize_t got = (waiting.revents != 0) ? read(output_, text, sizeof text) : 1;
    if (late || got <= 0) {
      std::ifstream file(log);
      std::stringstream all;
      all << file.rdbuf();
      std::fprintf(stderr, "creeld did not get ready; its log:\n%s\n", all.str().c_str());
      std::abort();
    }
    if (waiting.revents != 0) {
      seen.append(text, static_cast<std::size_t>(got));
    }
  }
}

DaemonProcess::~DaemonProcess() {
  kill();
  close(output_);
}

json DaemonProcess::call(const std::string& method, const json& params) {
  if (!client_) {
    auto connected = rpc::Client::connect(socket_);
    CREEL_INVARIANT(connected.ok(), connected.ok() ? "" : connected.error().text.c_str());
    client_.emplace(std::move(*connected));
  }
  auto answer = client_->call(method, params, seconds(30));
  return answer.ok() ? *answer : json{{"error", answer.error().text}};
}

json DaemonProcess::start_series(const std::string& text) {
  json started;
  (void)until(seconds(30), [&] {
    started = call("series.start", {{"text", text}, {"origin", "a test's series"}});
    return started.value("error", "").find("is not ready") == std::string::npos;
  });
  return started;
}

std::optional<json> DaemonProcess::event(Duration limit) {
  auto told = client_ ? client_->wait_notification(limit)
                      : Result<rpc::Notification>(Error{ErrorCode::refused, "nobody follows"});
  return told.ok() ? std::optional(told->params) : std::nullopt;
}

std::vector<pid_t> DaemonProcess::hosts() const {
  std::vector<pid_t> found;
  std::ifstream children("/proc/" + std::to_string(pid_) + "/task/" + std::to_string(pid_) +
                         "/children");
  for (pid_t child = 0; children >> child;) {
    found.push_back(child);
  }
  return found;
}

void DaemonProcess::signal(int number) const {
  ::kill(pid_, number);
}

void DaemonProcess::kill() {
  if (pid_ > 0) {
    ::kill(pid_, SIGKILL);
    waitpid(pid_, nullptr, 0);
    pid_ = -1;
  }
}

std::optional<int> DaemonProcess::wait(Duration limit) {
  const std::int64_t until = monotonic_ns() + limit.value;
  int status = 0;
  while (monotonic_ns() < until) {
    if (waitpid(pid_, &status, WNOHANG) == pid_) {
      pid_ = -1;
      return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    }
    pause_for(milliseconds(5));
  }
  return std::nullopt;
}

}  // namespace creel::system_test
