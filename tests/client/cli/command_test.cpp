// The program creel as people and scripts use it: exit codes, standard output, standard error,
// against a daemon of this file that answers what a test tells it to.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <functional>
#include <map>
#include <mutex>
#include <nlohmann/json.hpp>
#include <thread>

#include "protocol/rpc/message.h"

namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::StartsWith;

/// Listens on a socket and answers each method as told; anything else with "method not found".
class ScriptedDaemon {
 public:
  using Handler = std::function<creel::Result<json>(const json& params)>;

  explicit ScriptedDaemon(const std::string& path) {
    listener_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, path.c_str(), sizeof address.sun_path - 1);
    if (::bind(listener_, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0 ||
        ::listen(listener_, 4) != 0) {
      std::abort();
    }
    thread_ = std::thread([this] { serve(); });
  }
  ~ScriptedDaemon() {
    ending_ = true;
    thread_.join();
    ::close(listener_);
  }
  void on(const std::string& method, Handler handler) {
    const std::lock_guard lock(mutex_);
    handlers_[method] = std::move(handler);
  }
  void answer(const std::string& method, json result) {
    on(method, [result = std::move(result)](const json&) { return result; });
  }
  void refuse(const std::string& method, creel::ErrorCode code, const std::string& text) {
    on(method, [code, text](const json&) { return creel::Error{code, text}; });
  }
  /// Sent as events after the answer to `method`.
  void tell_after(const std::string& method, std::vector<json> events) {
    const std::lock_guard lock(mutex_);
    events_[method] = std::move(events);
  }
  /// The connection is closed without an answer to `method`.
  void die_at(const std::string& method) {
    const std::lock_guard lock(mutex_);
    deadly_ = method;
  }
  [[nodiscard]] json params_of(const std::string& method) {
    const std::lock_guard lock(mutex_);
    return seen_[method];
  }

 private:
  void serve() {
    while (!ending_) {
      pollfd waiting{listener_, POLLIN, 0};
      if (::poll(&waiting, 1, 20) <= 0) continue;
      const int connection = ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC);
      talk(connection);
      ::close(connection);
    }
  }
  void talk(int connection) {
    std::string buffer;
    while (!ending_) {
      pollfd waiting{connection, POLLIN, 0};
      if (::poll(&waiting, 1, 20) <= 0) continue;
      char chunk[4096];
      const ssize_t got = ::recv(connection, chunk, sizeof chunk, 0);
      if (got <= 0) return;
      buffer.append(chunk, static_cast<std::size_t>(got));
      for (std::size_t end = 0; (end = buffer.find('\n')) != std::string::npos;
           buffer.erase(0, end + 1)) {
        if (!handle(connection, buffer.substr(0, end))) return;
      }
    }
  }
  bool handle(int connection, const std::string& line) {
    const json request = json::parse(line);
    const std::string method = request["method"];
    Handler handler;
    std::vector<json> events;
    {
      const std::lock_guard lock(mutex_);
      seen_[method] = request.value("params", json());
      if (method == deadly_) return false;
      handler = handlers_[method];
      events = events_[method];
    }

    json response;
    if (!handler) {
      response = creel::rpc::make_response(
          request["id"], creel::rpc::make_fault(creel::rpc::kMethodNotFound, method));
    } else {
      auto result = handler(request.value("params", json()));
      response = result.ok() ? creel::rpc::make_response(request["id"], *result)
                             : creel::rpc::make_response(request["id"],
                                                         creel::rpc::make_fault(result.error()));
    }
    std::string text = creel::rpc::to_line(response);
    for (const json& event : events) text += creel::rpc::notification_line("event", event);
    return ::send(connection, text.data(), text.size(), MSG_NOSIGNAL) ==
           static_cast<ssize_t>(text.size());
  }

  std::map<std::string, Handler> handlers_;
  std::map<std::string, std::vector<json>> events_;
  std::string deadly_;
  std::mutex mutex_;
  std::map<std::string, json> seen_;
  int listener_ = -1;
  std::atomic<bool> ending_{false};
  std::thread thread_;
};

struct Ran {
  int exit = -1;
  std::string out;
  std::string err;
  [[nodiscard]] json object() const { return json::parse(out, nullptr, false); }
};

