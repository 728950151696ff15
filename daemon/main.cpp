// creeld: wires the real clock, disk, processes and socket to the service, and runs the control
// thread. The only file that sees daemon/platform. No singletons: whoever needs a part is given it.

#include <spdlog/sinks/stdout_color_sinks.h>
#include <spdlog/spdlog.h>
#include <sys/stat.h>
#include <sys/utsname.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <climits>
#include <cstdio>
#include <cstdlib>
#include <functional>
#include <memory>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "daemon/alerts/hook.h"
#include "daemon/alerts/mqtt.h"
#include "daemon/alerts/watch.h"
#include "daemon/platform/asio_scheduler.h"
#include "daemon/platform/clock.h"
#include "daemon/platform/disk.h"
#include "daemon/platform/launcher.h"
#include "daemon/platform/life_line.h"
#include "daemon/platform/programs.h"
#include "daemon/rpc/server.h"
#include "daemon/series/recover.h"
#include "daemon/service/service.h"
#include "daemon/version.h"
#include "protocol/rpc/address.h"
#include "protocol/rpc/openrpc.h"
#include "protocol/series/rig.h"

namespace {

using namespace creel;
using nlohmann::json;

constexpr int kOk = 0;
constexpr int kBadUse = 2;
constexpr int kRefused = 4;
constexpr int kTrouble = 5;

struct Settings {
  std::string rig_file, state, socket, drivers, host;
  std::string codec = "deflate";
  std::vector<std::string> recover;  ///< sessions to finish instead of running a rig
  bool json = false;
  std::string alert_hook;                            ///< "" = none
  std::string mqtt, mqtt_name, mqtt_login, mqtt_ca;  ///< mqtt "" = none
  double alert_wait_s = 600;
};

std::string own_directory() {
  char path[PATH_MAX] = {};
  const ssize_t length = readlink("/proc/self/exe", path, sizeof path - 1);
  const std::string self(path, length > 0 ? static_cast<std::size_t>(length) : 0);
  return self.substr(0, self.rfind('/'));
}

std::string environment(const char* name) {
  const char* value = std::getenv(name);
  return value == nullptr ? "" : value;
}

std::string default_state() {
  if (!environment("STATE_DIRECTORY").empty()) {
    return environment("STATE_DIRECTORY");
  }
  if (!environment("XDG_STATE_HOME").empty()) {
    return environment("XDG_STATE_HOME") + "/creel";
  }
  return geteuid() == 0 ? "/var/lib/creel" : environment("HOME") + "/.local/state/creel";
}

json software() {
  utsname system{};
  uname(&system);
  return {{"name", "creel"},       {"version", kVersion},     {"build", kBuild},
          {"compiler", kCompiler}, {"host", system.nodename}, {"kernel", system.release}};
}

/// Threads that pack frames beside the rest.
class Packers {
 public:
  explicit Packers(platform::Priority priority) {
    const unsigned processors = std::max(2U, std::thread::hardware_concurrency());
    for (unsigned i = 0; i < std::min(4U, processors - 1); ++i) {
      threads_.push_back(std::make_unique<platform::ThreadWorker>(priority));
    }
  }
  [[nodiscard]] std::vector<Worker*> all() const {
    std::vector<Worker*> list;
    for (const auto& thread : threads_) {
      list.push_back(thread.get());
    }
    return list;
  }

