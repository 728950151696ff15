#include "tests/daemon/alerts/broker.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <thread>

#include "protocol/base/result.h"

extern char** environ;

namespace creel::test {
namespace {

namespace fs = std::filesystem;

int socket_on(std::uint16_t port) {
  const int made = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_in place{};
  place.sin_family = AF_INET;
  place.sin_port = htons(port);
  place.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  const bool done = port == 0
                        ? ::bind(made, reinterpret_cast<sockaddr*>(&place), sizeof place) == 0
                        : ::connect(made, reinterpret_cast<sockaddr*>(&place), sizeof place) == 0;
  if (!done) {
    ::close(made);
    return -1;
  }
  return made;
}

std::uint16_t free_port() {
  const int made = socket_on(0);
  sockaddr_in place{};
  socklen_t size = sizeof place;
  CREEL_INVARIANT(::getsockname(made, reinterpret_cast<sockaddr*>(&place), &size) == 0, "no port");
  ::close(made);
  return ntohs(place.sin_port);
}

bool answers(std::uint16_t port) {
  const int made = socket_on(port);
  if (made >= 0) {
    ::close(made);
  }
  return made >= 0;
}

pid_t spawn(const std::vector<std::string>& words, const std::string& log) {
  std::vector<std::string> texts = words;
  std::vector<char*> arguments;
  arguments.reserve(texts.size() + 1);
  for (std::string& text : texts) {
    arguments.push_back(text.data());
  }
  arguments.push_back(nullptr);
  posix_spawn_file_actions_t files;
  posix_spawn_file_actions_init(&files);
  posix_spawn_file_actions_addopen(&files, 1, log.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
  posix_spawn_file_actions_adddup2(&files, 1, 2);
  pid_t pid = -1;
  CREEL_INVARIANT(
      ::posix_spawnp(&pid, words[0].c_str(), &files, nullptr, arguments.data(), environ) == 0,
      "a program of the test cannot be started");
  posix_spawn_file_actions_destroy(&files);
  return pid;
}

}  // namespace

Scratch::Scratch() {
  std::string pattern = (fs::temp_directory_path() / "creel-alerts-XXXXXX").string();
  path_ = ::mkdtemp(pattern.data());
}

Scratch::~Scratch() {
  fs::remove_all(path_);
}

std::string Scratch::write(const std::string& name, const std::string& text, unsigned mode) const {
  std::ofstream(file(name)) << text;
  fs::permissions(file(name), static_cast<fs::perms>(mode));
  return file(name);
}

std::string Scratch::read(const std::string& name) const {
  std::ifstream from(file(name), std::ios::binary);
  std::stringstream all;
  all << from.rdbuf();
  return all.str();
}

Process::Process(const std::vector<std::string>& words, const std::string& log)
    : pid_(spawn(words, log)) {}

Process::~Process() {
  kill();
}

void Process::kill() {
  if (pid_ > 0) {
    ::kill(pid_, SIGKILL);
    ::waitpid(pid_, nullptr, 0);
    pid_ = -1;
  }
}

int run_to_end(const std::vector<std::string>& words) {
  const pid_t pid = spawn(words, "/dev/null");
  int status = 0;
  ::waitpid(pid, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

bool until(const std::function<bool()>& condition) {
  for (int i = 0; i < 3000; ++i) {
    if (condition()) {
      return true;
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  return false;
}

Broker::Broker(const Scratch& scratch, const std::string& more)
    : scratch_(scratch), port_(free_port()) {
  // As root it would change to a user who may not read the test's directory.
  config_ = scratch.write("broker.conf", "listener " + std::to_string(port_) +
                                             " 127.0.0.1\nuser root\nlog_type all\n" + more);
  start();
}

void Broker::start() {
  process_ = std::make_unique<Process>(
      std::vector<std::string>{"/usr/sbin/mosquitto", "-c", config_}, scratch_.file("broker.log"));
  CREEL_INVARIANT(until([this] { return answers(port_); }), "the broker does not answer");
}

Subscriber::Subscriber(const Scratch& scratch, const Broker& broker) : scratch_(scratch) {
  static int count = 0;
  name_ = "heard-" + std::to_string(++count);
  process_ = std::make_unique<Process>(
      std::vector<std::string>{"mosquitto_sub", "-V", "5", "-h", "127.0.0.1", "-p",
                               std::to_string(broker.port()), "-t", "creel/#", "-t",
                               "test/" + name_, "-q", "1", "-F", "%r %t %p"},
      scratch.file(name_));
  // It listens once it hears what is said for it alone.
  CREEL_INVARIANT(
      until([&] {
        run_to_end({"mosquitto_pub", "-V", "5", "-h", "127.0.0.1", "-p",
                    std::to_string(broker.port()), "-t", "test/" + name_, "-m", "there"});
        return heard().find("there") != std::string::npos;
      }),
      "the subscriber hears nothing");
}

}  // namespace creel::test