class Creel : public ::testing::Test {
 protected:
  void SetUp() override {
    const char* bin = std::getenv("CREEL_BIN");
    const char* source = std::getenv("CREEL_SOURCE");
    ASSERT_TRUE(bin != nullptr && source != nullptr) << "run me through ctest";
    program_ = std::string(bin) + "/creel";
    scenarios_ = std::string(source) + "/sim/scenarios";
    std::string pattern = "/tmp/cli-XXXXXX";  // short: a socket's path has 107 bytes at most
    ASSERT_NE(::mkdtemp(pattern.data()), nullptr);
    directory_ = pattern;
    socket_ = directory_ + "/s";
  }
  void TearDown() override { fs::remove_all(directory_); }

  /// Starts creel with these words, `--socket` added.
  pid_t launch(std::vector<std::string> words) {
    words.insert(words.begin(), program_);
    words.insert(words.end(), {"--socket", socket_});
    std::vector<char*> arguments;
    arguments.reserve(words.size() + 1);
    for (std::string& word : words) arguments.push_back(word.data());
    arguments.push_back(nullptr);
    const pid_t child = ::fork();
    if (child == 0) {
      if (std::freopen((directory_ + "/out").c_str(), "w", stdout) == nullptr ||
          std::freopen((directory_ + "/err").c_str(), "w", stderr) == nullptr) {
        ::_exit(99);
      }
      ::execv(program_.c_str(), arguments.data());
      ::_exit(98);
    }
    return child;
  }
  Ran wait_for(pid_t child) {
    int status = 0;
    ::waitpid(child, &status, 0);
    return {WIFEXITED(status) ? WEXITSTATUS(status) : 1000 + WTERMSIG(status), text_of("/out"),
            text_of("/err")};
  }
  Ran run(const std::vector<std::string>& words) { return wait_for(launch(words)); }
  [[nodiscard]] std::string text_of(const std::string& name) const {
    std::ifstream file(directory_ + name);
    return {std::istreambuf_iterator<char>(file), {}};
  }
  std::string write(const std::string& name, const std::string& text) {
    std::ofstream(directory_ + "/" + name) << text;
    return directory_ + "/" + name;
  }

  std::string program_, scenarios_, directory_, socket_;
};

TEST_F(Creel, WithoutADaemonSaysWhatIsSafeAndWhatToDo) {
  for (const char* command :
       {"status", "list", "devices", "follow", "continue", "stop", "hold", "ledger"}) {
    const Ran ran = run({command});
    EXPECT_EQ(ran.exit, 3) << command;
    EXPECT_THAT(ran.out, IsEmpty()) << command;
    EXPECT_THAT(ran.err, StartsWith(std::string("creel ") + command + ": "));
    EXPECT_THAT(ran.err, HasSubstr("\n  safe: "));
    EXPECT_THAT(ran.err, HasSubstr("\n  next: "));
  }
}

TEST_F(Creel, CloseAllWithoutADaemonSendsAPersonToTheInstrument) {
  const Ran ran = run({"close-all"});
  EXPECT_EQ(ran.exit, 3);
  EXPECT_THAT(ran.err, HasSubstr("NO SHUTTER WAS SHOWN TO BE CLOSED"));
  EXPECT_THAT(ran.err, HasSubstr("by hand"));
  EXPECT_THAT(ran.err, HasSubstr("not a personnel-safety interlock"));
}

TEST_F(Creel, WrongUseIsExitCodeTwo) {
  EXPECT_EQ(run({}).exit, 2);
  EXPECT_EQ(run({"nonsense"}).exit, 2);
  EXPECT_EQ(run({"start"}).exit, 2);
  EXPECT_EQ(run({"check", "/nowhere/x.series.json"}).exit, 2);
  EXPECT_EQ(run({"check", directory_}).exit, 2);
  EXPECT_EQ(run({"status", "--loud"}).exit, 2);
  EXPECT_EQ(run({"verify", directory_ + "/none"}).exit, 2);
  EXPECT_EQ(run({"picture", directory_, "--out", directory_ + "/p"}).exit, 2);
  const Ran ran = run({"start", "--json"});
  EXPECT_EQ(ran.object()["exit"], 2);
  EXPECT_EQ(ran.object()["ok"], false);
  EXPECT_THAT(ran.err, HasSubstr("creel start --help"));
}

