#include "client/report/gnuplot.h"

#include <fcntl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <system_error>

namespace creel::report {

namespace {

constexpr int kNotInstalled = 127;
constexpr rlim_t kProcessorSeconds = 60;

std::string reason(int error) {
  return std::generic_category().message(error);
}

/// In the child: only calls that are safe between fork and exec.
[[noreturn]] void become_gnuplot(const char* directory, const char* script, int said) {
  const int nothing = ::open("/dev/null", O_RDONLY);
  const rlimit limit{kProcessorSeconds, kProcessorSeconds};
  if (nothing < 0 || ::dup2(nothing, 0) < 0 || ::dup2(said, 1) < 0 || ::dup2(said, 2) < 0 ||
      ::chdir(directory) != 0 || ::setrlimit(RLIMIT_CPU, &limit) != 0) {
    ::_exit(126);
  }
  ::execlp("gnuplot", "gnuplot", "-d", script, static_cast<char*>(nullptr));
  ::_exit(kNotInstalled);
}

std::string read_all(int from) {
  std::string text;
  std::array<char, 4096> chunk{};
  ssize_t got = 0;
  while ((got = ::read(from, chunk.data(), chunk.size())) > 0 || (got < 0 && errno == EINTR)) {
    if (got > 0 && text.size() < 16384) {
      text.append(chunk.data(), static_cast<std::size_t>(got));
    }
  }
  return text;
}

}  // namespace

Result<void> run_gnuplot(const std::string& directory, const std::string& script) {
  std::array<int, 2> said{};
  if (::pipe2(said.data(), O_CLOEXEC) != 0) {
    return Error{ErrorCode::internal, "gnuplot cannot be started: " + reason(errno)};
  }
  const pid_t child = ::fork();
  if (child == 0) {
    become_gnuplot(directory.c_str(), script.c_str(), said[1]);
  }
  const int fork_error = errno;
  ::close(said[1]);
  if (child < 0) {
    ::close(said[0]);
    return Error{ErrorCode::internal, "gnuplot cannot be started: " + reason(fork_error)};
  }
  const std::string text = read_all(said[0]);
  ::close(said[0]);
  int status = 0;
  while (::waitpid(child, &status, 0) < 0 && errno == EINTR) {
  }
  if (WIFEXITED(status) && WEXITSTATUS(status) == 0) {
    return {};
  }
  if (WIFEXITED(status) && WEXITSTATUS(status) == kNotInstalled) {
    return Error{ErrorCode::refused,
                 "gnuplot is not installed; install the package gnuplot-nox and try again"};
  }
  return Error{ErrorCode::internal,
               "gnuplot could not draw: " + (text.empty() ? "no reason given" : text)};
}

}  // namespace creel::report