 private:
  std::vector<std::unique_ptr<platform::ThreadWorker>> threads_;
};

int complain(const Error& error, int code) {
  std::fprintf(stderr, "creeld: %s\n", error.text.c_str());
  return code;
}

void say(const json& line) {
  std::printf("%s\n", line.dump(-1, ' ', false, json::error_handler_t::replace).c_str());
  std::fflush(stdout);
}

/// Finishes one session. For `creel recover`, which shows it to people, one JSON object a line.
int recover(Disk& disk, const std::vector<Worker*>& packers, const std::string& path,
            bool as_json) {
  int last = -1;
  const auto told = [&](const char* step, std::uint64_t done, std::uint64_t total) {
    const int percent = total == 0 ? 100 : static_cast<int>(100 * done / total);
    if (as_json && std::exchange(last, percent) != percent) {
      say({{"session", path}, {"step", step}, {"done", done}, {"total", total}});
    }
  };
  auto recovered = recover_session(disk, path, platform::utc_now_ns(), told, {nullptr, packers});
  if (!recovered.ok()) {
    const Error& error = recovered.error();
    if (as_json) {
      say({{"session", path},
           {"ok", false},
           {"code", error_name(error.code)},
           {"text", error.text}});
    }
    return complain(error, error.code == ErrorCode::invalid_request ? kBadUse
                           : error.code == ErrorCode::refused       ? kRefused
                                                                    : kTrouble);
  }
  if (as_json) {
    say({{"session", path},
         {"ok", true},
         {"path", recovered->path},
         {"summary", recovered->summary},
         {"report", recovered->report}});
  } else {
    std::printf("%s: %s\n", recovered->path.c_str(),
                recovered->summary.value("reason", "recovered").c_str());
  }
  return recovered->report.value("intact", false) ? kOk : kTrouble;
}

int recover_all(const Settings& settings) {
  const auto disk = make_posix_disk();
  const Packers packers(platform::Priority::normal);
  int worst = kOk;
  for (const std::string& session : settings.recover) {
    worst = std::max(worst, recover(*disk, packers.all(), session, settings.json));
  }
  return worst;
}

/// What the file of --mqtt-login may be read by: its owner alone.
Result<void> check_private(const std::string& path) {
  struct stat found {};
  if (::stat(path.c_str(), &found) != 0 || (found.st_mode & 077) == 0) {
    return {};  // what is not there is told by reading it
  }
  return Error{ErrorCode::invalid_request,
               path + ": others may read this file, and it holds a password; chmod 600 it"};
}

/// From the command line and the files that it names. invalid_request when they are wrong.
Result<MqttOptions> mqtt_options(const Settings& settings, const std::string& rig_name) {
  MqttOptions options;
  options.ca_file = settings.mqtt_ca;
  options.port = options.ca_file.empty() ? 1883 : 8883;
  options.name = settings.mqtt_name.empty() ? rig_name : settings.mqtt_name;
  if (auto read = read_broker(settings.mqtt, options); !read.ok()) {
    return read.error().during("--mqtt");
  }
  if (!settings.mqtt_login.empty()) {
    CREEL_TRY(check_private(settings.mqtt_login));
    const auto disk = make_posix_disk();
    auto text = read_all(*disk, settings.mqtt_login);
    if (!text.ok()) {
      return text.error();
    }
    if (auto read = read_login(*text, options); !read.ok()) {
      return read.error().during(settings.mqtt_login);
    }
  }
  return options;
}

/// Whoever is told when something happens; nobody unless the command line says so.
struct Alerts {
  Alerts(Scheduler& scheduler, const Clock& clock, const Settings& settings)
      : watch(scheduler, clock, limits_from(settings)) {}
  static AlertWatch::Limits limits_from(const Settings& settings) {
    AlertWatch::Limits limits;
    limits.long_wait = Duration{static_cast<std::int64_t>(settings.alert_wait_s * 1e9)};
    return limits;
  }
  std::unique_ptr<platform::PosixPrograms> programs;
  std::unique_ptr<HookChannel> hook;
  std::unique_ptr<MqttChannel> mqtt;
  AlertWatch watch;
};

Result<void> add_channels(Alerts& alerts, Scheduler& scheduler, const Settings& settings,
                          const std::string& rig_name) {
  const auto log = [](const std::string& line) { spdlog::warn("{}", line); };
  if (!settings.alert_hook.empty()) {
    alerts.programs = std::make_unique<platform::PosixPrograms>(scheduler);
    alerts.hook = std::make_unique<HookChannel>(*alerts.programs, settings.alert_hook, log);
    alerts.watch.add(*alerts.hook);
  }
  if (!settings.mqtt.empty()) {
    auto options = mqtt_options(settings, rig_name);
    if (!options.ok()) {
      return options.error();
    }
    if (!options->user.empty() && options->ca_file.empty()) {
      spdlog::warn("mqtt: without --mqtt-ca the password goes over the network as it is");
    }
    alerts.mqtt = std::make_unique<MqttChannel>(std::move(*options), log);
    alerts.watch.add(*alerts.mqtt);
  }
  return {};
}

/// Runs the daemon on a rig that was read and checked. Returns the exit code.
int run(Rig rig, const Settings& settings) {
  auto memory = platform::make_rig_memory(rig.shared_bytes, rig.accelerated, rig.seed,
                                          WorldRate::of(rig.speed));
  if (!memory.ok()) {
    return complain(memory.error(), kRefused);
  }
  // First of all: its thread takes no descriptor of ours along.
  auto life_line = platform::LifeLine::make();
  if (!life_line.ok()) {
    return complain(life_line.error(), kRefused);
  }
  if (!(*life_line)->prompt()) {
    spdlog::info(
        "no real-time priority: on a busy computer a shutter may close some ten "
        "milliseconds later after a crash of creeld (LimitRTPRIO=1 permits it)");
  }
  boost::asio::io_context io;
  const platform::RealClock clock(memory->timeline());
  platform::RealRandom random;
  platform::AsioScheduler scheduler(io, clock, memory->timeline());
  platform::PosixLauncher launcher(settings.host, io, memory->descriptor(),
                                   (*life_line)->descriptor());
  scheduler.count_calls([&launcher] { return launcher.calls_running(); });
  const auto disk = make_posix_disk();
  auto dispatcher = rpc::Dispatcher::make(rpc::openrpc_text());
  if (!dispatcher.ok()) {
    return complain(dispatcher.error(), kRefused);
  }
  // Before the service, whose session uses them to its end.
  platform::ThreadWorker prepare;
  const Packers packers(platform::Priority::low);
  Alerts alerts(scheduler, clock, settings);
  if (auto added = add_channels(alerts, scheduler, settings, rig.name); !added.ok()) {
    return complain(added.error(), kBadUse);
  }
  // Declared before the worker: the worker's destructor finishes the store's queued work first.
  std::unique_ptr<Service> service;
  platform::ThreadWorker worker;
  std::unique_ptr<rpc::Server> server;
  bool ending = false;

  // The hosts are given their time to make their devices safe.
  std::function<void()> stop_when_alone = [&] {
    if (launcher.running() == 0) {
      scheduler.stop();
      return;
    }
    scheduler.at(clock.safety_now() + milliseconds(10), stop_when_alone);
  };
  const auto log = [](const std::string& line) { spdlog::info("{}", line); };
  const auto end = [&](const std::string& why) {
    if (ending) {
      return;
    }
    ending = true;
    spdlog::info("ending: {}; closing every shutter", why);
    service->shut_down(
        why, [&, why] { server->close("creeld is ending: " + why, [&] { scheduler.stop(); }); });
  };
  const std::string rig_name = rig.name;
  Service::Options options{settings.state,
                           settings.drivers,
                           settings.rig_file,
                           settings.socket,
                           software(),
                           *session::codec_from(settings.codec),
                           log,
                           [&] { end("asked to by a client"); }};
  auto made = Service::make({scheduler,
                             clock,
                             random,
                             launcher,
                             *disk,
                             worker,
                             **dispatcher,
                             {&prepare, packers.all()},
                             &alerts.watch},
                            std::move(rig), std::move(options));
  if (!made.ok()) {
    return complain(made.error(), kRefused);
  }
  service = std::move(*made);
  rpc::ServerOptions listening;
  listening.path = settings.socket;
  listening.log = log;
  auto listener = rpc::Server::listen(io, **dispatcher, listening);
  if (!listener.ok()) {
    return complain(listener.error(), kRefused);
  }
  server = std::move(*listener);

  boost::asio::signal_set signals(io, SIGTERM, SIGINT, SIGHUP);
  signals.async_wait([&](const boost::system::error_code& error, int number) {
    if (!error) {
      end("signal " + std::to_string(number));
    }
  });
  service->start([&](const Result<json>&) {
    std::printf("creeld: ready on %s, rig %s, sessions in %s/sessions\n", settings.socket.c_str(),
                rig_name.c_str(), settings.state.c_str());
    std::fflush(stdout);
  });
  scheduler.run();
  spdlog::info("ended");
  return kOk;
}

}  // namespace