TEST_F(Creel, HelpTeachesEveryCommandWithAnExample) {
  const Ran all = run({"--help"});
  EXPECT_EQ(all.exit, 0);
  EXPECT_THAT(all.out, HasSubstr("Exit codes:"));
  EXPECT_THAT(all.out, HasSubstr("not a personnel-safety interlock"));
  for (const char* command :
       {"check", "start", "follow", "list", "hold", "continue", "stop", "devices", "close-all",
        "verify", "recover", "picture", "status", "ledger", "enter-dose"}) {
    const Ran ran = run({command, "--help"});
    EXPECT_EQ(ran.exit, 0) << command;
    EXPECT_THAT(ran.out, HasSubstr("Example: creel " + std::string(command))) << command;
    EXPECT_THAT(ran.out, ::testing::AnyOf(HasSubstr("Safe"), HasSubstr("OPENS THE SHUTTER"),
                                          HasSubstr("for ever")))
        << command;
  }
}

TEST_F(Creel, CheckWithARigNeedsNoDaemon) {
  const Ran ran = run({"check", scenarios_ + "/ink-film.series.json", "--rig",
                       scenarios_ + "/ink-lab.rig.json", "--json"});
  ASSERT_EQ(ran.exit, 0) << ran.err;
  EXPECT_EQ(ran.object()["exposures"], 200);
  EXPECT_NEAR(ran.object()["areas"][0]["planned_e_per_a2"].get<double>(), 24.0064, 1e-9);
}

TEST_F(Creel, AFaultySeriesIsExitCodeTwoWithItsPlace) {
  const std::string file =
      write("bad.series.json", "{\n  \"creel_series\": 0,\n  \"name\": 7\n}\n");
  const Ran ran = run({"check", file, "--rig", scenarios_ + "/ink-lab.rig.json"});
  EXPECT_EQ(ran.exit, 2);
  EXPECT_THAT(ran.out, IsEmpty());
  EXPECT_THAT(ran.err, HasSubstr(file + ":3"));
  EXPECT_THAT(ran.err, HasSubstr("nothing was changed"));
}

TEST_F(Creel, CheckSendsTheTextVerbatimAndShowsDoseAgainstLimits) {
  ScriptedDaemon daemon(socket_);
  daemon.answer("series.check", {{"name", "film"},
                                 {"exposures", 10},
                                 {"duration_s", 125.0},
                                 {"bytes", 5e6},
                                 {"warnings", {"the density is unknown"}},
                                 {"areas",
                                  {{{"area", "g7/a1"},
                                    {"planned_e_per_a2", 2.5},
                                    {"had_e_per_a2", 30},
                                    {"limit_e_per_a2", 40}}}}});
  const std::string file = write("f.series.json", "{ \"x\": 1 }\n");
  const Ran ran = run({"check", file});
  EXPECT_EQ(ran.exit, 0) << ran.err;
  EXPECT_THAT(ran.out, HasSubstr("10 exposures, at least 2 min 5 s, about 5 MB on disk"));
  EXPECT_THAT(ran.out, HasSubstr("g7/a1  2.5            30         40"));
  EXPECT_THAT(ran.out, HasSubstr("warning: the density is unknown"));
  EXPECT_EQ(daemon.params_of("series.check")["text"], "{ \"x\": 1 }\n");
  EXPECT_EQ(daemon.params_of("series.check")["origin"], file);
}

TEST_F(Creel, ErrorsOfTheDaemonBecomeExitCodes) {
  const std::map<creel::ErrorCode, int> codes{
      {creel::ErrorCode::invalid_request, 2}, {creel::ErrorCode::refused, 4},
      {creel::ErrorCode::timed_out, 5},       {creel::ErrorCode::device_lost, 5},
      {creel::ErrorCode::storage_failed, 5},  {creel::ErrorCode::corrupt, 5},
      {creel::ErrorCode::internal, 5}};
  for (const auto& [code, exit] : codes) {
    ScriptedDaemon daemon(socket_);
    daemon.refuse("series.stop", code, "told to fail");
    const Ran ran = run({"stop", "--json"});
    EXPECT_EQ(ran.exit, exit) << creel::error_name(code);
    EXPECT_EQ(ran.object()["error"]["code"], creel::error_name(code));
    EXPECT_THAT(ran.err, HasSubstr("told to fail"));
    fs::remove(socket_);
  }
}

TEST_F(Creel, ADaemonThatGoesAwayIsExitCodeThree) {
  ScriptedDaemon daemon(socket_);
  daemon.die_at("daemon.status");
  EXPECT_EQ(run({"status"}).exit, 3);
}

