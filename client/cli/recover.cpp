// recover: creeld does it (only the daemon's side writes sessions); here it is started and shown.

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <climits>
#include <cstring>
#include <functional>

#include "client/cli/commands.h"
#include "client/cli/meter.h"

namespace creel::cli {

using nlohmann::json;

namespace {

std::string beside(const std::string& program) {
  std::array<char, PATH_MAX> path{};
  const ssize_t length = ::readlink("/proc/self/exe", path.data(), path.size() - 1);
  const std::string self(path.data(), length > 0 ? static_cast<std::size_t>(length) : 0);
  return self.substr(0, self.rfind('/') + 1) + program;
}

// Hands each line that comes out of `descriptor` to `line`, to the end.
void read_lines(int descriptor, const std::function<void(const std::string&)>& line) {
  std::string text;
  std::array<char, 4096> chunk{};
  for (;;) {
    const ssize_t got = ::read(descriptor, chunk.data(), chunk.size());
    if (got < 0 && errno == EINTR) {
      continue;
    }
    if (got <= 0) {
      return;
    }
    text.append(chunk.data(), static_cast<std::size_t>(got));
    for (std::size_t end = 0; (end = text.find('\n')) != std::string::npos;
         text.erase(0, end + 1)) {
      line(text.substr(0, end));
    }
  }
}

// Runs a program with its standard output read here and its standard error left out: it says the
// same.
Result<int> run(const std::vector<std::string>& words,
                const std::function<void(const std::string&)>& line) {
  std::array<int, 2> pipe{};
  if (::pipe2(pipe.data(), O_CLOEXEC) != 0) {
    return Error{ErrorCode::internal, std::string("no pipe: ") + std::strerror(errno)};
  }
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, pipe[1], STDOUT_FILENO);
  posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
  std::vector<char*> arguments;
  for (const auto& word : words) {
    arguments.push_back(const_cast<char*>(word.c_str()));
  }
  arguments.push_back(nullptr);
  pid_t child = -1;
  const int failed =
      ::posix_spawn(&child, words[0].c_str(), &actions, nullptr, arguments.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  ::close(pipe[1]);
  if (failed != 0) {
    ::close(pipe[0]);
    return Error{ErrorCode::internal, words[0] + " cannot be started: " + std::strerror(failed)};
  }
  read_lines(pipe[0], line);
  ::close(pipe[0]);
  int status = 0;
  while (::waitpid(child, &status, 0) < 0 && errno == EINTR) {
  }
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

struct Outcome {
  json told = nullptr;  ///< creeld's last word on the session
  int exit = 0;
};

Result<Outcome> recover_one(const Common& common, const std::string& path) {
  Outcome outcome;
  Meter folding(common.progress, "recover, folding");
  Meter verifying(common.progress, "recover, verifying");
  // "--": a path may begin with '-'.
  auto ended =
      run({beside("creeld"), "recover", "--json", "--", path}, [&](const std::string& line) {
        const json told = json::parse(line, nullptr, false);
        if (told.is_object() && told.contains("ok")) {
          outcome.told = told;
        } else if (told.is_object()) {
          Meter& meter = text_of(told, "step") == "fold" ? folding : verifying;
          meter.at(static_cast<std::uint64_t>(number_of(told, "done")),
                   static_cast<std::uint64_t>(number_of(told, "total")));
        }
      });
  if (!ended.ok()) {
    return ended.error();
  }
  outcome.exit = *ended;
  if (outcome.told.is_null()) {
    return Error{ErrorCode::internal, "creeld ended with code " + std::to_string(*ended) +
                                          " and did not say what became of " + path};
  }
  return outcome;
}

// One session; what becomes of it does not keep the others from being tried.
Answer one_answer(const Common& common, const std::string& session) {
  auto path = locate(common, session);
  if (!path.ok()) {
    return failure("recover", Exit::wrong, path.error());
  }
  auto outcome = recover_one(common, *path);
  if (!outcome.ok()) {
    return failure("recover", Exit::trouble, outcome.error());
  }
  const json& told = outcome->told;
  if (!flag_of(told, "ok")) {
    const auto code = error_code_from(text_of(told, "code")).value_or(ErrorCode::internal);
    return failure(
        "recover", exit_of(code), {code, text_of(told, "text")},
        "the session stays as it was; everything in it can be read.",
        code == ErrorCode::refused ? "see 'creel status'." : "see 'creel verify " + *path + "'.");
  }
  Answer answer;
  answer.object = told;
  const std::string file = text_of(told, "path");
  answer.text = file + ": " + text_of(member_of(told, "summary"), "reason", "recovered");
  if (!flag_of(member_of(told, "report"), "intact")) {
    answer.exit = Exit::trouble;
    answer.trouble = "creel recover: " + file +
                     " was made, and verifying it found damage\n  safe: nothing else was changed.\n"
                     "  next: see 'creel verify " +
                     file + "'.";
  }
  return answer;
}

}  // namespace

Answer recover(const Common& common, const std::vector<std::string>& sessions) {
  Answer answer;
  answer.object["sessions"] = json::array();
  const auto add = [](std::string& all, const std::string& one) {
    all += (all.empty() || one.empty() ? "" : "\n") + one;
  };
  for (const std::string& session : sessions) {
    const Answer one = one_answer(common, session);
    answer.object["sessions"].push_back(one.object);
    add(answer.text, one.text);
    add(answer.trouble, one.trouble);
    answer.exit = std::max(answer.exit, one.exit);
  }
  return answer;
}

}  // namespace creel::cli