int main(int argc, char** argv) {
  const std::string here = own_directory();
  Settings settings;
  settings.state = default_state();
  settings.drivers = here + "/../drivers";
  settings.host = here + "/creel-host";
  settings.rig_file = here + "/../share/creel/ink-lab.rig.json";

  CLI::App app{
      "creeld - runs exposure series on a rig: drives detector and shutters through plugin "
      "drivers, accounts "
      "for the dose, stores every frame.\n"
      "Alone it starts on the simulated rig. Talk to it with 'creel'.\n\n" +
      std::string(kShutterCaution)};
  app.set_version_flag("--version", std::string(kVersion) + " (" + kBuild + ")");
  app.add_option("--rig", settings.rig_file, "rig document, see README.md")
      ->check(CLI::ExistingFile);
  app.add_option("--state", settings.state, "directory for sessions and the dose ledger")
      ->capture_default_str();
  app.add_option("--socket", settings.socket,
                 "Unix socket to listen on (default: $CREEL_SOCKET, or a per-user place)");
  app.add_option("--drivers", settings.drivers, "directory of the plugin drivers");
  app.add_option(
         "--codec", settings.codec,
         "how new sessions are packed once they are safe: deflate (every HDF5 program reads "
         "it), bitshuffle-lz4\n(faster; other programs need its HDF5 plugin), none (only "
         "at the end, with deflate)")
      ->check(CLI::IsMember({"deflate", "bitshuffle-lz4", "none"}))
      ->capture_default_str();
  app.add_option("--host-program", settings.host, "the program that holds one driver");
  app.add_option("--alert-hook", settings.alert_hook,
                 "program to run for every alert: a hold, a long wait, a shutter that does not "
                 "close, a lost device,\na short disk, the end; the alert comes as JSON on its "
                 "standard input; killed after 30 s")
      ->check(CLI::ExistingFile);
  app.add_option("--alert-wait", settings.alert_wait_s,
                 "seconds that a guard may wait before it is worth an alert")
      ->check(CLI::Range(1.0, 1e6))
      ->capture_default_str();
  app.add_option(
      "--mqtt", settings.mqtt,
      "publish state and alerts to this MQTT 5 broker, HOST or HOST:PORT; never listens");
  app.add_option("--mqtt-name", settings.mqtt_name,
                 "name in the topics, creel/NAME/... (default: the rig's)");
  app.add_option(
         "--mqtt-login", settings.mqtt_login,
         "file that only its owner may read: user on the first line, password on the second")
      ->check(CLI::ExistingFile);
  app.add_option("--mqtt-ca", settings.mqtt_ca,
                 "certificate of who vouches for the broker (PEM): the connection is then TLS")
      ->check(CLI::ExistingFile);
  CLI::App* finish = app.add_subcommand(
      "recover", "Finish sessions that a crash left, and run no rig ('creel recover' does this)");
  finish->add_option("SESSION", settings.recover, "folder of an unfinished session")->required();
  finish->add_flag("--json", settings.json, "one JSON object a line: progress, then the outcome");
  CLI11_PARSE(app, argc, argv);
  if (!settings.recover.empty()) {
    umask(0027);
    return recover_all(settings);
  }

  spdlog::set_default_logger(spdlog::stderr_color_mt("creeld"));
  spdlog::set_pattern("%Y-%m-%dT%H:%M:%S.%e %l %v");
  umask(0027);
  if (settings.socket.empty()) {
    auto path = rpc::default_socket_path();
    if (!path.ok()) {
      return complain(path.error(), kBadUse);
    }
    settings.socket = *path;
  }
  const auto disk = make_posix_disk();
  auto text = read_all(*disk, settings.rig_file);
  if (!text.ok()) {
    return complain(text.error(), kBadUse);
  }
  auto rig = parse_rig(*text, settings.rig_file);
  if (!rig.ok()) {
    return complain(rig.error(), kBadUse);
  }
  for (const std::string& warning : rig->warnings) {
    spdlog::warn("{}", warning);
  }
  return run(std::move(*rig), settings);
}