TEST_F(Creel, CloseAllIsDoneOnlyWhenEveryShutterIsShownClosed) {
  ScriptedDaemon daemon(socket_);
  daemon.answer("shutters.close_all",
                {{"shutters",
                  {{{"name", "beam"}, {"closed", true}, {"text", "closed (closed)"}},
                   {{"name", "cathode"}, {"closed", true}, {"text", "closed"}}}}});
  const Ran closed = run({"close-all"});
  EXPECT_EQ(closed.exit, 0);
  EXPECT_THAT(closed.out, HasSubstr("not a personnel-safety interlock"));

  daemon.answer("shutters.close_all",
                {{"shutters",
                  {{{"name", "beam"}, {"closed", false}, {"text", "still moving"}},
                   {{"name", "cathode"}, {"closed", true}, {"text", "closed"}}}}});
  const Ran open = run({"close-all"});
  EXPECT_EQ(open.exit, 5);
  EXPECT_THAT(open.err, HasSubstr("not shown to be closed: beam\n"));
  EXPECT_THAT(open.err, HasSubstr("by hand"));

  daemon.answer("shutters.close_all", json::object());
  EXPECT_EQ(run({"close-all"}).exit, 5) << "an answer that says nothing shows nothing";
}

TEST_F(Creel, StartFollowedToTheEndIsDoneWhenItCompleted) {
  for (const auto& [outcome, exit] :
       std::map<std::string, int>{{"complete", 0}, {"stopped", 1}, {"dose", 1}}) {
    ScriptedDaemon daemon(socket_);
    daemon.answer("events.follow", {{"status", json::object()}});
    daemon.answer("series.start",
                  {{"session", "film-1"}, {"path", "/s/film-1"}, {"warnings", json::array()}});
    daemon.answer("daemon.status", {{"series", {{"running", false}}}});
    daemon.tell_after(
        "series.start",
        {{{"event", "started"}, {"session", "film-1"}, {"text", "started session film-1"}},
         {{"event", "session_closed"}, {"session", "another"}, {"outcome", "complete"}},
         {{"event", "session_closed"},
          {"session", "film-1"},
          {"outcome", outcome},
          {"reason", "r"},
          {"path", "/s/film-1.h5"},
          {"frames", 82},
          {"dose", {{"g7/a1", {{"series_e_per_a2", 12.04}, {"area_e_per_a2", 12.04}}}}}}});
    const Ran ran = run({"start", write("f.series.json", "{}"), "--follow"});
    EXPECT_EQ(ran.exit, exit) << outcome << ran.err;
    EXPECT_THAT(ran.out, HasSubstr("started: started session film-1"));
    EXPECT_THAT(ran.out, HasSubstr("series ended: " + outcome));
    EXPECT_THAT(ran.out, HasSubstr("session /s/film-1.h5, 82 frames"));
    fs::remove(socket_);
  }
}

TEST_F(Creel, FollowingAsJsonGivesOneEventALineAndTheAnswerLast) {
  ScriptedDaemon daemon(socket_);
  daemon.answer("events.follow",
                {{"status", {{"series", {{"running", true}, {"session", "film-1"}}}}}});
  daemon.answer("daemon.status", {{"series", {{"running", true}, {"session", "film-1"}}}});
  daemon.tell_after(
      "events.follow",
      {{{"event", "stored"}, {"frames", 1}},
       {{"event", "session_closed"}, {"session", "film-1"}, {"outcome", "complete"}}});
  const Ran ran = run({"follow", "--until-end", "--json"});
  EXPECT_EQ(ran.exit, 0) << ran.err;
  std::istringstream lines(ran.out);
  std::vector<json> objects;
  for (std::string line; std::getline(lines, line);) objects.push_back(json::parse(line));
  ASSERT_EQ(objects.size(), 3U);
  EXPECT_EQ(objects[0]["event"], "stored");
  EXPECT_EQ(objects[2]["ok"], true);
}

TEST_F(Creel, InterruptingTheWatchIsExitCode130) {
  ScriptedDaemon daemon(socket_);
  std::atomic<bool> asked{false};
  daemon.answer("events.follow", {{"status", json::object()}});
  daemon.on("daemon.status", [&asked](const json&) {
    asked = true;
    return json{{"series", {{"running", true}, {"exposures", 9}}}};
  });
  const pid_t child = launch({"follow"});
  while (!asked) std::this_thread::yield();
  ::kill(child, SIGINT);
  const Ran ran = wait_for(child);
  EXPECT_EQ(ran.exit, 130);
  EXPECT_THAT(ran.err, HasSubstr("what runs in creeld goes on"));
}

