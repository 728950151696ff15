#include "client/cli/replay.h"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>

#include "protocol/base/text.h"
#include "protocol/series/rig.h"
#include "protocol/series/series.h"
#include "protocol/session/layout.h"
#include "protocol/session/verify.h"

namespace creel::cli {

namespace fs = std::filesystem;
using nlohmann::json;

namespace {

constexpr double kLeastSpeed = 1;
constexpr double kMostSpeed = 1000;
/// Real time: a device waits out no longer pause, and no longer than half an open lease.
constexpr double kLongestWait_s = 1;
constexpr double kUsualLease_s = 2;
/// On the accelerated clock waiting takes no time: every recorded pause is kept.
constexpr double kLongestFastWait_s = 1e7;
constexpr std::uint64_t kSharedBytes = 65536;
constexpr std::size_t kLongestSocketPath = 100;

constexpr const char* kSafe = "nothing was written, opened or moved.";

/// What is written, and what to do with it.
struct Replay {
  std::string name, rig_file, series_file, state, socket;
  std::string rig_text, series_text;
  bool earlier_dose = false;
  std::vector<std::string> warnings;
};

/// The series as it was, but for a moment of UTC at which it was to end: that has passed.
std::string without_moment(const std::string& text) {
  json series = json::parse(text, nullptr, false);
  const json::json_pointer clock("/guards/clock");
  if (series.is_discarded() || !series.contains(clock) || !series[clock].contains("ends_at")) {
    return text;
  }
  series[clock].erase("ends_at");
  if (series[clock].empty()) {
    series["guards"].erase("clock");
  }
  return series.dump(2) + "\n";
}

bool is_written_to(const std::string& folder) {
  const std::string log = folder + "/" + session::kEventsName;
  const int file = ::open(log.c_str(), O_RDONLY | O_CLOEXEC);
  if (file < 0) {
    return false;
  }
  // Whoever writes a session holds this lock (daemon/store): the kernel lets go of it when the
  // process ends, however it ends.
  const bool held = ::flock(file, LOCK_SH | LOCK_NB) != 0 && errno == EWOULDBLOCK;
  ::close(file);
  return held;
}

Result<void> require_whole(const ReplayOptions& options, const std::string& path) {
  if (fs::is_directory(path) && is_written_to(path)) {
    return Error{ErrorCode::refused,
                 options.session +
                     " is being recorded by creeld at this moment; a replay needs "
                     "the whole session"};
  }
  const auto source = session::native_source();
  const auto report = session::verify(*source, path);
  if (!report.ok()) {
    return report.error();
  }
  if (!report->intact()) {
    return Error{ErrorCode::corrupt, options.session +
                                         " is damaged; a replay without every frame and event "
                                         "would be another night"};
  }
  return {};
}

Result<void> write_new(const std::string& path, const std::string& text) {
  const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
  if (file < 0) {
    return Error{errno == EEXIST ? ErrorCode::refused : ErrorCode::storage_failed,
                 path + ": " + std::strerror(errno)};
  }
  std::size_t done = 0;
  while (done < text.size()) {
    const ssize_t wrote = ::write(file, text.data() + done, text.size() - done);
    if (wrote <= 0) {
      const int why = errno;
      ::close(file);
      return Error{ErrorCode::storage_failed, path + ": " + std::strerror(why)};
    }
    done += static_cast<std::size_t>(wrote);
  }
  if (::close(file) != 0) {
    return Error{ErrorCode::storage_failed, path + ": " + std::strerror(errno)};
  }
  return {};
}

/// Whether the rig and the series fit each other, as creeld will see them.
Result<void> check(Replay& made) {
  auto rig = parse_rig(made.rig_text, made.rig_file);
  if (!rig.ok()) {
    return rig.error();
  }
  auto series = parse_series(made.series_text, made.series_file);
  if (!series.ok()) {
    return series.error();
  }
  if (auto fits = check_against_rig(*series, *rig); !fits.ok()) {
    return fits.error();
  }
  return {};
}

Result<Replay> prepare(const ReplayOptions& options, const std::string& path) {
  const auto source = session::native_source();
  auto reader = session::Reader::open(*source, path);
  if (!reader.ok()) {
    return reader.error();
  }
  const session::Documents& recorded = (*reader)->documents();
  auto rig = replay_rig(recorded, path, options);
  if (!rig.ok()) {
    return rig.error();
  }
  Replay made;
  made.name = recorded.name;
  const std::string base = (fs::absolute(options.out) / recorded.name).lexically_normal().string();
  made.rig_file = base + ".rig.json";
  made.series_file = base + ".series.json";
  made.state = base + ".state";
  made.socket = base + ".sock";
  made.rig_text = std::move(*rig);
  made.series_text = without_moment(recorded.series_text);
  for (const double dose : recorded.area_dose_before) {
    made.earlier_dose = made.earlier_dose || dose > 0;
  }
  CREEL_TRY(check(made));
  return made;
}

std::string quoted(const std::string& path) {
  const bool plain = path.find_first_not_of(
                         "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-+.,/") ==
                     std::string::npos;
  if (plain) {
    return path;
  }
  std::string made = "'";
  for (const char c : path) {
    made += c == '\'' ? std::string("'\\''") : std::string(1, c);
  }
  return made + "'";
}

Answer told(const Replay& made, const ReplayOptions& options) {
  const bool own_socket = made.socket.size() <= kLongestSocketPath;
  const std::string socket = own_socket ? " --socket " + quoted(made.socket) : "";
  const std::string daemon =
      "creeld --rig " + quoted(made.rig_file) + " --state " + quoted(made.state) + socket;
  const std::string start = "creel start " + quoted(made.series_file) + " --follow" + socket;
  Answer answer;
  answer.object = {{"session", made.name},
                   {"rig", made.rig_file},
                   {"series", made.series_file},
                   {"state", made.state},
                   {"socket", own_socket ? json(made.socket) : json(nullptr)},
                   {"accelerated", options.fast},
                   {"speed", options.fast ? json(nullptr) : json(options.speed)},
                   {"commands", {daemon, start}}};
  answer.text =
      "wrote " + made.rig_file + "\nwrote " + made.series_file + "\n" +
      (options.fast         ? "as fast as the frames can be read"
       : options.speed == 1 ? "with the recorded timing"
                            : number(options.speed) + " times as fast as recorded") +
      ". Next, in two terminals:\n  " + daemon + "\n  " + start +
      "\nThe state directory is the replay's own, and so is its dose ledger: nothing real "
      "moves and nothing real gets\ndose. One replay for each start of creeld; to see it "
      "again, take another state directory.";
  if (made.earlier_dose) {
    answer.text +=
        "\nnote: its areas had dose from before, which this new ledger does not know; where that "
        "decided when to stop,\nenter it first (creel enter-dose).";
  }
  return answer;
}

}  // namespace

Result<std::string> replay_rig(const session::Documents& recorded, const std::string& path,
                               const ReplayOptions& options) {
  json rig = json::parse(recorded.rig_text, nullptr, false);
  if (!rig.is_object() || !rig.contains("devices") || !rig["devices"].is_array()) {
    return Error{ErrorCode::corrupt, "the rig document in session " + recorded.name +
                                         " is not one; see 'creel verify'"};
  }
  rig["name"] = "replay of " + recorded.name;
  rig["accelerated"] = options.fast;
  rig.erase("speed");
  if (!options.fast && options.speed != 1) {
    rig["speed"] = options.speed;
  }
  rig["shared_bytes"] = kSharedBytes;
  double wait_s = kLongestWait_s;
  for (const json& device : rig["devices"]) {
    wait_s = std::min(wait_s, device.value("lease_s", kUsualLease_s) / 2);
  }
  wait_s = options.fast ? kLongestFastWait_s : wait_s * options.speed;
  for (json& device : rig["devices"]) {
    device["driver"] = "replay";
    device["config"] = {
        {"session", path}, {"device", device.value("name", "")}, {"longest_wait_s", wait_s}};
    device["sandbox"] = {{"read_paths", {path}}};
  }
  rig["notes"] =
      "Written by 'creel replay'. Nothing real moves. SAFETY: shutters that software moves are not "
      "a personnel-safety interlock. A class 4 laser needs hard-wired interlocks, eyewear and a "
      "laser safety officer (IEC 60825-1, ANSI Z136.1, local rules).";
  return rig.dump(2) + "\n";
}

Answer replay(const Common&, const ReplayOptions& options) {
  const auto refuse = [](const Error& error, const std::string& next) {
    return failure("replay", exit_of(error.code), error, kSafe, next);
  };
  if (!options.fast && !(options.speed >= kLeastSpeed && options.speed <= kMostSpeed)) {
    return refuse({ErrorCode::invalid_request,
                   "--speed: got " + number(options.speed) + "; must be 1 to 1000 times real time"},
                  "give another speed, or --fast for as fast as it can be.");
  }
  std::error_code none;
  const std::string path = fs::canonical(options.session, none).string();
  if (none) {
    return refuse({ErrorCode::invalid_request, options.session + ": " + none.message()},
                  "give the path of a session; 'creel list' shows them.");
  }
  if (auto whole = require_whole(options, path); !whole.ok()) {
    const bool running = whole.error().code == ErrorCode::refused;
    return refuse(whole.error(), running ? "wait for its end ('creel follow --until-end') or end "
                                           "it ('creel stop'), then replay it."
                                         : "'creel verify " + options.session +
                                               "' says what is wrong; replay an intact copy.");
  }
  auto made = prepare(options, path);
  if (!made.ok()) {
    return refuse(made.error(),
                  "the session is whole; replay it with the version of Creel that "
                  "recorded it ('creel verify --json').");
  }
  fs::create_directories(options.out, none);
  for (const auto& [file, text] :
       {std::pair{&made->rig_file, &made->rig_text}, {&made->series_file, &made->series_text}}) {
    if (auto written = write_new(*file, *text); !written.ok()) {
      return failure("replay", exit_of(written.error().code), written.error(),
                     "no file that was there is changed.", "give another directory with --out.");
    }
  }
  return told(*made, options);
}

}  // namespace creel::cli
