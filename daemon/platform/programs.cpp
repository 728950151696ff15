#include "daemon/platform/programs.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <utility>

#include "protocol/base/result.h"
#include "protocol/base/text.h"
#include "protocol/host/channel.h"

namespace creel::platform {
namespace {

constexpr std::size_t kSlots = 2;
constexpr std::int64_t kGrace = 5'000'000'000;  ///< for what runs when the daemon ends

using host::Descriptor;

std::int64_t monotonic_ns() {
  timespec now{};
  ::clock_gettime(CLOCK_MONOTONIC, &now);
  return static_cast<std::int64_t>(now.tv_sec) * 1'000'000'000 + now.tv_nsec;
}

ProgramEnd not_started(const std::string& program, int error) {
  return {false, "could not be started: " + program + ": " + std::strerror(error), ""};
}

/// The text as a file in memory: the program may read it whenever it likes, and nobody waits.
Descriptor file_of(const std::string& text) {
  Descriptor file(::memfd_create("creel-input", MFD_CLOEXEC));
  const auto bytes = static_cast<ssize_t>(text.size());
  return file && ::pwrite(file.get(), text.data(), text.size(), 0) == bytes ? std::move(file)
                                                                            : Descriptor();
}

std::vector<std::string> environment_of(const ProgramJob& job) {
  std::vector<std::string> all;
  for (const char* name : {"PATH", "HOME", "LANG"}) {
    if (const char* value = std::getenv(name); value != nullptr) {
      all.push_back(std::string(name).append("=").append(value));
    }
  }
  for (const auto& [name, value] : job.environment) {
    all.push_back(std::string(name).append("=").append(value));
  }
  return all;
}

std::vector<char*> pointers(std::vector<std::string>& texts) {
  std::vector<char*> list;
  list.reserve(texts.size() + 1);
  for (std::string& text : texts) {
    list.push_back(text.data());
  }
  list.push_back(nullptr);
  return list;
}

/// A process group of its own, no signal blocked or ignored, only the three usual descriptors.
int spawn(ProgramJob& job, int input, int errors, pid_t& pid) {
  posix_spawn_file_actions_t files;
  posix_spawnattr_t how;
  posix_spawn_file_actions_init(&files);
  posix_spawnattr_init(&how);
  posix_spawn_file_actions_adddup2(&files, input, STDIN_FILENO);
  posix_spawn_file_actions_addopen(&files, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
  posix_spawn_file_actions_adddup2(&files, errors, STDERR_FILENO);
  posix_spawn_file_actions_addclosefrom_np(&files, STDERR_FILENO + 1);
  sigset_t none, all;
  sigemptyset(&none);
  sigfillset(&all);
  posix_spawnattr_setsigmask(&how, &none);
  posix_spawnattr_setsigdefault(&how, &all);
  posix_spawnattr_setpgroup(&how, 0);
  posix_spawnattr_setflags(&how,
                           POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
  auto environment = environment_of(job);
  const int error = ::posix_spawn(&pid, job.words.front().c_str(), &files, &how,
                                  pointers(job.words).data(), pointers(environment).data());
  posix_spawnattr_destroy(&how);
  posix_spawn_file_actions_destroy(&files);
  return error;
}

/// Reads what is there; keeps the beginning and throws the rest away, so that a chatty program
/// neither waits nor fills memory. False at the end.
bool listen_to(int errors, std::string& said) {
  std::array<char, 4096> part{};
  const ssize_t got = ::read(errors, part.data(), part.size());
  if (got > 0 && said.size() < kProgramSaid) {
    said.append(part.data(), std::min(static_cast<std::size_t>(got), kProgramSaid - said.size()));
  }
  return got > 0 || (got < 0 && (errno == EAGAIN || errno == EINTR));
}

/// Until the program has ended, its time is over, or the daemon's end has left it long enough. True
/// when it ended by itself.
bool await_end(int process, int errors, int ending, Duration limit, std::string& said) {
  std::int64_t until = monotonic_ns() + limit.value;
  std::array<pollfd, 3> watched{{{process, POLLIN, 0}, {errors, POLLIN, 0}, {ending, POLLIN, 0}}};
  while (true) {
    const std::int64_t left = until - monotonic_ns();
    if (left <= 0) {
      return false;
    }
    const auto milliseconds =
        static_cast<int>(std::min<std::int64_t>(left / 1'000'000 + 1, 60'000));
    if (::poll(watched.data(), watched.size(), milliseconds) <= 0) {
      continue;
    }
    if (watched[1].revents != 0 && !listen_to(errors, said)) {
      watched[1].fd = -1;
    }
    if (watched[0].revents != 0) {
      while (watched[1].fd >= 0 && ::poll(&watched[1], 1, 0) > 0 && listen_to(errors, said)) {
      }
      return true;
    }
    if (watched[2].revents != 0) {
      watched[2].fd = -1;
      until = std::min(until, monotonic_ns() + kGrace);
    }
  }
}

ProgramEnd run_to_end(ProgramJob job, int ending) {
  const std::string program = job.words.front();
  const Descriptor input = file_of(job.input);
  std::array<int, 2> pipe{-1, -1};
  if (!input || ::pipe2(pipe.data(), O_CLOEXEC) != 0) {
    return not_started(program, errno);
  }
  const Descriptor errors(pipe[0]);
  Descriptor theirs(pipe[1]);
  pid_t pid = -1;
  if (const int error = spawn(job, input.get(), theirs.get(), pid); error != 0) {
    return not_started(program, error);
  }
  theirs = Descriptor();
  ::fcntl(errors.get(), F_SETFL, O_NONBLOCK);
  const Descriptor process(static_cast<int>(::syscall(SYS_pidfd_open, pid, 0)));
  ProgramEnd end;
  const bool by_itself =
      process.get() >= 0 && await_end(process.get(), errors.get(), ending, job.limit, end.said);
  ::kill(-pid,
         SIGKILL);  // and what it left running; not reaped yet, so the number is still its own
  int status = 0;
  while (::waitpid(pid, &status, 0) < 0 && errno == EINTR) {
  }
  if (!by_itself) {
    end.how = "took longer than " + time_span(in_seconds(job.limit)) +
              ", or the daemon ended: it was killed";
  } else if (WIFEXITED(status)) {
    end.well = WEXITSTATUS(status) == 0;
    end.how = "ended with exit code " + std::to_string(WEXITSTATUS(status));
  } else {
    end.how = "was ended by signal " + std::to_string(WTERMSIG(status));
  }
  return end;
}

}  // namespace

PosixPrograms::PosixPrograms(Scheduler& scheduler)
    : scheduler_(scheduler), ending_(::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)) {
  slots_.resize(kSlots);
  for (Slot& slot : slots_) {
    slot.thread = std::make_unique<ThreadWorker>();
  }
}

PosixPrograms::~PosixPrograms() {
  ::eventfd_write(ending_, 1);
  slots_.clear();  // joins
  ::close(ending_);
}

void PosixPrograms::run(ProgramJob job, std::function<void(ProgramEnd)> done) {
  const auto free =
      std::find_if(slots_.begin(), slots_.end(), [](const Slot& s) { return !s.busy; });
  CREEL_INVARIANT(free != slots_.end() && !job.words.empty(),
                  "no more programs are run than can be at once");
  free->busy = true;
  const auto index = static_cast<std::size_t>(free - slots_.begin());
  free->thread->run([this, index, job = std::move(job), done = std::move(done)]() mutable {
    auto end = run_to_end(std::move(job), ending_);
    scheduler_.post([this, index, end = std::move(end), done = std::move(done)] {
      slots_[index].busy = false;
      done(end);
    });
  });
}

}  // namespace creel::platform