TEST_F(Creel, FollowUntilEndWithNothingRunningTellsHowTheLastOneEnded) {
  ScriptedDaemon daemon(socket_);
  daemon.answer("events.follow",
                {{"status", {{"series", {{"running", false}, {"last", nullptr}}}}}});
  EXPECT_EQ(run({"follow", "--until-end"}).exit, 4);
  daemon.answer(
      "events.follow",
      {{"status", {{"series", {{"running", false}, {"last", {{"outcome", "complete"}}}}}}}});
  EXPECT_EQ(run({"follow", "--until-end"}).exit, 0);
}

TEST_F(Creel, OrdersSendWhatWasTyped) {
  ScriptedDaemon daemon(socket_);
  for (const char* method : {"series.hold", "series.continue", "series.stop", "ledger.enter"}) {
    daemon.answer(method, json::object());
  }
  EXPECT_EQ(run({"hold", "cold trap"}).exit, 0);
  EXPECT_EQ(daemon.params_of("series.hold"), json({{"reason", "cold trap"}}));
  EXPECT_EQ(run({"hold"}).exit, 0);
  EXPECT_FALSE(daemon.params_of("series.hold").contains("reason"));
  EXPECT_EQ(run({"continue"}).exit, 0);
  EXPECT_EQ(run({"stop"}).exit, 0);
  EXPECT_EQ(run({"enter-dose", "g7/a1", "-1.5", "--sigma", "0.5", "--reason", "typed twice"}).exit,
            0);
  EXPECT_EQ(daemon.params_of("ledger.enter"), json({{"area", "g7/a1"},
                                                    {"dose_e_per_a2", -1.5},
                                                    {"sigma_e_per_a2", 0.5},
                                                    {"reason", "typed twice"}}));
}

TEST_F(Creel, ListsAreTablesAndTheSafetySentenceStandsWithTheDevices) {
  ScriptedDaemon daemon(socket_);
  daemon.answer("devices.list", {{"devices",
                                  {{{"name", "beam"},
                                    {"kind", "shutter"},
                                    {"driver", "simulated"},
                                    {"state", "ready"},
                                    {"blocks", "electrons_above_specimen"},
                                    {"lease_ms", 2000},
                                    {"restarts", 0}}}}});
  daemon.answer("session.list",
                {{"directory", "/s"},
                 {"sessions", {{{"name", "film-1"}, {"state", "closed"}, {"bytes", 12345678}}}}});
  daemon.answer("ledger.balance", {{"areas",
                                    {{{"area", "g7/a1"},
                                      {"charged_e_per_a2", 1.5},
                                      {"sigma_e_per_a2", 0.1},
                                      {"intended_e_per_a2", 0.2},
                                      {"upper_e_per_a2", 1.7}}}}});
  const Ran devices = run({"devices"});
  EXPECT_THAT(devices.out,
              HasSubstr("blocks electrons_above_specimen; closes by itself 2 s after"));
  EXPECT_THAT(devices.out, HasSubstr("not a personnel-safety interlock"));
  EXPECT_THAT(run({"list"}).out, HasSubstr("film-1   closed  12.3 MB"));
  EXPECT_THAT(run({"ledger", "g7/a1"}).out, HasSubstr("1.7"));
  EXPECT_EQ(daemon.params_of("ledger.balance"), json({{"area", "g7/a1"}}));
}

TEST_F(Creel, EveryEntryOfTheLedgerIsExplainedAndExported) {
  ScriptedDaemon daemon(socket_);
  daemon.answer("ledger.balance", {{"areas", json::array()}});
  const json intent = {{"id", 1},
                       {"utc", "2026-11-25T03:00:00.250Z"},
                       {"area", "g7/a1"},
                       {"kind", "intent"},
                       {"dose_e_per_a2", 0.02},
                       {"session", "film-1"},
                       {"exposure", 4},
                       {"attempt", 1},
                       {"cause", "zero_loss"}};
  json charge = intent;
  charge.update({{"id", 2},
                 {"kind", "charge"},
                 {"dose_e_per_a2", 0.018},
                 {"sigma_e_per_a2", 0.001},
                 {"reason", "measured opening"},
                 {"intent", 1}});
  json open = intent;
  open["id"] = 3;
  const json by_hand = {{"id", 4},
                        {"area", "g7/a1"},
                        {"kind", "by_hand"},
                        {"dose_e_per_a2", -0.5},
                        {"sigma_e_per_a2", 0.1},
                        {"reason", "typed \"5\" for 4,5"},
                        {"entered_by", "user 1000"}};
  daemon.on("ledger.entries", [&](const json& params) -> creel::Result<json> {
    return params["after"] == 0 ? json{{"entries", {intent, charge}}, {"more", true}}
                                : json{{"entries", {open, by_hand}}, {"more", false}};
  });
  const Ran shown = run({"ledger", "--entries", "g7/a1"});
  EXPECT_EQ(shown.exit, 0) << shown.err;
  EXPECT_EQ(daemon.params_of("ledger.entries"), json({{"area", "g7/a1"}, {"after", 2}}));
  EXPECT_THAT(shown.out,
              HasSubstr("1  2026-11-25T03:00:00.250Z  g7/a1  intent: at most 0.02 e/A^2 could be "
                        "given by what followed (zero-loss reference, exposure 4, attempt 2 of "
                        "session film-1); settled by entry 2"));
  EXPECT_THAT(shown.out, HasSubstr("charge: 0.018 +/- 0.001 e/A^2 were given (zero-loss "
                                   "reference, exposure 4, attempt 2 of session film-1); settles "
                                   "entry 1; measured opening"));
  EXPECT_THAT(shown.out, HasSubstr("NOT SETTLED: it counts in full"));
  EXPECT_THAT(shown.out, HasSubstr("correction by hand: -0.5 +/- 0.1 e/A^2, entered by user 1000: "
                                   "typed \"5\" for 4,5"));
  const auto read = [](const fs::path& path) {
    std::ifstream file(path, std::ios::binary);
    return std::string(std::istreambuf_iterator<char>(file), {});
  };
  const std::string csv = directory_ + "/ledger.csv", whole = directory_ + "/ledger.json";
  EXPECT_EQ(run({"ledger", "--export", csv}).exit, 0);
  EXPECT_THAT(read(csv), StartsWith("id,utc,area,kind,cause,dose_e_per_a2,sigma_e_per_a2,session,"
                                    "exposure,attempt,intent,entered_by,reason,explained\r\n1,"));
  EXPECT_THAT(read(csv), HasSubstr("\"typed \"\"5\"\" for 4,5\""));
  EXPECT_EQ(run({"ledger", "--export", whole}).exit, 0);
  EXPECT_EQ(json::parse(read(whole))["entries"].size(), 4U);
  const Ran odd = run({"ledger", "--export", "ledger.txt"});
  EXPECT_EQ(odd.exit, 2);
  EXPECT_THAT(odd.err, HasSubstr("must end in .json or .csv"));
}

// A daemon that says "more" for ever is not believed.
TEST_F(Creel, EntriesOutOfOrderEndTheCommand) {
  ScriptedDaemon daemon(socket_);
  daemon.answer("ledger.balance", {{"areas", json::array()}});
  daemon.answer("ledger.entries", {{"entries", {{{"id", 1}}}}, {"more", true}});
  EXPECT_EQ(run({"ledger", "--entries"}).exit, 5);
  daemon.answer("ledger.entries", {{"entries", json::array()}, {"more", true}});
  EXPECT_EQ(run({"ledger", "--entries"}).exit, 5);
}

TEST_F(Creel, OddAnswersOfADaemonAreShownNotCrashedOn) {
  ScriptedDaemon daemon(socket_);
  for (const json& odd :
       {json(), json("text"), json::array({1, json()}), json{{"devices", 1}, {"sessions", {1, 2}}},
        json{{"shutters", {1}}, {"areas", {json()}}, {"series", {{"running", true}}}}}) {
    for (const char* method : {"daemon.status", "devices.list", "session.list", "ledger.balance",
                               "shutters.close_all"}) {
      daemon.answer(method, odd);
    }
    for (const char* command : {"status", "devices", "list", "ledger", "close-all"}) {
      const Ran ran = run({command, "--json"});
      EXPECT_LT(ran.exit, 6) << command << ' ' << odd;
      EXPECT_FALSE(ran.object().is_discarded()) << command << ' ' << odd;
    }
  }
}

}  // namespace
